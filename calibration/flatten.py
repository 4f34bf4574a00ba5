"""Flat pictures in millimetres, never aliased and never up-sampled without need."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .photo import Photo
from .plane import Plane
from .reduce import block_means, shrink

__all__ = ["FlatPicture", "flatten", "resample", "sensible_px_per_mm", "smooth_map"]

_MAP_STEP_PX = 16  # the map is smooth: evaluated on this grid and interpolated, it is right to about 0.001 px
_STRIP_ROWS = 256  # taken at once: positions of all pixels of a large photo would fill the memory
_BLUR_BELOW = 0.4
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
        Position (x, y) in the source for every result pixel, changing smoothly as those of `smooth_map` do.
    reduction : float
        Result pixels per source pixel where the source is finest; below 1 the source is averaged over areas
        first (Nyquist: what the result cannot hold must not fold back).

    Returns
    -------
    ndarray of uint8, shape (P, Q, 3) or (P, Q)
        Outside the source its border pixels are repeated.
    """
    height, width = bgr.shape[:2]
    sparse = np.concatenate(
        [map_px[::_MAP_STEP_PX, ::_MAP_STEP_PX].reshape(-1, 2), map_px[-1], map_px[:, -1]]
    )
    pad = 8 + int(_MAP_STEP_PX / min(reduction, 1.0))  # what lies between the places looked at
    low = np.clip(np.floor(sparse.min(axis=0)).astype(int) - pad, 0, [width - 1, height - 1])
    high = np.clip(np.ceil(sparse.max(axis=0)).astype(int) + pad + 1, low + 1, [width, height])
    whole = bgr[low[1] : high[1], low[0] : high[0]]
    source, scale = _reduced(whole, reduction)
    taken = np.empty((*map_px.shape[:2], *source.shape[2:]), np.uint8)
    # From pixels of the whole picture to those of the reduced part of it.
    shift = ((0.5 - low) * scale - 0.5).astype(np.float32)
    strip_px = np.empty((min(_STRIP_ROWS, len(map_px)), *map_px.shape[1:]), np.float32)
    for top in range(0, len(map_px), _STRIP_ROWS):
        strip = map_px[top : top + _STRIP_ROWS]
        position = strip_px[: len(strip)]
        # OpenCV adds a number to each of two channels many times faster than numpy does; its type stubs do not know.
        if source is whole:
            cv2.add(strip, _per_channel(-low), dst=position)  # type: ignore[call-overload]
        else:
            cv2.multiply(strip, _per_channel(scale), dst=position)  # type: ignore[call-overload]
            cv2.add(position, _per_channel(shift), dst=position)  # type: ignore[call-overload]
        # OpenCV takes None as the second map of a two-channel first; its type stubs do not know.
        cv2.remap(  # type: ignore[call-overload]
            source,
            position,
            None,
            cv2.INTER_CUBIC,
            dst=taken[top : top + len(strip)],
            borderMode=cv2.BORDER_REPLICATE,
        )
    return taken


def _per_channel(pair: NDArray[Any]) -> tuple[float, float, float, float]:
    """Return a number for x and one for y as OpenCV takes them."""
    return float(pair[0]), float(pair[1]), 0.0, 0.0


def _reduced(source: NDArray[np.uint8], reduction: float) -> tuple[NDArray[np.uint8], NDArray[np.float32]]:
    """Reduce a picture by averaging; returns it and its pixels per source pixel, x and y."""
    whole = round(1 / reduction)
    if reduction < _BLUR_BELOW:
        # Averaging over three pixels and more still lets a third of the finest patterns through; a blur does not.
        source = np.asarray(cv2.GaussianBlur(source, (0, 0), 0.3 / reduction), dtype=np.uint8)
    height, width = source.shape[:2]
    if whole > 1 and abs(whole * reduction - 1) < 0.02:
        # Whole blocks are averaged many times faster than fractions.
        return block_means(source, whole), np.full(2, 1.0 / whole, dtype=np.float32)
    if reduction < _REDUCE_BELOW:
        size = (max(1, round(width * reduction)), max(1, round(height * reduction)))
        scale = np.array([size[0] / width, size[1] / height], dtype=np.float32)
        return shrink(source, size), scale
    return source, np.ones(2, dtype=np.float32)


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
    map_px = smooth_map(plane.to_px, (x0, y0), sampling, shape)
    bgr = resample(photo.bgr, map_px, reduction=sampling / finest)
    return FlatPicture(bgr=bgr, px_per_mm=sampling, origin_mm=(x0, y0))


def smooth_map(
    to_px: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    origin_mm: tuple[float, float],
    px_per_mm: float,
    shape: tuple[int, int],
) -> NDArray[np.float32]:
    """Return the photo position (x, y) of every pixel of a picture in millimetres, shape (M, N, 2).

    Parameters
    ----------
    to_px : callable
        Maps points of shape (..., 2) in millimetres to photo pixels; it is evaluated on a coarse grid.
    origin_mm : tuple of float
        The place of pixel (0, 0).
    px_per_mm : float
        Sampling.
    shape : tuple of int
        Rows and columns (M, N).
    """
    step = _MAP_STEP_PX
    rows, columns = -(-shape[0] // step) + 2, -(-shape[1] // step) + 2
    # cv2.resize puts coarse node k at fine pixel (k + 0.5) * step - 0.5; one node of margin avoids its clamping.
    row = (np.arange(rows) - 0.5) * step - 0.5
    column = (np.arange(columns) - 0.5) * step - 0.5
    x, y = np.meshgrid(origin_mm[0] + column / px_per_mm, origin_mm[1] + row / px_per_mm)
    coarse = to_px(np.stack([x, y], axis=-1)).astype(np.float32)
    fine = cv2.resize(coarse, (columns * step, rows * step), interpolation=cv2.INTER_LINEAR)
    # A view is enough: who takes pixels by it makes positions of their own.
    return np.asarray(fine[step : step + shape[0], step : step + shape[1]], dtype=np.float32)
