"""From pitches to thread coordinates: the index field of both systems and the cloth resampled on it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ..calibration.ranks import median
from ..calibration.side_by_side import side_by_side
from .phase import (
    PX_PER_THREAD,
    Demodulator,
    FloatPlane,
    LatticePicture,
    blur,
    combine_routes,
    unwrap_weighted,
)

__all__ = ["IndexField", "ThreadPicture", "index_field", "resample_on_threads"]

NEWTON_STEPS = 6
LEAST_RATE = 0.4  # threads in one usual spacing; a departure that falls faster has gone astray, and no step may be carried off by it


@dataclass(frozen=True, slots=True, kw_only=True)
class IndexField:
    """Thread index as a function of place, on a grid of one sample per thread.

    Attributes
    ----------
    end_index, pick_index : ndarray of float32, shape (M, N)
        Smooth thread index at patch pixels (x_px[j], y_px[i]); the zero is arbitrary.
    end_coherence, pick_coherence : ndarray of float32, shape (M, N)
        0..1, how steady the phase is along the thread.
    cloth : ndarray of float32, shape (M, N)
        Share of cloth around the sample.
    x_px, y_px : ndarray of shape (N,) and (M,)
        Patch pixels of the samples.
    """

    end_index: FloatPlane
    pick_index: FloatPlane
    end_coherence: FloatPlane
    pick_coherence: FloatPlane
    cloth: FloatPlane
    x_px: NDArray[np.float64]
    y_px: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class ThreadPicture:
    """Cloth resampled so that ends stand upright and picks lie level, `PX_PER_THREAD` pixels per thread.

    Pixel (row i, column j) lies at pick index ``first_pick + i / PX_PER_THREAD`` and end index
    ``first_end + j / PX_PER_THREAD`` of the field it was made from.

    Attributes
    ----------
    picture : LatticePicture
    seen : ndarray of bool, shape (M, N)
        Pixels that lie inside the patch; the others only repeat its border.
    first_end, first_pick : int
    grid_x_px, grid_y_px : ndarray of float32, shape (P, Q)
        Patch pixel of end index ``first_end + q`` and pick index ``first_pick + p``.
    """

    picture: LatticePicture
    seen: NDArray[np.bool_]
    first_end: int
    first_pick: int
    grid_x_px: FloatPlane
    grid_y_px: FloatPlane

    def to_patch(
        self, end_index: NDArray[np.float64], pick_index: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Patch pixels (x, y) of points given by thread index (arrays of one shape)."""
        q = np.asarray(end_index, dtype=np.float64) - self.first_end
        p = np.asarray(pick_index, dtype=np.float64) - self.first_pick
        return _bilinear(self.grid_x_px, p, q), _bilinear(self.grid_y_px, p, q)

    def to_patch_grid(
        self, end_index: NDArray[np.float64], pick_index: NDArray[np.float64]
    ) -> tuple[FloatPlane, FloatPlane]:
        """Patch pixels (x, y), each of shape (M, N), of all crossings of N end indices and M pick indices."""
        q = np.asarray(end_index, dtype=np.float64) - self.first_end
        p = np.asarray(pick_index, dtype=np.float64) - self.first_pick
        x, y = (_between_rows(_between_rows(g, p).T, q).T for g in (self.grid_x_px, self.grid_y_px))
        return x, y


def _between_rows(plane: FloatPlane, at: NDArray[np.float64]) -> FloatPlane:
    """Rows of a plane at fractional places, going straight on beyond the border."""
    low = np.clip(np.floor(at).astype(int), 0, plane.shape[0] - 2)
    share = (at - low).astype(np.float32)[:, None]
    return np.asarray(plane[low] * (1 - share) + plane[low + 1] * share, dtype=np.float32)


def _bilinear(plane: FloatPlane, row: NDArray[np.float64], col: NDArray[np.float64]) -> NDArray[np.float64]:
    """Linear interpolation that goes straight on beyond the border."""
    r0 = np.clip(np.floor(row).astype(int), 0, plane.shape[0] - 2)
    c0 = np.clip(np.floor(col).astype(int), 0, plane.shape[1] - 2)
    tr, tc = row - r0, col - c0
    top = plane[r0, c0] * (1 - tc) + plane[r0, c0 + 1] * tc
    bottom = plane[r0 + 1, c0] * (1 - tc) + plane[r0 + 1, c0 + 1] * tc
    return np.asarray(top * (1 - tr) + bottom * tr, dtype=np.float64)


def _smooth_masked(plane: FloatPlane, weight: FloatPlane, sigma_x: float, sigma_y: float) -> FloatPlane:
    weight = np.maximum(weight, np.float32(1e-4))
    out = blur(np.ascontiguousarray(plane * weight), sigma_x, sigma_y) / blur(weight, sigma_x, sigma_y)
    return np.asarray(out, dtype=np.float32)


def _departure(
    routes: list[NDArray[np.complex64]], cloth: FloatPlane, along: int
) -> tuple[FloatPlane, FloatPlane]:
    """Unwrapped departure from the even grid in threads, and the coherence."""
    signal, coherence, _ = combine_routes(routes, cloth, along=along)
    weight = np.asarray(cloth * coherence**2, dtype=np.float32)
    phase = np.asarray(np.angle(signal), dtype=np.float32)
    surface = unwrap_weighted(phase, weight)
    # Least squares leans towards flat near residues; fold back what is left, averaged along the thread.
    sigma = (1.0, 3.0) if along == 0 else (3.0, 1.0)
    for _ in range(2):
        left = np.asarray(np.angle(np.exp(1j * (phase - surface))), dtype=np.float32)
        surface = surface + _smooth_masked(left, weight, *sigma)
    sigma = (1.5, 4.0) if along == 0 else (4.0, 1.5)
    surface = _smooth_masked(np.asarray(surface, dtype=np.float32), weight, *sigma)
    return np.asarray(surface / (2 * np.pi), dtype=np.float32), coherence


def index_field(
    picture: LatticePicture, planes: dict[str, FloatPlane], *, level_picks: bool = False
) -> IndexField:
    """Find the thread index of both systems over the cloth.

    Parameters
    ----------
    picture : LatticePicture
    planes : dict
        What `phase.feature_planes` made of the picture.
    level_picks : bool
        The picture has one pick to a row of the index already, and they stay there: only the ends are looked for.

    Notes
    -----
    The on-axis component of each plane carries the thread itself. Where it is weak (picks of warp-faced cloth show
    only in the staggered rhythm of the floats) the product of the two half nodes (1/2, 1/2) and (1/2, -1/2) has the
    phase of (1, 0), and the one with the second conjugated that of (0, 1).
    """
    found = side_by_side(lambda name: _routes(planes[name], name, level_picks), planes)
    ends = [route for routes, _ in found for route in routes]
    picks = [route for _, routes in found for route in routes]
    cloth = _cloth_on_grid(picture.cloth, ends[0].shape)
    end_shift, end_coherence = _departure(ends, cloth, 0)
    pick_shift, pick_coherence = np.zeros_like(cloth), np.ones_like(cloth)
    if not level_picks:
        pick_shift, pick_coherence = _departure(picks, cloth, 1)
    rows, cols = cloth.shape
    grid_j, grid_i = np.arange(cols, dtype=np.float32), np.arange(rows, dtype=np.float32)
    k = PX_PER_THREAD
    return IndexField(
        end_index=grid_j[None] + end_shift,
        pick_index=grid_i[:, None] + pick_shift,
        end_coherence=end_coherence,
        pick_coherence=pick_coherence,
        cloth=cloth,
        x_px=(grid_j.astype(np.float64) * k + 0.5) / picture.scale_x - 0.5,
        y_px=(grid_i.astype(np.float64) * k + 0.5) / picture.scale_y - 0.5,
    )


def _routes(
    plane: FloatPlane, name: str, level_picks: bool
) -> tuple[list[NDArray[np.complex64]], list[NDArray[np.complex64]]]:
    """Baseband signals of the ends and of the picks that one plane of features has to give."""
    found = Demodulator(plane)
    rising, falling = found.node(0.5, 0.5), found.node(0.5, -0.5)
    ends = [] if name == "gap_y" else [found.node(1.0, 0.0)]
    ends.append(np.asarray(rising * falling, dtype=np.complex64))
    if level_picks:
        return ends, []
    picks = [] if name == "gap_x" else [found.node(0.0, 1.0)]
    picks.append(np.asarray(rising * np.conj(falling), dtype=np.complex64))
    return ends, picks


def _cloth_on_grid(cloth: FloatPlane, shape: tuple[int, int]) -> FloatPlane:
    k = PX_PER_THREAD
    soft = blur(cloth, 0.35 * k)[::k, ::k]
    out = np.zeros(shape, np.float32)
    out[: soft.shape[0], : soft.shape[1]] = soft[: shape[0], : shape[1]]
    return out


def _invert(field: IndexField, margin: int) -> tuple[FloatPlane, FloatPlane, int, int]:
    """Grid coordinates (j, i) of the whole thread indices, and the first end and pick index."""
    on = field.cloth > 0.5
    if not on.any():
        on = np.ones_like(on)
    first_end = int(np.floor(field.end_index[on].min())) - margin
    last_end = int(np.ceil(field.end_index[on].max())) + margin
    first_pick = int(np.floor(field.pick_index[on].min())) - margin
    last_pick = int(np.ceil(field.pick_index[on].max())) + margin
    want_end, want_pick = np.meshgrid(
        np.arange(first_end, last_end + 1, dtype=np.float32),
        np.arange(first_pick, last_pick + 1, dtype=np.float32),
    )
    rows, cols = field.cloth.shape
    shift_end = np.asarray(field.end_index - np.arange(cols, dtype=np.float32)[None], dtype=np.float32)
    shift_pick = np.asarray(field.pick_index - np.arange(rows, dtype=np.float32)[:, None], dtype=np.float32)
    at_j = want_end - float(median(shift_end[on]))
    at_i = want_pick - float(median(shift_pick[on]))
    rates = (1.0 + np.gradient(shift, axis=axis) for axis, shift in ((1, shift_end), (0, shift_pick)))
    parts = [shift_end, shift_pick, *(np.maximum(rate, LEAST_RATE) for rate in rates)]
    known = np.asarray(cv2.merge(parts), dtype=np.float32)
    # Newton's method, each index by its own coordinate. Without the rates it would not converge where threads lie
    # closer than half of their usual spacing.
    for _ in range(NEWTON_STEPS):
        end_here, pick_here, end_rate, pick_rate = cv2.split(_sample(known, at_j, at_i))
        at_j = at_j - (at_j + end_here - want_end) / end_rate
        at_i = at_i - (at_i + pick_here - want_pick) / pick_rate
    return at_j, at_i, first_end, first_pick


def resample_on_threads(
    source: LatticePicture, field: IndexField, *, previous: ThreadPicture | None = None, margin: int = 2
) -> ThreadPicture:
    """Straighten a lattice picture along its own threads.

    Parameters
    ----------
    source : LatticePicture
        The picture to take the pixels from, always the first one, so that nothing is interpolated twice.
    field : IndexField
        Index field, of `source` itself or of `previous.picture`.
    previous : ThreadPicture, optional
        The earlier straightening that `field` was measured on.
    margin : int
        Threads kept beyond the outermost index of the cloth.
    """
    k = PX_PER_THREAD
    at_j, at_i, first_end, first_pick = _invert(field, margin)
    if previous is None:
        grid_x = (at_j * k + 0.5) / source.scale_x - 0.5
        grid_y = (at_i * k + 0.5) / source.scale_y - 0.5
    else:
        row, col = at_i.astype(np.float64), at_j.astype(np.float64)
        grid_x = _bilinear(previous.grid_x_px, row, col)
        grid_y = _bilinear(previous.grid_y_px, row, col)
    grid_x, grid_y = np.asarray(grid_x, dtype=np.float32), np.asarray(grid_y, dtype=np.float32)
    full = ((at_j.shape[1] - 1) * k + 1, (at_j.shape[0] - 1) * k + 1)
    map_x = _upsample((grid_x + 0.5) * np.float32(source.scale_x) - 0.5, full)
    map_y = _upsample((grid_y + 0.5) * np.float32(source.scale_y) - 0.5, full)
    bgr = cv2.remap(source.bgr, map_x, map_y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    cloth = cv2.remap(source.cloth, map_x, map_y, cv2.INTER_NEAREST, borderValue=0)
    return ThreadPicture(
        picture=LatticePicture(
            bgr=np.asarray(bgr, dtype=np.float32),
            cloth=np.asarray(cloth, dtype=np.float32),
            scale_x=1.0,
            scale_y=1.0,
        ),
        seen=(map_x >= 0)
        & (map_x <= source.bgr.shape[1] - 1)
        & (map_y >= 0)
        & (map_y <= source.bgr.shape[0] - 1),
        first_end=first_end,
        first_pick=first_pick,
        grid_x_px=grid_x,
        grid_y_px=grid_y,
    )


def _sample(plane: FloatPlane, x: FloatPlane, y: FloatPlane) -> FloatPlane:
    return np.asarray(
        cv2.remap(
            plane,
            x.astype(np.float32),
            y.astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        ),
        dtype=np.float32,
    )


def _upsample(plane: FloatPlane, size: tuple[int, int]) -> FloatPlane:
    """Linear interpolation from one sample per thread to `PX_PER_THREAD`, corners on corners."""
    k = PX_PER_THREAD
    x = np.arange(size[0], dtype=np.float32) / k
    y = np.arange(size[1], dtype=np.float32) / k
    map_x, map_y = (np.asarray(m, dtype=np.float32) for m in np.meshgrid(x, y))
    return _sample(np.asarray(plane, dtype=np.float32), map_x, map_y)
