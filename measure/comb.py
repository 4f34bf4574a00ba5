"""Placing every thread of one system on a straightened profile: a comb whose teeth may be uneven.

The profile holds, for every place across the threads, what the feature planes show on average along the threads. A
sample of one thread is learned from the cloth itself, and the most probable chain of threads is found by dynamic
programming: each thread should look like the sample, and neighbours should lie about one spacing apart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .phase import PX_PER_THREAD

__all__ = ["Comb", "EdgeZone", "ThreadSample", "fit_comb", "learn_sample", "likeness"]

FloatArray = NDArray[np.float64]

SPACING_SIGMA = 0.16  # spread of ln(spacing) between neighbours in hand-woven cloth (common practice: 10 to 15 %)
SHORTEST, LONGEST = 0.5, 1.75  # spacings tried, in threads
SAMPLE_WORTH = 4.0  # largest log-likelihood that one thread's looks may contribute
COUNT_SLACK = 8  # counts tried on either side of the even grid
OFFSETS = (np.arange(PX_PER_THREAD) + 0.5) / PX_PER_THREAD - 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class ThreadSample:
    """How one thread looks across itself, for every place of the thread in the repeat.

    Attributes
    ----------
    looks : ndarray of shape (R, C, PX_PER_THREAD)
        Mean of every feature at offsets -1/2 .. +1/2 thread from the centre; thread n of the chain (counted from
        0) is of class ``n % R``.
    precision : ndarray of shape (C,)
        Inverse variance of single threads around the mean.
    """

    looks: FloatArray
    precision: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeZone:
    """Where the outermost thread may lie, profile pixels: a Gaussian belief cut off at both sides."""

    low: float
    high: float
    mean: float
    sigma: float

    def penalty(self, at: FloatArray) -> FloatArray:
        """Cost of an outermost thread at the given places (infinite outside the zone)."""
        cost = 0.5 * ((at - self.mean) / self.sigma) ** 2
        return np.asarray(np.where((at < self.low) | (at > self.high), np.inf, cost), dtype=np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class Comb:
    """The chain of threads found on a profile.

    Attributes
    ----------
    centres : ndarray of shape (count,)
        Thread centres in profile pixels.
    likeness : ndarray of shape (count,)
        Log-likelihood ratio of each thread's looks, about `SAMPLE_WORTH` for a clear one.
    count_probability : dict of int to float
        Probability of each total count, from the best chain with that many threads.
    first_class : int
        Class of the first thread in the repeat.
    """

    centres: FloatArray
    likeness: FloatArray
    count_probability: dict[int, float]
    first_class: int = 0


def _take(profile: FloatArray, at: FloatArray) -> FloatArray:
    """Sample (C, N) at fractional columns; result (C, *at.shape)."""
    cols = profile.shape[1]
    left = np.clip(np.floor(at).astype(int), 0, cols - 2)
    t = np.clip(at - left, 0.0, 1.0)
    return np.asarray(profile[:, left] * (1 - t) + profile[:, left + 1] * t)


def learn_sample(
    profile: FloatArray, centres: FloatArray, classes: NDArray[np.int_], n_classes: int
) -> ThreadSample:
    """Average the profile around the given thread centres (profile pixels), class by class."""
    cut = _take(profile, centres[:, None] + OFFSETS * PX_PER_THREAD)  # C, threads, offsets
    looks = np.zeros((n_classes, profile.shape[0], PX_PER_THREAD))
    rest = np.empty_like(cut)
    for r in range(n_classes):
        mine = classes % n_classes == r
        if not mine.any():
            continue
        looks[r] = np.median(cut[:, mine], axis=1)
        rest[:, mine] = cut[:, mine] - looks[r][:, None]
    spread = np.median(np.abs(rest), axis=(1, 2)) / 0.6745
    # What all offsets and classes share tells nothing about where a thread lies.
    looks = looks - looks.mean(axis=(0, 2), keepdims=True)
    return ThreadSample(looks=looks, precision=1.0 / (spread**2 + 0.05))


def likeness(profile: FloatArray, sample: ThreadSample) -> FloatArray:
    """Log-likelihood ratio of a thread of each class centred at every profile pixel, shape (R, N)."""
    cols = profile.shape[1]
    at = np.arange(cols)[:, None] + OFFSETS * PX_PER_THREAD
    window = _take(profile, at)
    out = np.zeros((len(sample.looks), cols))
    for r, looks in enumerate(sample.looks):
        energy = float((sample.precision[:, None] * looks**2).sum())
        match = (sample.precision[:, None, None] * window * looks[:, None]).sum(axis=(0, 2)) / (energy + 1e-12)
        # Neighbouring pixels and features are not independent: about three looks count per thread and feature.
        worth = min(SAMPLE_WORTH, 3.0 * energy / (PX_PER_THREAD * looks.shape[0]))
        out[r] = worth * np.clip(2.0 * match - 1.0, -2.0, 1.25)
    return out


def fit_comb(
    score: FloatArray,
    spacing: FloatArray,
    *,
    start: EdgeZone,
    stop: EdgeZone,
    first_class: int = 0,
    sigma: float = SPACING_SIGMA,
) -> Comb:
    """Find the most probable chain of threads.

    Parameters
    ----------
    score : ndarray of shape (R, N)
        Worth of a thread of each class at every profile pixel.
    spacing : ndarray of shape (N,)
        Expected spacing at every profile pixel, pixels.
    start, stop : EdgeZone
        Belief about the places of the first and of the last thread.
    first_class : int
        Class of the first thread.
    sigma : float
        Standard deviation of the logarithm of the spacing.
    """
    k = PX_PER_THREAD
    classes = len(score)
    first = max(0, int(np.floor(start.low)))
    last = min(score.shape[1] - 1, int(np.ceil(stop.high)))
    width = 2 * COUNT_SLACK + 1
    if last - first < k:
        return Comb(centres=np.zeros(0), likeness=np.zeros(0), count_probability={})
    steps = np.arange(max(2, int(SHORTEST * k)), int(LONGEST * k) + 1)
    begin = start.penalty(np.arange(first, last + 1, dtype=np.float64))
    best = np.full((last - first + 1, width), -np.inf)
    came = np.zeros((last - first + 1, width), np.int32)  # 0: first thread of the chain
    slots = np.arange(width)
    for row in range(last - first + 1):
        x = row + first
        cell = row // k
        # Slot s of a row stands for "this is thread number row // k + s - COUNT_SLACK, counted from 0".
        worth = score[(first_class + cell + slots - COUNT_SLACK) % classes, x]
        zero = COUNT_SLACK - cell
        if np.isfinite(begin[row]) and 0 <= zero < width:
            best[row, zero] = worth[zero] - begin[row]
        ok = steps[steps <= row]
        if not len(ok):
            continue
        mid = np.clip(x - ok // 2, 0, len(spacing) - 1)
        cost = 0.5 * (np.log(ok / spacing[mid]) / sigma) ** 2
        source = slots[None] - (1 - (cell - (row - ok) // k))[:, None]
        good = (source >= 0) & (source < width)
        value = np.where(good, best[(row - ok)[:, None], np.clip(source, 0, width - 1)], -np.inf)
        value = value - cost[:, None]
        pick = np.argmax(value, axis=0)
        top = value[pick, slots] + worth
        better = top > best[row]
        best[row, better] = top[better]
        came[row, better] = ok[pick[better]]
    final = best - stop.penalty(np.arange(first, last + 1, dtype=np.float64))[:, None]
    return _read_back(final, came, score, first, first_class)


def _read_back(
    final: FloatArray, came: NDArray[np.int32], score: FloatArray, first: int, first_class: int
) -> Comb:
    k = PX_PER_THREAD
    if not np.isfinite(final).any():
        return Comb(centres=np.zeros(0), likeness=np.zeros(0), count_probability={})
    counts = np.arange(len(final))[:, None] // k + np.arange(final.shape[1])[None] - COUNT_SLACK + 1
    top_by_count: dict[int, float] = {}
    for count in np.unique(counts[np.isfinite(final)]):
        top_by_count[int(count)] = float(final[counts == count].max())
    r, s = (int(v) for v in np.unravel_index(int(np.argmax(final)), final.shape))
    places: list[int] = []
    while True:
        places.append(r)
        step = int(came[r, s])
        if step == 0:
            break
        s -= 1 - (r // k - (r - step) // k)
        r -= step
    found = np.array(places[::-1], dtype=int) + first
    peak = max(top_by_count.values())
    odds = {c: float(np.exp(v - peak)) for c, v in top_by_count.items() if v > peak - 12}
    total = sum(odds.values())
    rows = score[(first_class + np.arange(len(found))) % len(score)]
    return Comb(
        centres=_refine(rows, found),
        likeness=rows[np.arange(len(found)), found],
        count_probability={c: o / total for c, o in sorted(odds.items())},
        first_class=first_class,
    )


def _refine(rows: FloatArray, found: NDArray[np.int_]) -> FloatArray:
    """Vertex of the parabola through the score around each place (at most half a pixel away)."""
    n = np.arange(len(found))
    inner = np.clip(found, 1, rows.shape[1] - 2)
    left, mid, right = rows[n, inner - 1], rows[n, inner], rows[n, inner + 1]
    bend = left - 2 * mid + right
    shift = np.where(bend < -1e-9, 0.5 * (left - right) / np.where(bend < -1e-9, bend, -1.0), 0.0)
    return np.asarray(found + np.clip(shift, -0.5, 0.5), dtype=np.float64)
