"""Flat pictures in millimetres, never aliased and never up-sampled without need."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .photo import Photo
from .plane import Plane

__all__ = ["FlatPicture", "flatten", "resample", "sensible_px_per_mm"]

_MAP_STEP_PX = 16  # the map is smooth: evaluated on this grid and interpolated, it is right to about 0.001 px
_REDUCE_BELOW = 0.85  # a mild reduction is safe with cubic interpolation; a stronger one is averaged first


@dataclass(frozen=True, slots=True, kw_only=True)
class FlatPicture:
    """A rectangle of the card's plane as seen from straight above.

    Attributes
    ----------
    bgr : ndarray of uint8, shape (M, N, 3)
        Pixels; column j lies at ``x_mm = origin_mm[0] + j / px_per_mm``, rows likewise in y.
    px_per_mm : float
        Sampling, same in both directions.
    origin_mm : tuple of float
        Plane millimetres of the centre of pixel (0, 0).
    """

    bgr: NDArray[np.uint8]
    px_per_mm: float
    origin_mm: tuple[float, float]


def resample(
    bgr: NDArray[np.uint8], map_px: NDArray[np.float32], *, reduction: float = 1.0
) -> NDArray[np.uint8]:
    """Take pixels of a picture at given positions, low-passed first where the result is coarser.

    Parameters
    ----------
    bgr : ndarray of uint8, shape (M, N, 3) or (M, N)
        Source picture.
    map_px : ndarray of float32, shape (P, Q, 2)
        Position (x, y) in the source for every result pixel.
    reduction : float
        Result pixels per source pixel where the source is finest; below 1 the source is averaged over areas
        first (Nyquist: what the result cannot hold must not fold back).

    Returns
    -------
    ndarray of uint8, shape (P, Q, 3) or (P, Q)
        Outside the source its border pixels are repeated.
    """
    height, width = bgr.shape[:2]
    low = np.clip(np.floor(map_px.min(axis=(0, 1))).astype(int) - 8, 0, [width - 1, height - 1])
    high = np.clip(np.ceil(map_px.max(axis=(0, 1))).astype(int) + 9, low + 1, [width, height])
    source = bgr[low[1] : high[1], low[0] : high[0]]
    scale = np.ones(2, dtype=np.float32)
    if reduction < _REDUCE_BELOW:
        size = (max(1, round(source.shape[1] * reduction)), max(1, round(source.shape[0] * reduction)))
        scale = np.array([size[0] / source.shape[1], size[1] / source.shape[0]], dtype=np.float32)
        source = np.asarray(cv2.resize(source, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    position = np.asarray((map_px - low.astype(np.float32) + np.float32(0.5)) * scale - np.float32(0.5))
    taken = cv2.remap(
        source, position[..., 0], position[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(taken, dtype=np.uint8)


def sensible_px_per_mm(plane: Plane, region_mm: tuple[float, float, float, float]) -> float:
    """Return the finest scale the photo has anywhere in the region: more would be up-sampling."""
    x0, y0, x1, y1 = region_mm
    corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1], [(x0 + x1) / 2, (y0 + y1) / 2]])
    return max(plane.px_per_mm_at(corner) for corner in corners)


def flatten(
    photo: Photo,
    plane: Plane,
    region_mm: tuple[float, float, float, float],
    px_per_mm: float | None = None,
) -> FlatPicture:
    """Resample a rectangle of the plane from the photo.

    Parameters
    ----------
    photo : Photo
        Source.
    plane : Plane
        Its plane.
    region_mm : tuple of float
        x0, y0, x1, y1 in plane millimetres.
    px_per_mm : float, optional
        Sampling; by default and at most the finest scale of the photo in the region.

    Returns
    -------
    FlatPicture
        Its actual sampling is in ``px_per_mm``.
    """
    x0, y0, x1, y1 = region_mm
    if not (x1 > x0 and y1 > y0):
        raise ValueError("region_mm must have positive width and height")
    finest = sensible_px_per_mm(plane, region_mm)
    sampling = finest if px_per_mm is None else min(px_per_mm, finest)
    shape = (max(1, round((y1 - y0) * sampling) + 1), max(1, round((x1 - x0) * sampling) + 1))
    map_px = _coarse_map(plane, (x0, y0), sampling, shape)
    bgr = resample(photo.bgr, map_px, reduction=sampling / finest)
    return FlatPicture(bgr=bgr, px_per_mm=sampling, origin_mm=(x0, y0))


def _coarse_map(
    plane: Plane, origin_mm: tuple[float, float], px_per_mm: float, shape: tuple[int, int]
) -> NDArray[np.float32]:
    step = _MAP_STEP_PX
    rows, columns = -(-shape[0] // step) + 2, -(-shape[1] // step) + 2
    # cv2.resize puts coarse node k at fine pixel (k + 0.5) * step - 0.5; one node of margin avoids its clamping.
    row = (np.arange(rows) - 0.5) * step - 0.5
    column = (np.arange(columns) - 0.5) * step - 0.5
    x, y = np.meshgrid(origin_mm[0] + column / px_per_mm, origin_mm[1] + row / px_per_mm)
    coarse = plane.to_px(np.stack([x, y], axis=-1)).astype(np.float32)
    fine = cv2.resize(coarse, (columns * step, rows * step), interpolation=cv2.INTER_LINEAR)
    return np.ascontiguousarray(fine[step : step + shape[0], step : step + shape[1]], dtype=np.float32)
