"""How much cloth is left beyond the outermost threads: telling threads, weft turns and table apart by colour."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ..calibration.ranks import percentile
from .phase import PX_PER_THREAD, FloatPlane

__all__ = ["Occupancy", "cloth_span", "side_occupancy"]

FloatArray = NDArray[np.float64]
TABLE_ZONE = (-2.5, -1.2)  # threads outside the rough outline taken as table
CLOTH_ZONE = (1.0, 6.0)  # threads inside it taken as cloth
# The cloth throws a shadow on the table: its colours are also expected at these shares of their pixel values.
SHADES = (1.0, 0.9, 0.8, 0.7, 0.6, 0.5, 0.4)
LIT_SHARE = 0.4  # of the table's pixels near the cloth, those not in shadow
_BINS = (48, 48, 25)  # a*, b*, L*


@dataclass(frozen=True, slots=True, kw_only=True)
class Occupancy:
    """Share of cloth per profile pixel, seen from one side.

    Attributes
    ----------
    share : ndarray of shape (N,)
        Share of cloth at each profile pixel, 1 as far inside as usual.
    beyond : ndarray of shape (N,)
        Threads' worth of cloth lying farther out than each profile pixel.
    contrast : float
        How well the colours of table and cloth differ, 0..1.
    """

    share: FloatArray
    beyond: FloatArray
    contrast: float


def cloth_span(cloth: FloatPlane, along: int) -> tuple[int, int]:
    """First and last profile pixel inside the rough outline (more than half of the usual share of cloth)."""
    share = cloth.mean(axis=along)
    on = np.flatnonzero(share > 0.5 * float(percentile(share, 80)))
    return (int(on[0]), int(on[-1])) if len(on) else (0, len(share) - 1)


def _lab(bgr: FloatPlane) -> FloatPlane:
    scaled = np.clip(bgr, 0, 255) * np.float32(1 / 255.0)
    return np.asarray(cv2.cvtColor(np.ascontiguousarray(scaled), cv2.COLOR_BGR2Lab), dtype=np.float32)


def _table_histogram(bgr: FloatPlane) -> FloatPlane:
    """Colours of the table, in light and in shadow."""
    shaded = (1.0 - LIT_SHARE) / (len(SHADES) - 1)
    count = np.zeros(int(np.prod(_BINS)))
    for shade in SHADES:
        count += (LIT_SHARE if shade == 1.0 else shaded) * _count(_lab(bgr * np.float32(shade)))
    return _smoothed(count)


def _histogram(colours: FloatPlane) -> FloatPlane:
    return _smoothed(_count(colours))


def _count(colours: FloatPlane) -> NDArray[Any]:
    return np.bincount(_bin(colours), minlength=int(np.prod(_BINS)))


def _smoothed(count: NDArray[Any]) -> FloatPlane:
    """Probability of every bin: the counts blurred over neighbouring bins."""
    # All layers of one lightness are blurred at once, as channels.
    planes = np.asarray(cv2.GaussianBlur(count.astype(np.float32).reshape(_BINS), (0, 0), 1.0))
    padded = np.pad(planes, ((0, 0), (0, 0), (1, 1)), mode="edge")
    smooth = 0.25 * padded[..., :-2] + 0.5 * padded[..., 1:-1] + 0.25 * padded[..., 2:]
    return np.asarray(smooth / max(float(smooth.sum()), 1.0), dtype=np.float32).ravel()


def _bin(lab: FloatPlane) -> NDArray[np.int64]:
    flat = lab.reshape(-1, 3)
    a_bin = np.clip((flat[:, 1] + 96.0) * (_BINS[0] / 192.0), 0, _BINS[0] - 1).astype(np.int64)
    b_bin = np.clip((flat[:, 2] + 96.0) * (_BINS[1] / 192.0), 0, _BINS[1] - 1).astype(np.int64)
    l_bin = np.clip(flat[:, 0] * (_BINS[2] / 100.0), 0, _BINS[2] - 1).astype(np.int64)
    return np.asarray((a_bin * _BINS[1] + b_bin) * _BINS[2] + l_bin)


def side_occupancy(
    bgr: FloatPlane, cloth: FloatPlane, seen: NDArray[np.bool_], *, far: bool
) -> Occupancy | None:
    """Measure the cloth beyond every place near the left or right side of the sample.

    Parameters
    ----------
    bgr : ndarray of float32, shape (M, N, 3)
        Colours of a thread picture.
    cloth : ndarray of float32, shape (M, N)
        Rough outline, right to about half a thread.
    seen : ndarray of bool, shape (M, N)
        Pixels that lie inside the patch.
    far : bool
        True for the right side.

    Returns
    -------
    Occupancy or None
        None where no table shows beyond the outline (the sample leaves the picture).
    """
    k = PX_PER_THREAD
    first, last = cloth_span(cloth, 0)
    share = cloth.mean(axis=1)
    rows = share > 0.5 * float(share.max())
    cols = cloth.shape[1]
    bgr, seen = bgr[rows], seen[rows]
    edge = cols - 1 - last if far else first
    if far:
        bgr, seen = bgr[:, ::-1], seen[:, ::-1]
    blind = int(np.argmax(seen.mean(axis=0) > 0.9))  # columns that only repeat the border of the patch
    table = (max(blind, round(edge + TABLE_ZONE[0] * k)), round(edge + TABLE_ZONE[1] * k))
    inner = (round(edge + CLOTH_ZONE[0] * k), min(cols, round(edge + CLOTH_ZONE[1] * k)))
    if table[1] - table[0] < k // 2 or inner[1] - inner[0] < k:
        return None
    near = _lab(bgr[:, : inner[1]])
    like_table = _table_histogram(bgr[:, table[0] : table[1]])
    like_cloth = _histogram(near[:, inner[0] :])
    bins = _bin(near)
    of_cloth, of_table = like_cloth[bins] + 1e-6, like_table[bins] + 1e-6
    share_cloth = (of_cloth / (of_cloth + of_table)).reshape(near.shape[:2]).mean(axis=0).astype(np.float64)
    low = float(share_cloth[table[0] : table[1]].mean())
    high = float(share_cloth[inner[0] :].mean())
    contrast = max(high - low, 0.0)
    relative = np.clip((share_cloth - low) / max(contrast, 0.05), 0.0, 1.0)
    relative[: table[1]] = 0.0
    relative = np.concatenate([relative, np.ones(cols - len(relative))])
    beyond = np.cumsum(relative) / k
    if far:
        relative, beyond = relative[::-1], beyond[::-1]
    return Occupancy(share=relative, beyond=beyond, contrast=contrast)
