"""Places where a series changes at once, told apart from scatter that has a memory and from a slow drift."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

__all__ = ["FALSE_ALARM", "Change", "best_partition", "find_changes", "long_run_variance", "surrogates"]

FloatArray = NDArray[np.float64]

FALSE_ALARM = 0.01
"""Level of every test. Of simulated even bands of 70 to 120 picks 2 in 100 show a change: at most 3 where the spacings
scatter freely, up to 8 where they have a memory of several picks and the band is short (tests beside this file)."""

LEAST_T_SQUARED = 12.0  # sup-F of Bai and Perron at 1 % (from memory): no band gets an easier test
SURROGATES = 299
SEED = 20240229  # the same photo gives the same numbers
BETTER_THAN_DRIFT = (
    3.0  # long-run variances by which a step must explain more than a slope or ramp in its place
)
RAMP = 30  # values; slow changes of the beat take so many picks and more (some 40 mm): these did not come at once
END_SEGMENT = 12  # the first and last values of a band are its start and finish, seldom woven evenly
MOST_CHANGES = 8
LEAST_SEGMENT = 6
_CLOSENESS_95 = 11.0  # Bai (1997): 95 % of the estimates lie within about 11 variance / jump**2 (from memory)


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
    false_alarm: float = FALSE_ALARM,
    least_segment: int = LEAST_SEGMENT,
    least_size: float = 0.0,
) -> tuple[Change, ...]:
    """Find the changes of level of a series of shape (N,).

    One change after the other is added where it explains most, the earlier ones are moved to their best places, and
    each must pass a t test against the long-run variance of what is left over. How large t grows by chance when the best
    place is searched is learned from surrogate series with the memory that the series shows without it (a parametric bootstrap).
    Two opposite changes that hide each other are tried together. A change that a slope would explain as well is left
    out.

    Parameters
    ----------
    values : ndarray of shape (N,)
        At equal steps; logarithms make the sizes relative.
    false_alarm : float
        Share of even series in which a change may be found.
    least_segment : int
        Least number of values from one change to the next and to the ends.
    least_size : float
        Smaller changes are not worth reporting.

    Notes
    -----
    The sequential search follows Bai and Perron, Econometrica 66, 1998, 47-78.
    """
    values = np.asarray(values, dtype=np.float64)
    places: tuple[int, ...] = ()
    inner = (END_SEGMENT, len(values) - END_SEGMENT)
    while len(places) < MOST_CHANGES:
        grown = None
        for more in (1, 2):
            trial = _grow(values, places, more, least_segment)
            if trial is None or trial[0] < inner[0] or trial[-1] > inner[1]:
                continue
            if _all_pass(values, places, trial, false_alarm, least_segment, least_size):
                grown = trial
                break
        if grown is None:
            break
        places = grown
    while places:
        worst = _worse_than_drift(values, places)
        if worst is None:
            break
        places = tuple(p for p in places if p != worst)
    return _describe(values, places)


def _grow(
    values: FloatArray, places: tuple[int, ...], more: int, least_segment: int
) -> tuple[int, ...] | None:
    """Add the best one (or best two within one segment) and move all to their best places."""
    bounds = (0, *places, len(values))
    best: tuple[float, tuple[int, ...]] | None = None
    for start, stop in pairwise(bounds):
        part = values[start:stop]
        if len(part) < (more + 1) * least_segment:
            continue
        new = tuple(start + p for p in best_partition(part, more, least_segment))
        trial = tuple(sorted((*places, *new)))
        error = _squares(values, trial)
        if best is None or error < best[0]:
            best = (error, trial)
    if best is None:
        return None
    found = list(best[1])
    for _ in range(2):
        for k in range(len(found)):
            low = found[k - 1] if k else 0
            high = found[k + 1] if k + 1 < len(found) else len(values)
            found[k] = low + best_partition(values[low:high], 1, least_segment)[0]
    return tuple(found)


def _levels(values: FloatArray, places: tuple[int, ...]) -> tuple[FloatArray, FloatArray]:
    """Mean and number of values of every segment."""
    parts = np.split(values, list(places))
    return np.array([p.mean() for p in parts]), np.array([float(len(p)) for p in parts])


def _fit(values: FloatArray, places: tuple[int, ...]) -> FloatArray:
    levels, counts = _levels(values, places)
    return np.repeat(levels, counts.astype(int))


def _squares(values: FloatArray, places: tuple[int, ...]) -> float:
    return float(np.sum((values - _fit(values, places)) ** 2))


def _sizes(values: FloatArray, places: tuple[int, ...]) -> tuple[FloatArray, FloatArray, float]:
    """Jumps, their standard uncertainties, and the long-run variance."""
    levels, counts = _levels(values, places)
    variance = long_run_variance(values - _fit(values, places), len(levels))
    return np.diff(levels), np.sqrt(variance * (1 / counts[1:] + 1 / counts[:-1])), variance


def _all_pass(
    values: FloatArray,
    before: tuple[int, ...],
    places: tuple[int, ...],
    false_alarm: float,
    least_segment: int,
    least_size: float,
) -> bool:
    jumps, _, _ = _sizes(values, places)
    least = _least_t_squared(values, places)
    if least < LEAST_T_SQUARED or np.any(np.abs(jumps) < least_size):
        return False
    # A pair fits itself into slow scatter so well that little memory is left over: its surrogates take the memory that
    # the smaller model leaves. If the pair is real that is too long, which is the safe side.
    more = len(places) - len(before)
    model = places if more == 1 else before
    by_chance = _chance_t_squared(values - _fit(values, model), len(model) + 1, more, least_segment)
    return bool(np.mean(by_chance >= least) < more * false_alarm)


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


def _chance_t_squared(residuals: FloatArray, parameters: int, more: int, least_segment: int) -> FloatArray:
    """Largest squared t of one change (the lesser of a pair) in every surrogate of a fit's residuals."""
    series = surrogates(residuals, SURROGATES if more == 1 else SURROGATES // 3, parameters=parameters)
    if more > 1:
        return np.array(
            [_least_t_squared(row, best_partition(row, more, least_segment)) for row in series],
            dtype=np.float64,
        )
    n = series.shape[1]
    total = np.cumsum(series, axis=1)
    left = np.arange(least_segment, n - least_segment + 1)
    head = total[:, left - 1] / left
    tail = (total[:, -1:] - total[:, left - 1]) / (n - left)
    place = left[np.argmax((head - tail) ** 2 * left * (n - left), axis=1)]
    return np.array(
        [_least_t_squared(row, (where,)) for row, where in zip(series, place.tolist(), strict=True)]
    )


def _least_t_squared(values: FloatArray, places: tuple[int, ...]) -> float:
    jumps, spread, _ = _sizes(values, places)
    return float(np.min((jumps / spread) ** 2))


def _worse_than_drift(values: FloatArray, places: tuple[int, ...]) -> int | None:
    """Return the place whose change a slope or a gentle ramp explains nearly as well, the worst first.

    The slope runs from the change before to the one after; the ramp bends from one level to the other over
    `RAMP` values.
    """
    bounds = (0, *places, len(values))
    _, _, variance = _sizes(values, places)
    worst: tuple[float, int] | None = None
    for k, place in enumerate(places):
        part = values[bounds[k] : bounds[k + 2]]
        where = np.arange(len(part), dtype=np.float64)
        error = _squares(part, (place - bounds[k],))
        shapes = [where - where.mean()]
        for shift in (-RAMP // 2, 0, RAMP // 2):
            shapes.append(np.clip((where - (place - bounds[k]) - shift + 0.5) / RAMP, -0.5, 0.5))
        gain = (min(_squares_with(part, shape) for shape in shapes) - error) / variance
        if gain < BETTER_THAN_DRIFT and (worst is None or gain < worst[0]):
            worst = (gain, place)
    return None if worst is None else worst[1]


def _squares_with(values: FloatArray, shape: FloatArray) -> float:
    """Squared error of a constant and a multiple of `shape`."""
    e, s = values - values.mean(), shape - shape.mean()
    return float(e @ e - (e @ s) ** 2 / max(s @ s, 1e-300))


def _describe(values: FloatArray, places: tuple[int, ...]) -> tuple[Change, ...]:
    if not places:
        return ()
    jumps, spread, variance = _sizes(values, places)
    return tuple(
        Change(
            index=place,
            size=float(jump),
            size_u95=float(2 * u),
            index_u95=float(max(1.0, _CLOSENESS_95 * variance / jump**2)),
        )
        for place, jump, u in zip(places, jumps, spread, strict=True)
    )
