"""Which threads of two photos are the same, told by their uneven spacing.

Threads are conserved in a wash, and so is the order of wide and narrow spaces between them: hand-woven cloth carries
it like a finger print. Where it is found in both photos the same threads can be compared, whatever part each shows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["ThreadMatch", "Threads", "match_threads"]

LEAST_SPACES = 14
"""Spaces between common threads below which no match is believed."""

_SMOOTH = 13  # spaces: slower changes (selvedges, a drifting beat) are alike in many cloths and tell nothing
_SURE_Z = 4.2  # between different cloths, real and drawn, one of 7000 trials was taken at 4.0, on 12 spaces
_CLEAR_Z = 1.5  # by how much the best placing must beat every other, seen on the same threads
_WINDOW, _WINDOW_LEAST = 9, 0.3  # local likeness below which the two no longer run along the same threads
_MOST_RESIDUAL = 0.3  # of a spacing: more and the match is off by a thread somewhere

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Threads:
    """One thread system of one photo.

    Attributes
    ----------
    positions : ndarray of shape (N,)
        Place of every thread at right angles to itself, increasing, in any unit.
    places : ndarray of shape (N,)
        Place of every thread in the rhythm of the weave, whose own uneven spacing tells nothing.
    """

    positions: Array
    places: NDArray[np.int_]


@dataclass(frozen=True, slots=True, kw_only=True)
class ThreadMatch:
    """The same threads in two photos.

    Attributes
    ----------
    first, second : ndarray of int, shape (M,)
        Numbers of the common threads, in the same order; `second` runs backwards where the cloth is turned.
    likeness : float
        Correlation of their spaces.
    """

    first: NDArray[np.intp]
    second: NDArray[np.intp]
    likeness: float

    @property
    def turned(self) -> bool:
        """Whether the threads run the other way round in the second photo."""
        return bool(self.second[0] > self.second[-1])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Placing:
    z: float
    turned: bool
    lag: int


def match_threads(first: Threads, second: Threads) -> ThreadMatch | None:
    """Find the threads that both photos show; None when chance could explain the best placing.

    Every lag, either way round, is scored by the correlation r of the spaces (logarithms, freed of slow changes and
    of the weave's own rhythm), as z = atanh(r) * sqrt(n - 3) with n the number of independent spaces (R. A. Fisher,
    Metron 1, 1921; n after M. S. Bartlett, J. R. Statist. Soc. 98, 1935, for neighbouring spaces are not
    independent).
    """
    if min(len(first.positions), len(second.positions)) <= LEAST_SPACES:
        return None
    one, other = _spaces(first), _spaces(second)
    placings = [
        placing
        for turned in (False, True)
        for placing in _placings(one, other[::-1] if turned else other, turned=turned)
    ]
    best = max(placings, key=lambda p: p.z)
    if best.z < _SURE_Z:
        return None
    a, b = _overlap(len(one), len(other), best.lag)
    there = other[::-1] if best.turned else other
    kept = _longest_alike(one[a], there[b])
    if kept is None or _rivalled(one, other, best, slice(a.start + kept.start, a.start + kept.stop)):
        return None
    # Spaces k .. l lie between threads k .. l + 1.
    start, stop = a.start + kept.start, a.start + kept.stop + 1
    ours = np.arange(start, stop)
    theirs = ours - a.start + b.start
    if best.turned:
        theirs = len(second.positions) - 1 - theirs
    if _residual(first.positions[ours], second.positions[theirs]) > _MOST_RESIDUAL:
        return None
    likeness = float(np.corrcoef(one[a][kept], there[b][kept])[0, 1])
    return ThreadMatch(first=ours, second=theirs, likeness=likeness)


def _spaces(threads: Threads) -> Array:
    """Return the logarithms of the spaces, freed of slow changes and of the weave's rhythm."""
    log = np.log(np.maximum(np.diff(threads.positions), 1e-9))
    window = np.ones(min(_SMOOTH, len(log) // 2 * 2 - 1))
    free: Array = log - np.convolve(log, window, "same") / np.convolve(np.ones(len(log)), window, "same")
    places = threads.places[:-1]
    for place in np.unique(places):
        here = places == place
        if here.sum() >= 4:
            free[here] -= np.median(free[here])
    spread = 1.4826 * float(np.median(np.abs(free)))
    return np.clip(free, -4.0 * spread, 4.0 * spread)  # one wide gap must not decide


def _overlap(first: int, second: int, lag: int) -> tuple[slice, slice]:
    """Return the common stretch of two series when space `lag` of the first is space 0 of the second."""
    start, stop = max(0, lag), min(first, second + lag)
    return slice(start, stop), slice(start - lag, stop - lag)


def _placings(one: Array, other: Array, *, turned: bool) -> list[_Placing]:
    found = []
    for lag in range(LEAST_SPACES - len(other), len(one) - LEAST_SPACES + 1):
        a, b = _overlap(len(one), len(other), lag)
        ours, theirs = one[a], other[b]
        half = len(ours) // 2
        # A thread missed in one photo puts the numbers out from there on, so either half may speak alone.
        parts = [slice(None), slice(None, half), slice(half, None)] if half >= LEAST_SPACES else [slice(None)]
        z = max(_z(ours[part], theirs[part]) for part in parts)
        found.append(_Placing(z=z, turned=turned, lag=lag))
    return found


def _z(one: Array, other: Array) -> float:
    one, other = one - one.mean(), other - other.mean()
    norm = math.sqrt(float(one @ one) * float(other @ other))
    if norm < 1e-12:
        return 0.0
    r = min(float(one @ other) / norm, 0.995)
    together = 1.0
    for k in (1, 2, 3):
        together += 2.0 * (1.0 - k / len(one)) * _self_likeness(one, k) * _self_likeness(other, k)
    independent = len(one) / max(together, 1.0)
    return math.atanh(r) * math.sqrt(max(independent - 3.0, 0.0))


def _rivalled(one: Array, other: Array, best: _Placing, stretch: slice) -> bool:
    """Return whether the spaces of a stretch of the first photo fit nearly as well elsewhere in the second."""
    ours = np.zeros(len(one), dtype=bool)
    ours[stretch] = True

    def fit(turned: bool, lag: int) -> float:
        a, b = _overlap(len(one), len(other), lag)
        chosen = ours[a]
        if int(chosen.sum()) < LEAST_SPACES:
            return 0.0
        return _z(one[a][chosen], (other[::-1] if turned else other)[b][chosen])

    lags = range(LEAST_SPACES - len(other), len(one) - LEAST_SPACES + 1)
    places = {(turned, lag) for turned in (False, True) for lag in lags} - {(best.turned, best.lag)}
    return fit(best.turned, best.lag) - max((fit(*place) for place in places), default=0.0) < _CLEAR_Z


def _self_likeness(series: Array, lag: int) -> float:
    return float(series[lag:] @ series[:-lag]) / max(float(series @ series), 1e-12)


def _longest_alike(one: Array, other: Array) -> slice | None:
    """Return the longest stretch over which the two go together; they part where one photo missed a thread."""
    window = np.ones(_WINDOW)

    def around(values: Array) -> Array:
        return np.asarray(np.convolve(values, window, "same"), dtype=np.float64)

    alike = around(one * other) / np.maximum(np.sqrt(around(one**2) * around(other**2)), 1e-12)
    good = np.concatenate([[False], alike >= _WINDOW_LEAST, [False]])
    starts, stops = np.flatnonzero(~good[:-1] & good[1:]), np.flatnonzero(good[:-1] & ~good[1:])
    if len(starts) == 0:
        return None
    k = int(np.argmax(stops - starts))
    if stops[k] - starts[k] < LEAST_SPACES:
        return None
    return slice(int(starts[k]), int(stops[k]))


def _residual(one: Array, other: Array) -> float:
    """Return how far the places stray from a straight line through each other at most, in spacings."""
    line = np.polyfit(one, other, 1)
    return float(np.abs(other - np.polyval(line, one)).max() / abs(float(np.mean(np.diff(other)))))
