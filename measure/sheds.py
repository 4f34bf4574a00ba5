"""Which ends lie on top, pick by pick: the runs of cloth woven in one shed.

In plain weave (balanced or faced) every second end is up in one shed and the others in the next. The difference of light
between even and odd ends therefore changes its sign from pick to pick, whatever the colours of the warp. A run of one sign
is one shed: twice as long as its neighbours it holds two picks, and a run in which no pick was followed holds a pick
that was passed over.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ..calibration.ranks import median
from .phase import PX_PER_THREAD
from .tracks import Tracks

__all__ = ["ShedRuns", "local_median", "read_sheds", "runs_of_sign"]

FloatArray = NDArray[np.float64]

PLANES = ("light", "gap_x")
LEAST_STRENGTH = 0.25
"""Least share of the contrast between ends that must alternate; a weave that does not alternate shows below 0.15."""
SHORTEST_RUN = 0.45  # of a pick: shorter changes of sign are dirt or a slub
LEAST_REGULAR = 0.75  # share of runs that must be about one pick long, else the weave is not read so


@dataclass(frozen=True, slots=True, kw_only=True)
class ShedRuns:
    """Sheds one after the other along the middle of the sample.

    Attributes
    ----------
    edges_px : ndarray of shape (R + 1,)
        Patch rows at which the shed changes.
    strength : ndarray of shape (R,)
        How clearly even and odd ends differ in the run, 0..1.
    support : ndarray of shape (K, R)
        The same difference between even and odd ends in other features, signed so that it keeps its sign as long as the
        sheds are real. Where a weft of another colour begins, the light turns its sign and these do not follow.
    regular : float
        Share of runs about as long as their neighbours, 0..1.
    """

    edges_px: FloatArray
    strength: FloatArray
    support: FloatArray
    regular: float

    @property
    def lengths_px(self) -> FloatArray:
        """Length of every run along the warp, patch pixels."""
        return np.diff(self.edges_px)


def local_median(values: FloatArray, reach: int = 7) -> FloatArray:
    """Return the median of each value's neighbourhood of ``2 * reach + 1`` values, shortened at the ends."""
    n = len(values)
    short = [*range(min(reach, n)), *range(max(reach, n - reach), n)]
    out = np.empty(n)
    out[short] = [median(values[max(0, i - reach) : i + reach + 1]) for i in short]
    if n > 2 * reach:
        windows = np.lib.stride_tricks.sliding_window_view(values, 2 * reach + 1)
        out[reach : n - reach] = median(windows, axis=1)
    return out


def runs_of_sign(signal: FloatArray, shortest: float) -> NDArray[np.int_]:
    """Return the edges (0, …, N) of the runs of equal sign of a signal of shape (N,), short runs swallowed.

    A run shorter than `shortest` samples joins both its neighbours; at the ends of the signal it stays.
    """
    sign = np.where(signal >= 0, 1, -1)
    edges = [0, *(np.flatnonzero(np.diff(sign)) + 1).tolist(), len(sign)]
    while len(edges) > 3:
        lengths = np.diff(edges)
        inner = lengths[1:-1]
        k = int(np.argmin(inner)) + 1
        if inner[k - 1] >= shortest:
            break
        del edges[k : k + 2]
    return np.asarray(edges, dtype=int)


def _alternation(tracks: Tracks, plane: str, rows: slice) -> tuple[FloatArray, FloatArray]:
    """Even minus odd ends, row by row, and its share of the contrast between the ends."""
    picture = tracks.planes[plane]
    columns = np.clip(
        np.round(tracks.ends.centres_index * PX_PER_THREAD).astype(int), 0, picture.shape[1] - 1
    )
    value = picture[rows, columns].astype(np.float64)
    value -= median(value, axis=0)  # colour stripes
    value -= value.mean(axis=1, keepdims=True)  # light and shade along the band
    turn = np.where(np.arange(len(columns)) % 2 == 0, 1.0, -1.0)
    signal = value @ turn / len(columns)
    return signal, np.abs(signal) / (np.sqrt((value**2).mean(axis=1)) + 1e-9)


def read_sheds(tracks: Tracks) -> ShedRuns | None:
    """Read the sheds of a cloth whose neighbouring ends alternate.

    Parameters
    ----------
    tracks : Tracks
        Every end and pick, with the cloth straightened on them.

    Returns
    -------
    ShedRuns or None
        None when the weave is no plain weave or does not show it clearly.
    """
    if tracks.picks.count < 8 or tracks.ends.count < 8:
        return None
    k = PX_PER_THREAD
    size = tracks.planes["light"].shape[0]
    first = max(0, round((tracks.picks.centres_index[0] - 0.45) * k))
    last = min(size, round((tracks.picks.centres_index[-1] + 0.45) * k) + 1)
    # The planes are asked about each other: each alternation is worked out once.
    alternations = {plane: _alternation(tracks, plane, slice(first, last)) for plane in tracks.planes}
    best: ShedRuns | None = None
    for plane in PLANES:
        signal, share = alternations[plane]
        if float(median(share)) < LEAST_STRENGTH:
            continue
        edges = runs_of_sign(signal, SHORTEST_RUN * k)
        at_px = _patch_rows(tracks, (first + edges - 0.5) / k)
        strength = np.array([median(share[a:b]) for a, b in pairwise(edges)])
        length = np.diff(at_px)
        even = np.abs(length / local_median(length) - 1.0) < 0.3
        found = ShedRuns(
            edges_px=at_px,
            strength=strength,
            support=_support([a for other, a in alternations.items() if other != plane], edges),
            regular=float(even.mean()),
        )
        if found.regular >= LEAST_REGULAR and (best is None or found.regular > best.regular):
            best = found
    return best


def _support(alternations: list[tuple[FloatArray, FloatArray]], edges: NDArray[np.int_]) -> FloatArray:
    """Ask other features about the sheds; return shape (K, R)."""
    out = []
    for signal, share in alternations:
        signed = np.sign(signal) * share
        runs = np.array([signed[a:b].mean() for a, b in pairwise(edges)])
        out.append(runs * np.where(np.arange(len(runs)) % 2 == 0, 1.0, -1.0))
    return np.array(out)


def _patch_rows(tracks: Tracks, index: FloatArray) -> FloatArray:
    """Patch row, at mid width, of places given on the grid of the straightened cloth."""
    ends = tracks.ends.centres_index
    middle = np.full_like(index, (ends[0] + ends[-1]) / 2 + tracks.threads.first_end)
    return tracks.threads.to_patch(middle, index + tracks.threads.first_pick)[1]
