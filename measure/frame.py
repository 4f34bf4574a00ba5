"""The cloth's own axes: u across the warp, v along it, straightened along the sample's centre line.

The photo is resampled once, from its own pixels to the straightened patch.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from ..calibration.flatten import resample as take_pixels
from ..calibration.flatten import smooth_map
from ..calibration.photo import Photo
from ..calibration.plane import Plane
from ..calibration.ranks import median

if TYPE_CHECKING:
    from .sample import Sample

__all__ = [
    "ClothFrame",
    "ClothPatch",
    "curved_frame",
    "inside_photo",
    "local_px_per_mm",
    "look_up",
    "resample",
    "straight_frame",
    "straighten",
]

SETTLED_MM = 1e-9
CARD_GROWTH = 1.04  # the card's blurred edge and its own shadow are no cloth


@dataclass(frozen=True, slots=True, kw_only=True)
class ClothFrame:
    """Where a point of the cloth lies in the plane of the card.

    The centre line runs along the warp. ``v_mm`` is the arc length along it, ``u_mm`` the signed distance at
    right angles to it. The pair (u, v) has the same handedness as the photo's (x right, y down): the cloth is never
    mirrored. For a band lying left to right, v grows towards the photo's right; otherwise v grows downwards.

    Attributes
    ----------
    v_mm : ndarray of shape (K,)
        Arc length of the nodes, increasing from 0. A straight sample needs K = 2.
    centre_mm : ndarray of shape (K, 2)
        Plane millimetres of the nodes.
    normal : ndarray of shape (K, 2)
        Unit vectors of +u at the nodes.
    """

    v_mm: NDArray[np.float64]
    centre_mm: NDArray[np.float64]
    normal: NDArray[np.float64]

    def to_plane(self, points_uv_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Map points of shape (..., 2) given as (u, v) in cloth millimetres to plane millimetres.

        Between nodes centre and normal are interpolated linearly; beyond the ends the line goes straight on.
        """
        u = np.asarray(points_uv_mm, dtype=np.float64)[..., 0]
        v = np.asarray(points_uv_mm, dtype=np.float64)[..., 1]
        last = len(self.v_mm) - 2
        k = np.clip(np.searchsorted(self.v_mm, v, side="right") - 1, 0, last)
        step = self.v_mm[k + 1] - self.v_mm[k]
        t = ((v - self.v_mm[k]) / step)[..., None]
        inside = np.clip(t, 0.0, 1.0)
        centre = (1.0 - t) * self.centre_mm[k] + t * self.centre_mm[k + 1]
        normal = (1.0 - inside) * self.normal[k] + inside * self.normal[k + 1]
        return centre + u[..., None] * normal

    def to_cloth(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Map points of shape (N, 2) from plane millimetres to (u, v); the inverse of `to_plane`."""
        points = np.asarray(points_mm, dtype=np.float64)
        distance = np.sum((points[:, None, :] - self.centre_mm[None, :, :]) ** 2, axis=-1)
        uv = np.stack([np.zeros(len(points)), self.v_mm[np.argmin(distance, axis=1)]], axis=-1)
        for _ in range(12):  # each step follows the axes at the present place; gentle curves converge at once
            k = np.clip(np.searchsorted(self.v_mm, uv[:, 1], side="right") - 1, 0, len(self.v_mm) - 2)
            t = np.clip((uv[:, 1] - self.v_mm[k]) / (self.v_mm[k + 1] - self.v_mm[k]), 0.0, 1.0)[:, None]
            normal = (1 - t) * self.normal[k] + t * self.normal[k + 1]
            along = np.stack([-normal[:, 1], normal[:, 0]], axis=-1)
            miss = points - self.to_plane(uv)
            step = np.stack([np.sum(miss * normal, axis=-1), np.sum(miss * along, axis=-1)], axis=-1)
            uv = uv + step
            if np.abs(step).max(initial=0.0) < SETTLED_MM:
                break
        return uv


@dataclass(frozen=True, slots=True, kw_only=True)
class ClothPatch:
    """The cloth straightened once from the photo: ends run down the rows, picks across.

    Attributes
    ----------
    bgr : ndarray of uint8, shape (M, N, 3)
        Pixels; column j lies at ``u_mm = u0_mm + j / px_per_mm``, row i at ``v_mm = v0_mm + i / px_per_mm``.
    mask : ndarray of bool, shape (M, N)
        True where there is cloth (inside the outline, not under the card).
    px_per_mm : float
        Sampling of the patch, same in both directions.
    u0_mm, v0_mm : float
        Cloth coordinates of the centre of pixel (0, 0).
    frame : ClothFrame
        The way back to the plane of the card.
    reduced_by : int
        How many pixels of the photo's own sampling one pixel of the patch stands for, each way.
    """

    bgr: NDArray[np.uint8]
    mask: NDArray[np.bool_]
    px_per_mm: float
    u0_mm: float
    v0_mm: float
    frame: ClothFrame
    reduced_by: int = 1

    def reduced(self, times: int) -> ClothPatch:
        """Return the patch with blocks of `times` by `times` pixels averaged into one."""
        rows, columns = (size // times * times for size in self.mask.shape)
        size = columns // times, rows // times
        cloth = cv2.resize(self.mask[:rows, :columns].astype(np.float32), size, interpolation=cv2.INTER_AREA)
        to_middle_mm = (times - 1) / 2 / self.px_per_mm
        return replace(
            self,
            bgr=np.asarray(
                cv2.resize(self.bgr[:rows, :columns], size, interpolation=cv2.INTER_AREA), dtype=np.uint8
            ),
            mask=np.asarray(cloth > 0.5),
            px_per_mm=self.px_per_mm / times,
            u0_mm=self.u0_mm + to_middle_mm,
            v0_mm=self.v0_mm + to_middle_mm,
            reduced_by=self.reduced_by * times,
        )


def look_up(
    image: NDArray[np.uint8],
    map_px: NDArray[np.float32],
    interpolation: int,
    border: int = cv2.BORDER_CONSTANT,
) -> NDArray[np.uint8]:
    """Return the image at the positions (x, y) of a map of shape (M, N, 2)."""
    # OpenCV takes None as the second map of a two-channel first; its type stubs do not know.
    found = cv2.remap(image, map_px, None, interpolation, borderMode=border)  # type: ignore[call-overload]
    return np.asarray(found, dtype=np.uint8)


def straight_frame(start_mm: NDArray[np.float64], along: NDArray[np.float64], length_mm: float) -> ClothFrame:
    """Return the frame of a straight sample that begins at `start_mm` and runs along the unit vector `along`."""
    across = np.array([along[1], -along[0]])
    return ClothFrame(
        v_mm=np.array([0.0, length_mm]),
        centre_mm=np.array([start_mm, start_mm + length_mm * along]),
        normal=np.array([across, across]),
    )


def curved_frame(nodes_mm: NDArray[np.float64]) -> ClothFrame:
    """Return the frame whose centre line runs through the given points of shape (K, 2), K >= 3."""
    tangent = np.gradient(nodes_mm, axis=0, edge_order=2)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    steps = np.linalg.norm(np.diff(nodes_mm, axis=0), axis=1)
    return ClothFrame(
        v_mm=np.concatenate([[0.0], np.cumsum(steps)]),
        centre_mm=nodes_mm,
        normal=np.stack([tangent[:, 1], -tangent[:, 0]], axis=-1),
    )


def local_px_per_mm(plane: Plane, frame: ClothFrame) -> float:
    """Return the median scale of the photo along the centre line."""
    return float(median([plane.px_per_mm_at(point) for point in frame.centre_mm]))


def resample(
    photo: Photo,
    plane: Plane,
    frame: ClothFrame,
    u_range_mm: tuple[float, float],
    v_range_mm: tuple[float, float],
    px_per_mm: float,
) -> tuple[NDArray[np.uint8], NDArray[np.float32]]:
    """Resample a rectangle of cloth coordinates from the photo.

    When the patch is coarser than the photo, the photo is first reduced by area averaging, so nothing aliases.
    Outside the photo the border pixels are repeated.

    Returns
    -------
    bgr : ndarray of uint8, shape (M, N, 3)
        The patch.
    map_px : ndarray of float32, shape (M, N, 2)
        Photo pixel of every patch pixel.
    """
    shape = (
        max(2, round((v_range_mm[1] - v_range_mm[0]) * px_per_mm) + 1),
        max(2, round((u_range_mm[1] - u_range_mm[0]) * px_per_mm) + 1),
    )
    map_px = smooth_map(
        lambda uv: plane.to_px(frame.to_plane(uv)), (u_range_mm[0], v_range_mm[0]), px_per_mm, shape
    )
    reduction = px_per_mm / local_px_per_mm(plane, frame)
    return take_pixels(photo.bgr, map_px, reduction=reduction), map_px


def inside_photo(map_px: NDArray[np.float32], shape: tuple[int, ...]) -> NDArray[np.bool_]:
    """Which positions of a map of shape (M, N, 2) lie in a photo of some rows and columns."""
    found = cv2.inRange(map_px, (0.0, 0.0, 0.0, 0.0), (shape[1] - 1.0, shape[0] - 1.0, 0.0, 0.0))
    return np.asarray(found) > 0


def straighten(
    photo: Photo,
    plane: Plane,
    sample: Sample,
    *,
    px_per_mm: float | None = None,
    margin_mm: float = 0.0,
    beside_mm: float = 0.0,
) -> ClothPatch:
    """Resample the sample once, so that its ends run down the rows.

    Parameters
    ----------
    photo, plane, sample
        What was found before.
    px_per_mm : float, optional
        Sampling of the patch; by default that of the photo along the centre line.
    margin_mm : float
        Table to show around the woven part.
    beside_mm : float
        More table to show beside the selvedges only, where no fringe confuses.

    Returns
    -------
    ClothPatch
        With a mask that is True on cloth the photo shows and the card leaves free.
    """
    frame = sample.frame
    scale = local_px_per_mm(plane, frame) if px_per_mm is None else px_per_mm
    across = np.array([sample.left_u_mm.min(), sample.right_u_mm.max()])
    edge_u = np.linspace(across[0], across[1], 17)
    top, bottom = np.polyval(sample.start_curve, edge_u), np.polyval(sample.end_curve, edge_u)
    u_range = (float(across[0]) - margin_mm - beside_mm, float(across[1]) + margin_mm + beside_mm)
    v_range = (float(top.min()) - margin_mm, float(bottom.max()) + margin_mm)
    bgr, map_px = resample(photo, plane, frame, u_range, v_range, scale)
    u = u_range[0] + np.arange(bgr.shape[1]) / scale
    v = v_range[0] + np.arange(bgr.shape[0]) / scale
    left = np.interp(v, sample.station_v_mm, sample.left_u_mm)
    right = np.interp(v, sample.station_v_mm, sample.right_u_mm)
    mask = (u[None, :] >= left[:, None]) & (u[None, :] <= right[:, None])
    mask &= v[:, None] >= np.polyval(sample.start_curve, u)[None, :]
    mask &= v[:, None] <= np.polyval(sample.end_curve, u)[None, :]
    height, width = photo.bgr.shape[:2]
    mask &= inside_photo(map_px, (height, width))
    if plane.card_outline_px is not None and plane.blank_region_mm is None:
        corners = np.asarray(plane.card_outline_px, dtype=np.float64)
        centre = corners.mean(axis=0)
        covered = np.zeros((height, width), dtype=np.uint8)
        cv2.fillPoly(covered, [np.round(centre + (corners - centre) * CARD_GROWTH).astype(np.int32)], 1)
        if covered.any():
            mask &= look_up(covered, map_px, cv2.INTER_NEAREST) == 0
    return ClothPatch(bgr=bgr, mask=mask, px_per_mm=scale, u0_mm=u_range[0], v0_mm=v_range[0], frame=frame)
