"""Whether what was fitted is a bank card: its proportions and stand, its rounded corners, its plain face."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from .camera_view import tilt_and_distance
from .edges import EdgePoints
from .id1 import ID1_SIZE_MM
from .plane import apply_homography
from .pose import PoseFit
from .ranks import median
from .reduce import shrink

__all__ = ["MAX_PRIOR_STRAIN", "corner_radii_mm", "is_id1", "plain_share", "surely_a_card", "well_rounded"]

MAX_PRIOR_STRAIN = 50.0  # chi square of 6 freedoms stays below 23 in 99.9 %; twice that for shadows and wear
_RADIUS_LIMITS_MM = (1.8, 4.8)  # the standard's 2.88 to 3.48, widened by what blur and a worn corner do
_MAX_TILT_DEG = 45.0
_QUIET_LEVELS = 6.0  # scatter within 2 mm, in grey levels; cloth and wood have more, noise of a phone less


def is_id1(fit: PoseFit, edges: EdgePoints, px_per_mm: float) -> bool:
    """Tell whether the edges are straight, in a bank card's proportions under perspective, and its pose believable."""
    straight_px = max(0.4, 0.06 * px_per_mm)  # thread ends and torn paper wander by more
    if float(median(edges.std_px)) > straight_px or float(edges.std_px.max()) > 2.5 * straight_px:
        return False
    if fit.rms_px > max(0.8, 0.12 * px_per_mm) or fit.prior_strain > MAX_PRIOR_STRAIN:
        return False
    tilt, _ = tilt_and_distance(fit.px_from_card_mm, fit.lens.focal_px, fit.lens.centre_px)
    return tilt < _MAX_TILT_DEG


def surely_a_card(edges: EdgePoints, radii: list[float]) -> bool:
    """Tell a printed card from cloth by its edges: seen all around, with at least three well-rounded corners."""
    low, high = 2.2, 4.4
    return float(edges.coverage.min()) > 0.9 and sum(low <= radius <= high for radius in radii) >= 3


def plain_share(bgr: NDArray[np.uint8], origin: NDArray[np.float64], fit: PoseFit, px_per_mm: float) -> float:
    """Return the share of the card's face, in cells of 2 mm, that shows no texture.

    Parameters
    ----------
    bgr : ndarray of uint8, shape (M, N, 3)
        The part of the photo that holds the card.
    origin : ndarray of shape (2,)
        Its first pixel in the photo, x and y.
    fit : PoseFit
    px_per_mm : float
        Scale of the photo at the card.
    """
    sampling, cell = 4.0, 8
    width, height = (int(side * sampling) for side in ID1_SIZE_MM)
    card_from_flat = np.array(
        [
            [1 / sampling, 0, (0.5 / sampling) - ID1_SIZE_MM[0] / 2],
            [0, 1 / sampling, (0.5 / sampling) - ID1_SIZE_MM[1] / 2],
            [0, 0, 1.0],
        ]
    )
    source, px_from_flat = (
        bgr,
        np.array([[1, 0, -origin[0]], [0, 1, -origin[1]], [0, 0, 1.0]]) @ fit.px_from_card_mm,
    )
    px_from_flat = px_from_flat @ card_from_flat
    reduction = 1.3 * sampling / px_per_mm
    if reduction < 0.9:
        size = (max(1, round(bgr.shape[1] * reduction)), max(1, round(bgr.shape[0] * reduction)))
        source = shrink(bgr, size)
        fx, fy = size[0] / bgr.shape[1], size[1] / bgr.shape[0]
        px_from_flat = np.array([[fx, 0, (fx - 1) / 2], [0, fy, (fy - 1) / 2], [0, 0, 1.0]]) @ px_from_flat
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    flat = cv2.warpPerspective(
        source, px_from_flat, (width, height), flags=flags, borderMode=cv2.BORDER_REPLICATE
    )
    rim = int(3 * sampling)
    face = flat[rim:-rim, rim:-rim].astype(np.float32)
    rows, columns = face.shape[0] // cell, face.shape[1] // cell
    cells = face[: rows * cell, : columns * cell].reshape(rows, cell, columns, cell, 3)
    return float(np.mean(cells.std(axis=(1, 3)).max(axis=-1) < _QUIET_LEVELS))


def corner_radii_mm(linear: NDArray[np.float32], origin: NDArray[np.float64], fit: PoseFit) -> list[float]:
    """Measure the rounding of the corners that lie in the picture, on profiles along their bisectors.

    A corner of radius r leaves the sharp corner's point by r (sqrt 2 - 1). `linear` is linear light, shape (M, N, 3), of
    the part of the photo that begins at the pixel `origin`.
    """
    half = np.array(ID1_SIZE_MM) / 2
    step_mm = 0.05
    distance_mm = np.arange(6.0, -1.5, -step_mm)  # from inside outwards
    kernel = cv2.getGaussianKernel(13, 2.5)
    radii = []
    for sign in ((-1, -1), (1, -1), (1, 1), (-1, 1)):
        inward = -np.array(sign) / math.sqrt(2)
        spread = np.array([inward[1], -inward[0]]) * np.array([-0.3, -0.15, 0.0, 0.15, 0.3])[:, None]
        path_mm = half * np.array(sign) + distance_mm[:, None, None] * inward + spread[None]
        path = (apply_homography(fit.px_from_card_mm, path_mm) - origin).astype(np.float32)
        if (
            path.min() < 0
            or path[..., 0].max() > linear.shape[1] - 1
            or path[..., 1].max() > linear.shape[0] - 1
        ):
            continue
        profile = cv2.remap(linear, path[..., 0], path[..., 1], cv2.INTER_LINEAR).mean(axis=1)
        smooth = cv2.filter2D(profile, -1, kernel, borderType=cv2.BORDER_REPLICATE)
        slope = np.linalg.norm(np.gradient(smooth, axis=0), axis=1)
        noise = float(median(slope[:40]))
        marked = slope >= max(0.35 * float(slope.max()), 4.0 * noise)
        peak = (slope[1:-1] >= slope[:-2]) & (slope[1:-1] > slope[2:]) & marked[1:-1]
        if peak.any():
            radii.append(float(distance_mm[int(np.argmax(peak)) + 1]) / (math.sqrt(2) - 1))
    return radii


def well_rounded(radii: list[float]) -> bool:
    """Tell whether the corners that show are a bank card's: some rounded as they should be, fewer square ones."""
    rounded = sum(_RADIUS_LIMITS_MM[0] <= radius <= _RADIUS_LIMITS_MM[1] for radius in radii)
    square = sum(abs(radius) < _RADIUS_LIMITS_MM[0] for radius in radii)
    return rounded > square and (rounded >= 2 or len(radii) <= 2)
