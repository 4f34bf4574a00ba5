"""Placing every thread of one system on a straightened profile: a comb whose teeth may be uneven.

The profile holds, for every place across the threads, what the feature planes show on average along the threads. A
sample of one thread is learned from the cloth itself, and the most probable chain of threads is found by dynamic
programming: each thread should look like the sample, and neighbours should lie about one spacing apart.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..calibration.ranks import median
from .phase import PX_PER_THREAD

__all__ = ["Comb", "ThreadSample", "fit_comb", "learn_sample", "likeliest", "likeness"]

FloatArray = NDArray[np.float64]

SPACING_SIGMA = (
    0.16  # spread of ln(spacing) between neighbours in hand-woven cloth (common practice: 10 to 15 %)
)
SHORTEST, LONGEST = 0.5, 1.75  # spacings tried, in threads
SAMPLE_WORTH = 4.0  # largest log-likelihood that one thread's looks may contribute
LEAST = -0.75  # an outermost thread may look unlike the others and still be one
SLIP_COST = 6.0  # two threads of one shed, or a shed left out, is rarer than one in four hundred
TURN_COST = 0.7  # an outermost thread in another's place of the rhythm
COUNT_SLACK = 4  # counts tried on either side of the even grid
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
    worth : float
        Logarithm of the likelihood of the chain, but for a constant of the profile.
    classes : ndarray of shape (count,)
        Place of each thread in the repeat. A step other than +1 is a slip: a missed or doubled thread.
    """

    centres: FloatArray
    likeness: FloatArray
    count_probability: dict[int, float]
    classes: NDArray[np.int_]
    worth: float = -np.inf


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
        looks[r] = median(cut[:, mine], axis=1)
        rest[:, mine] = cut[:, mine] - looks[r][:, None]
    spread = median(np.abs(rest).reshape(len(rest), -1), axis=1) / 0.6745
    # What all offsets and classes share tells nothing about where a thread lies.
    looks = looks - looks.mean(axis=(0, 2), keepdims=True)
    return ThreadSample(looks=looks, precision=1.0 / (spread**2 + 0.05))


def likeness(profile: FloatArray, sample: ThreadSample, *, enough: float) -> FloatArray:
    """Log-likelihood ratio of a thread of each class centred at every profile pixel, shape (R, N).

    Parameters
    ----------
    profile : ndarray of shape (C, N)
    sample : ThreadSample
    enough : float
        Share of the sample's looks above which a thread is likelier than none.
    """
    cols = profile.shape[1]
    at = np.arange(cols)[:, None] + OFFSETS * PX_PER_THREAD
    window = _take(profile, at)
    out = np.zeros((len(sample.looks), cols))
    for r, looks in enumerate(sample.looks):
        energy = float((sample.precision[:, None] * looks**2).sum())
        match = (sample.precision[:, None, None] * window * looks[:, None]).sum(axis=(0, 2)) / (
            energy + 1e-12
        )
        # Neighbouring pixels and features are not independent: about three looks count per thread and feature.
        worth = min(SAMPLE_WORTH, 3.0 * energy / (PX_PER_THREAD * looks.shape[0]))
        out[r] = worth * np.clip(2.0 * (match - enough), LEAST, 1.25)
    return out


def fit_comb(
    score: FloatArray,
    spacing: FloatArray,
    *,
    start_cost: FloatArray,
    stop_cost: FloatArray,
    sigma: FloatArray,
    turns: bool = False,
    looks: float = 1.0,
) -> Comb:
    """Find the most probable chain of threads.

    Parameters
    ----------
    score : ndarray of shape (R, N)
        Worth of a thread of each class at every profile pixel. Along the chain the class goes up by one from thread
        to thread; a slip (missed or doubled thread) costs `SLIP_COST`.
    spacing : ndarray of shape (N,)
        Expected spacing at every profile pixel, pixels.
    start_cost, stop_cost : ndarray of shape (N,)
        Cost of the first and of the last thread lying there; infinite where it cannot.
    sigma : ndarray of shape (N,)
        Standard deviation of the logarithm of the spacing at every profile pixel.
    turns : bool
        The other system turns beside the outermost threads and may show there in their stead.
    looks : float
        What the looks of an outermost thread are worth, of what those of the others are: the costs may tell of them, too.

    Notes
    -----
    Dynamic programming over (place, number of the thread, class). Thread numbers are followed within `COUNT_SLACK`
    of the even grid, so that the best chain of every total count is known at the end.
    """
    k = PX_PER_THREAD
    startable, stoppable = np.flatnonzero(np.isfinite(start_cost)), np.flatnonzero(np.isfinite(stop_cost))
    if not len(startable) or not len(stoppable) or stoppable[-1] - startable[0] < k:
        return Comb(centres=np.zeros(0), likeness=np.zeros(0), count_probability={}, classes=np.zeros(0, int))
    first, last = int(startable[0]), int(stoppable[-1])
    beside = _beside_turns(score) if turns else np.zeros_like(score)
    gain = (looks * beside - (1.0 - looks) * score)[:, first : last + 1].T
    steps = np.arange(max(2, int(SHORTEST * k)), int(LONGEST * k) + 1)
    classes, width, pad = len(score), 2 * COUNT_SLACK + 1, int(steps[-1])
    rows = np.arange(last - first + 1)
    # Slot s of a row stands for "this is thread number row // k + s - COUNT_SLACK, counted from 0".
    source = (
        np.arange(width)[None, None] - 1 + (rows[:, None] // k - (rows[:, None] - steps) // k)[:, :, None]
    )
    outside = (source < 0) | (source >= width)
    source = np.where(outside, width, source)
    gap = np.clip(rows[:, None] + first - steps // 2, 0, len(spacing) - 1)
    cost = 0.5 * (np.log(steps / spacing[gap]) / sigma[gap]) ** 2
    # One more slot and `pad` more rows hold minus infinity, so that nothing needs testing in the loop.
    best = np.full((len(rows) + pad, width + 1, classes), -np.inf)
    came = np.zeros((len(rows), width, classes), np.int16)  # step to the thread before; 0: first of the chain
    before = np.tile(((np.arange(classes) - 1) % classes).astype(np.int16), (len(rows), width, 1))
    # Along the chain the class goes up by one. Up to two classes need no copy to stand in that order.
    previous = slice(None, None, -1) if classes <= 2 else (np.arange(classes) - 1) % classes
    slot = np.arange(width)
    # Slots of rows in one line, for numpy takes by one index more quickly than by two.
    line, place = best.reshape(-1, classes), (rows[:, None] + pad - steps)[:, :, None] * (width + 1) + source
    begin = start_cost[first : last + 1]
    # No thread reaches into the rows of its own batch, so that a batch is worked out at once.
    for start in range(0, len(rows), int(steps[0])):
        batch = slice(start, start + int(steps[0]))
        value = line.take(place[batch], axis=0)
        value -= cost[batch][:, :, None, None]
        choice = value.argmax(axis=1)
        arrive = value.max(axis=1)
        top, step = arrive[..., previous], choice[..., previous] + steps[0]
        if classes > 1:
            slip_from = arrive.argmax(axis=2)
            slip = (arrive.max(axis=2) - SLIP_COST)[..., None]
            better = slip > top
            chosen = choice[np.arange(len(choice))[:, None], slot, slip_from]
            top = np.maximum(top, slip)
            np.copyto(step, (chosen + steps[0])[..., None], where=better)
            np.copyto(before[batch], slip_from[..., None], where=better, casting="same_kind")
        came[batch] = step
        for row in rows[batch] if start < (COUNT_SLACK + 1) * k else ():
            zero = COUNT_SLACK - row // k
            if zero >= 0 and begin[row] < np.inf:
                begun = gain[row] - begin[row]
                fresh = begun > top[row - start, zero]
                top[row - start, zero, fresh] = begun[fresh]
                came[row, zero, fresh] = 0
        stop = start + len(top)
        worth = score[:, first + start : first + stop]
        np.add(top, worth.T[:, None], out=best[start + pad : stop + pad, :width])
    final = best[pad:, :width] - stop_cost[first : last + 1, None, None] + gain[:, None]
    return _read_back(final, came, before, score, first)


def _beside_turns(score: FloatArray) -> FloatArray:
    """Return what an outermost thread of each class gains by looking like one of another, at every pixel.

    Beside it the weft turns, in a rhythm of its own.
    """
    return np.asarray(np.maximum(score.max(axis=0) - TURN_COST - score, 0.0))


def _read_back(
    final: FloatArray,
    came: NDArray[np.int16],
    before: NDArray[np.int16],
    score: FloatArray,
    first: int,
) -> Comb:
    k = PX_PER_THREAD
    if not np.isfinite(final).any():
        return Comb(centres=np.zeros(0), likeness=np.zeros(0), count_probability={}, classes=np.zeros(0, int))
    by_slot = final.max(axis=2)
    counts = np.arange(len(final))[:, None] // k + np.arange(final.shape[1])[None] - COUNT_SLACK + 1
    top = np.full(int(counts.max()) + 1 + COUNT_SLACK, -np.inf)
    np.maximum.at(top, counts + COUNT_SLACK, by_slot)
    top_by_count = {n - COUNT_SLACK: float(top[n]) for n in np.flatnonzero(np.isfinite(top)).tolist()}
    r, s, c = (int(v) for v in np.unravel_index(int(np.argmax(final)), final.shape))
    places, classes = [], []
    while True:
        places.append(r)
        classes.append(c)
        step = int(came[r, s, c])
        if step == 0:
            break
        c = int(before[r, s, c])
        s -= 1 - (r // k - (r - step) // k)
        r -= step
    found = np.array(places[::-1], dtype=int) + first
    kinds = np.array(classes[::-1], dtype=int)
    peak = max(top_by_count.values())
    odds = {n: float(np.exp(v - peak)) for n, v in top_by_count.items() if v > peak - 12}
    total = sum(odds.values())
    rows = score[kinds]
    return Comb(
        centres=_refine(rows, found),
        likeness=rows[np.arange(len(found)), found],
        count_probability={n: o / total for n, o in sorted(odds.items())},
        classes=kinds,
        worth=peak,
    )


def likeliest(by_itself: Comb, combs: list[Comb], costs: list[float]) -> Comb:
    """Return the likeliest of several chains of one profile, with what all of them say about the count.

    Parameters
    ----------
    by_itself : Comb
        The chain under none of the assumptions; where it has the likeliest count, its threads stay where they are.
    combs : list of Comb
        Each under its own assumption.
    costs : list of float
        Minus the logarithm of the probability of each assumption.
    """
    worth = np.array([comb.worth - cost for comb, cost in zip(combs, costs, strict=True)])
    odds: dict[int, float] = {}
    for comb, share in zip(combs, np.exp(worth - worth.max()), strict=True):
        chance = comb.count_probability
        best = max(chance.values(), default=1.0)
        for count in chance:
            odds[count] = odds.get(count, 0.0) + float(share) * chance[count] / best
    total = sum(odds.values())
    most = max(odds, key=lambda count: odds[count])
    with_most = [k for k, comb in enumerate(combs) if len(comb.centres) == most]
    chosen = by_itself
    if len(by_itself.centres) != most and with_most:
        chosen = combs[max(with_most, key=lambda k: worth[k])]
    return replace(chosen, count_probability={count: o / total for count, o in sorted(odds.items())})


def _refine(rows: FloatArray, found: NDArray[np.int_]) -> FloatArray:
    """Vertex of the parabola through the score around each place (at most half a pixel away)."""
    n = np.arange(len(found))
    inner = np.clip(found, 1, rows.shape[1] - 2)
    left, mid, right = rows[n, inner - 1], rows[n, inner], rows[n, inner + 1]
    bend = left - 2 * mid + right
    shift = np.where(bend < -1e-9, 0.5 * (left - right) / np.where(bend < -1e-9, bend, -1.0), 0.0)
    return np.asarray(found + np.clip(shift, -0.5, 0.5), dtype=np.float64)
