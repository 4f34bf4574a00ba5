"""Places where a series changes at once, told apart from scatter that has a memory and from slow changes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .step_odds import USUAL_STEP, evidence, pair_evidence, step_sizes

__all__ = [
    "Change",
    "best_partition",
    "find_changes",
    "find_possible_change",
    "long_run_variance",
    "surrogates",
]

FloatArray = NDArray[np.float64]

LEAST_ODDS = 1.5
"""Natural logarithm of the weighed odds (`step_odds.evidence`) from which a step is told: simulated beats that wander by 2 % show at most
2 % of false steps at a limit of 1.2, and 1 % at 1.7 (other draws than those of the fit)."""
POSSIBLE_ODDS = 0.5
"""The same for a step that is told as possible only: at 5 % of free scatter nine of ten steps of 8 % are found, and simulated beats
that wander by 2 % show one where none is in 3 of 100, by 5 % in 16."""
LEAST_PAIR_ODDS = 2.8
"""The same where only two steps together explain anything: even simulated beats that wander by 5 % stay below it in 98 of 100."""
SEED = 20240229  # the same photo gives the same numbers
END_SEGMENT = 12  # the first and last values of a band are its start and finish, seldom woven evenly
LEAST_SEGMENT = 6
MOST_CHANGES = 8
NEAR = 3  # values to either side in which the odds of a place are summed up: as near as it is asked for
LONGEST = 160  # values; longer series are averaged in twos, threes … for the search


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One change of level.

    Attributes
    ----------
    index : int
        First value of the new level.
    size, size_u95 : float
        Jump, in the unit of the values, and its expanded uncertainty.
    index_u95 : float
        Expanded uncertainty of the place, in values.
    """

    index: int
    size: float
    size_u95: float
    index_u95: float


def long_run_variance(residuals: FloatArray, parameters: int = 1) -> float:
    """Return the variance that the mean of many values inherits, times their number.

    Scatter with a memory counts by the sum of its autocovariances (Bartlett weights, Newey and West, Econometrica 55,
    1987, 703-708). The sum is never taken below the variance of independent values.

    Parameters
    ----------
    residuals : ndarray of shape (N,)
        What a fit left over.
    parameters : int
        Parameters of that fit; the variance is enlarged for them.
    """
    n = len(residuals)
    lags = max(1, min(n // 5, round(1.8 * n ** (1 / 3))))
    e = residuals - residuals.mean()
    variance = float(e @ e) / n
    total = variance
    for lag in range(1, lags + 1):
        total += 2 * (1 - lag / (lags + 1)) * float(e[lag:] @ e[:-lag]) / n
    # Each fitted level takes away about one memory length of the slow scatter, not only one value.
    memory = max(1.0, total / max(variance, 1e-300))
    return max(total, variance) * n / max(n - parameters * memory, 0.35 * n)


def best_partition(values: FloatArray, changes: int, least_segment: int = LEAST_SEGMENT) -> tuple[int, ...]:
    """Return the places of a given number of changes of level with the least squared error, by exact search.

    Dynamic programming over all partitions (Bellman 1961; Bai and Perron, J. Appl. Econometrics 18, 2003, 1-22).
    """
    n = len(values)
    if n < (changes + 1) * least_segment:
        raise ValueError("the series is too short for so many changes")
    total = np.concatenate([[0.0], np.cumsum(values)])
    square = np.concatenate([[0.0], np.cumsum(values**2)])

    def cost(start: NDArray[np.int_], stop: int) -> FloatArray:
        length = stop - start
        error: FloatArray = square[stop] - square[start] - (total[stop] - total[start]) ** 2 / length
        return error

    stops = np.arange(n + 1)
    best = np.full(n + 1, np.inf)
    best[least_segment:] = [float(cost(stops[:1], int(stop))[0]) for stop in stops[least_segment:]]
    came_from = np.zeros((changes + 1, n + 1), dtype=int)
    for k in range(1, changes + 1):
        following = np.full(n + 1, np.inf)
        for stop in range((k + 1) * least_segment, n + 1):
            start = stops[k * least_segment : stop - least_segment + 1]
            sums = best[start] + cost(start, stop)
            place = int(np.argmin(sums))
            following[stop], came_from[k, stop] = sums[place], start[place]
        best = following
    places: list[int] = []
    stop = n
    for k in range(changes, 0, -1):
        stop = int(came_from[k, stop])
        places.append(stop)
    return tuple(reversed(places))


def find_changes(
    values: FloatArray,
    *,
    end_segment: int = END_SEGMENT,
    least_size: float = 0.0,
    usual_size: float = USUAL_STEP,
) -> tuple[Change, ...]:
    """Find the sudden changes of level of a series of shape (N,).

    Parameters
    ----------
    values : ndarray of shape (N,)
        At equal steps; logarithms make the sizes relative.
    end_segment : int
        Values at both ends in which no change is looked for.
    least_size : float
        Smaller changes are not worth reporting.
    usual_size : float
        Size of a usual change in the unit of the values; how large slow changes are apt to be goes with it.

    Notes
    -----
    A series that holds a step is weighed against one that holds none, in both cases over some two hundred kinds of scatter:
    free, with picks that make up for each other, smoothed by the tracking, and with slow changes of different reach and
    size on top (`step_odds`). One step after the other is added where it explains most (Bai and Perron, Econometrica
    66, 1998, 47-78), and all are moved to their best places.
    """
    values = np.asarray(values, dtype=np.float64)
    series, group = _averaged(values, usual_size)
    margin = max(2, -(-end_segment // group))
    if not _searchable(series, margin):
        return ()
    places: tuple[int, ...] = ()
    while len(places) < MOST_CHANGES:
        grown = _grown(series, places, margin)
        if grown is None:
            break
        places = grown
    while places:
        described = _describe(series, places, usual_size)
        small = [c.index for c in described if abs(c.size) < least_size]
        if not small:
            return tuple(_refined(values, change, group) for change in described)
        places = tuple(p for p in places if p not in small)
    return ()


def find_possible_change(
    values: FloatArray,
    sure: tuple[Change, ...],
    *,
    end_segment: int = END_SEGMENT,
    least_size: float = 0.0,
    usual_size: float = USUAL_STEP,
) -> Change | None:
    """Return the likeliest further change of level beside the sure ones, if chance hardly shows as much.

    Parameters
    ----------
    values, end_segment, least_size, usual_size
        As `find_changes` was given.
    sure : tuple of Change
        What it found.
    """
    values = np.asarray(values, dtype=np.float64)
    series, group = _averaged(values, usual_size)
    margin = max(2, -(-end_segment // group))
    if not _searchable(series, margin):
        return None
    places = tuple(sorted({change.index // group for change in sure}))
    allowed = _allowed(len(series), places, margin)
    if not allowed.any():
        return None
    further = evidence(series, places, allowed)
    if further.odds < POSSIBLE_ODDS:
        return None
    place = _likeliest(further.place)
    every = tuple(sorted((*places, place)))
    change = _describe(series, every, usual_size)[every.index(place)]
    return None if abs(change.size) < least_size else _refined(values, change, group)


def _averaged(values: FloatArray, unit: float) -> tuple[FloatArray, int]:
    """Return the series in which changes are looked for, and how many values each of its own is the mean of."""
    group = max(1, -(-len(values) // LONGEST))
    whole = len(values) // group * group
    return values[:whole].reshape(-1, group).mean(axis=1) / unit, group


def _searchable(series: FloatArray, margin: int) -> bool:
    return len(series) >= 2 * margin + 1 and float(np.ptp(series)) > 1e-12


def _allowed(n: int, places: tuple[int, ...], margin: int) -> NDArray[np.bool_]:
    """Tell where a further step may begin."""
    allowed = np.zeros(n, dtype=bool)
    allowed[margin : n - margin + 1] = True
    for place in places:
        allowed[max(0, place - LEAST_SEGMENT + 1) : place + LEAST_SEGMENT] = False
    return allowed


def _grown(series: FloatArray, places: tuple[int, ...], margin: int) -> tuple[int, ...] | None:
    """Add the step that explains most, or two that only together explain anything; None if chance would do as well."""
    allowed = _allowed(len(series), places, margin)
    if not allowed.any():
        return None
    one = evidence(series, places, allowed)
    if one.odds >= LEAST_ODDS:
        return _settled(series, (*places, _likeliest(one.place)), margin)
    odds, two = pair_evidence(series, places, allowed, LEAST_SEGMENT)
    return _settled(series, (*places, *two), margin) if odds >= LEAST_PAIR_ODDS else None


def _likeliest(place: FloatArray) -> int:
    """Return the middle (median) of the likelihood in the seven values that hold most of it.

    The single likeliest value of a likelihood that is spread over many is chance; a clear step has all of it in one value.
    """
    weight = np.exp(place - place.max())
    centre = int(np.argmax(np.convolve(weight, np.ones(2 * NEAR + 1), "same")))
    low = max(0, centre - NEAR)
    held = np.cumsum(weight[low : centre + NEAR + 1])
    return low + int(np.searchsorted(held, 0.5 * held[-1]))


def _settled(series: FloatArray, places: tuple[int, ...], margin: int) -> tuple[int, ...]:
    """Move every step to its best place beside the others, twice round."""
    n = len(series)
    found = sorted(places)
    for _ in range(2):
        for k in range(len(found)):
            others = tuple(p for i, p in enumerate(found) if i != k)
            allowed = _allowed(n, others, margin)
            low = found[k - 1] if k else 0
            high = found[k + 1] if k + 1 < len(found) else n
            allowed[: low + 1] = allowed[high:] = False
            if allowed.any():
                found[k] = _likeliest(evidence(series, others, allowed).place)
    return tuple(found)


def _describe(series: FloatArray, places: tuple[int, ...], unit: float) -> tuple[Change, ...]:
    """Sizes of the steps, and how sure sizes and places are."""
    sizes, uncertain = step_sizes(series, places)
    return tuple(
        Change(
            index=place,
            size=float(sizes[k]) * unit,
            size_u95=2 * float(uncertain[k]) * unit,
            index_u95=_place_u95(series, places, k),
        )
        for k, place in enumerate(places)
    )


def _place_u95(series: FloatArray, places: tuple[int, ...], k: int) -> float:
    """Half-width about a step that holds 95 % of the likelihood of its place, the other steps staying."""
    n = len(series)
    bounds = (0, *places, n)
    between = np.zeros(n, dtype=bool)
    between[bounds[k] + 1 : bounds[k + 2]] = True
    likelihood = evidence(series, tuple(p for i, p in enumerate(places) if i != k), between).place
    weight = np.exp(likelihood - likelihood.max())
    apart = np.abs(np.arange(n) - places[k])
    order = np.argsort(apart, kind="stable")
    held = np.cumsum(weight[order]) / weight.sum()
    return float(max(1, apart[order][int(np.searchsorted(held, 0.95))]))


def _refined(values: FloatArray, change: Change, group: int) -> Change:
    """Bring a change found on averages of `group` values back to single values."""
    if group == 1:
        return change
    middle = change.index * group
    low, high = max(0, middle - 4 * group), min(len(values), middle + 4 * group)
    index = low + best_partition(values[low:high], 1, 2)[0]
    return Change(
        index=index,
        size=change.size,
        size_u95=change.size_u95,
        index_u95=max(change.index_u95 * group, float(abs(index - middle))),
    )


def surrogates(residuals: FloatArray, count: int, *, parameters: int = 1, seed: int = SEED) -> FloatArray:
    """Return series of shape (count, N) that scatter like `residuals` with the same short memory, and nothing else.

    An autoregression of order two is fitted (Yule-Walker) and run with normal noise. Every fitted level takes the
    variance of its mean away from all autocovariances; that is given back first.
    """
    n = len(residuals)
    e = residuals - residuals.mean()
    covariance = np.array([float(e[k:] @ e[: n - k]) for k in (0, 1, 2)]) / n
    covariance += parameters * long_run_variance(residuals, parameters) / n
    r1, r2 = np.clip(covariance[1:] / max(covariance[0], 1e-300), -0.97, 0.97)
    r2 = min(max(r2, 2 * r1**2 - 0.98), 0.98)  # inside what an autoregression can have
    a1, a2 = r1 * (1 - r2) / (1 - r1**2), (r2 - r1**2) / (1 - r1**2)
    warm = 100
    noise = np.random.default_rng(seed).standard_normal((n + warm, count))
    series = np.zeros((n + warm, count))
    for k in range(2, n + warm):
        series[k] = a1 * series[k - 1] + a2 * series[k - 2] + noise[k]
    return series[warm:].T
