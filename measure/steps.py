"""Places where a series changes at once, told apart from scatter that has a memory and from slow changes."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["FALSE_ALARM", "Change", "best_partition", "find_changes", "long_run_variance", "surrogates"]

FloatArray = NDArray[np.float64]

FALSE_ALARM = 0.02
"""Level of every test. Of simulated even bands of 50 to 110 picks 0 to 3 in 100 show a step where the beat scatters
freely or successive picks make up for each other, up to 6 where it also wanders by 2 % and more within 40 mm."""

LEAST_GAIN = 12.5  # twice the logarithm of a likelihood ratio; no band gets an easier test
SECOND_GAIN = 12.0  # that a second step must add where only two together explain anything
SIMULATED = 299
SEED = 20240229  # the same photo gives the same numbers
END_SEGMENT = 12  # the first and last values of a band are its start and finish, seldom woven evenly
LEAST_SEGMENT = 6
MOST_CHANGES = 8
LONGEST = 160  # values; longer series are averaged in twos, threes … for the search

# Kinds of scatter that a series may have (see `_scatters`): free or with a short memory, and slow changes on top.
ALTERNATING = (0.0, 0.4, 1.5)  # variance that neighbours take from each other, against free variance
SMOOTHED = (1.0, 1.6)  # values over which the tracking may have smoothed
SLOW_REACH = (4.0, 8.0, 16.0, 45.0)  # values over which a slow change comes and goes
SLOW_SHARE = (0.05, 0.15, 0.5, 1.5, 5.0)  # its variance against the quick one


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
    end_segment: int = END_SEGMENT,
    least_size: float = 0.0,
) -> tuple[Change, ...]:
    """Find the sudden changes of level of a series of shape (N,).

    Parameters
    ----------
    values : ndarray of shape (N,)
        At equal steps; logarithms make the sizes relative.
    false_alarm : float
        Share of even series in which a change may be found, for each test.
    end_segment : int
        Values at both ends in which no change is looked for.
    least_size : float
        Smaller changes are not worth reporting.

    Notes
    -----
    Levels with Gaussian scatter about them are fitted by generalised least squares, with each of some hundred kinds of
    scatter: free, with neighbours that make up for each other (a pick beaten too far leaves room that the next one
    takes), smoothed by the tracking, and with slow changes of different reach and size on top. A step must make the
    values likelier than the best of all kinds of scatter does without it, so that a slow change is no step. How large
    that gain grows by chance, where the best place is searched, is learned from series simulated with the kind of
    scatter found beside the step (a parametric bootstrap; the tail by Gumbel's law). One step after the other is
    added where it explains most (Bai and Perron, Econometrica 66, 1998, 47-78), and all are moved to their best places.
    """
    values = np.asarray(values, dtype=np.float64)
    group = max(1, -(-len(values) // LONGEST))
    whole = len(values) // group * group
    series = values[:whole].reshape(-1, group).mean(axis=1)
    n = len(series)
    margin = max(2, -(-end_segment // group))
    if n < 2 * margin + 1 or float(np.ptp(series)) <= 1e-12:
        return ()
    places: tuple[int, ...] = ()
    while len(places) < MOST_CHANGES:
        grown = _grown(series, places, margin, false_alarm)
        if grown is None:
            break
        places = grown
    while places:
        described = _describe(series, places)
        small = [c.index for c in described if abs(c.size) < least_size]
        if not small:
            return tuple(_refined(values, change, group) for change in described)
        places = tuple(p for p in places if p not in small)
    return ()


@lru_cache(maxsize=4)
def _scatters(n: int) -> tuple[tuple[FloatArray, FloatArray, float], ...]:
    """Return for every kind of scatter the whitening matrix, the whitened steps, and the determinant's logarithm.

    Column k of the whitened steps is a step that begins at value k; column 0 is the level itself.
    """
    from scipy.linalg import cholesky, solve_triangular

    apart = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    quick = [(np.eye(n) * (1 + 2 * e) - e * (apart == 1)) / (1 + 2 * e) for e in ALTERNATING]
    quick += [0.9 * np.exp(-0.5 * (apart / reach) ** 2) + 0.1 * np.eye(n) for reach in SMOOTHED]
    slow = [0.0 * np.eye(n)]
    slow += [share * np.exp(-0.5 * (apart / reach) ** 2) for reach in SLOW_REACH for share in SLOW_SHARE]
    out = []
    for a in quick:
        for b in slow:
            root = cholesky(a + b + 1e-8 * np.eye(n), lower=True)
            white = solve_triangular(root, np.eye(n), lower=True)
            steps = np.cumsum(white[:, ::-1], axis=1)[:, ::-1]
            out.append((white, np.ascontiguousarray(steps), 2 * float(np.log(np.diag(root)).sum())))
    return tuple(out)


def _gains(
    rows: FloatArray, places: tuple[int, ...], margin: int
) -> tuple[FloatArray, NDArray[np.int_], NDArray[np.int_]]:
    """Return the gain of the best further step of every series of shape (n, B), its place, and the kind of scatter.

    The gain is twice the logarithm of the ratio of the likelihoods with and without it, each with the kind of scatter
    that suits it best.
    """
    n, count = rows.shape
    without = np.full(count, -np.inf)
    best = np.full((n, count), -np.inf)
    kind = np.zeros((n, count), dtype=int)
    for number, (white, steps, determinant) in enumerate(_scatters(n)):
        rest, free, left = _without_levels(white @ rows, steps, places)
        without = np.maximum(without, -determinant - n * np.log(left))
        taken = (free.T @ rest) ** 2 / np.maximum((free**2).sum(axis=0), 1e-6)[:, None]
        likelihood = -determinant - n * np.log(np.maximum(left[None] - taken, 1e-12 * left))
        better = likelihood > best
        best = np.where(better, likelihood, best)
        kind = np.where(better, number, kind)
    gain = best - without
    gain[:margin] = gain[n - margin + 1 :] = -np.inf
    for place in places:
        gain[max(0, place - LEAST_SEGMENT + 1) : place + LEAST_SEGMENT] = -np.inf
    place = np.argmax(gain, axis=0)
    column = np.arange(count)
    return gain[place, column], place, kind[place, column]


def _without_levels(
    rows: FloatArray, steps: FloatArray, places: tuple[int, ...]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Take the fitted levels out of whitened series and steps; return them and the squares left in the series."""
    basis, _ = np.linalg.qr(steps[:, [0, *places]])
    rest = rows - basis @ (basis.T @ rows)
    return rest, steps - basis @ (basis.T @ steps), np.maximum((rest**2).sum(axis=0), 1e-300)


@lru_cache(maxsize=64)
def _gain_by_chance(n: int, kind: int, margin: int, false_alarm: float) -> float:
    """Gain that only a share `false_alarm` of even series with this kind of scatter exceeds."""
    white = _scatters(n)[kind][0]
    noise = np.random.default_rng(SEED).standard_normal((n, SIMULATED))
    even = np.asarray(np.linalg.solve(white, noise), dtype=np.float64)
    gains, _, _ = _gains(even, (), margin)
    width = float(gains.std()) * 6**0.5 / np.pi
    start = float(gains.mean()) - float(np.euler_gamma) * width
    return start - width * float(np.log(-np.log1p(-false_alarm)))


def _grown(
    series: FloatArray, places: tuple[int, ...], margin: int, false_alarm: float
) -> tuple[int, ...] | None:
    """Add the step that explains most, or two that only together explain anything; None if chance would do as well."""
    n = len(series)
    gain, place, kind = (x[0] for x in _gains(series[:, None], places, margin))
    if gain >= LEAST_GAIN and gain >= _gain_by_chance(n, int(kind), margin, false_alarm):
        return _settled(series, (*places, int(place)), margin)
    pair = _best_pair(series, places, margin)
    if pair is None:
        return None
    gain, two, number = pair
    least = max(LEAST_GAIN, _gain_by_chance(n, number, margin, false_alarm)) + SECOND_GAIN
    return _settled(series, (*places, *two), margin) if gain >= least else None


def _best_pair(
    series: FloatArray, places: tuple[int, ...], margin: int
) -> tuple[float, tuple[int, int], int] | None:
    """Return gain, places and kind of scatter of the best two steps together."""
    n = len(series)
    open_places = np.arange(margin, n - margin + 1)
    for place in places:
        open_places = open_places[np.abs(open_places - place) >= LEAST_SEGMENT]
    far = np.subtract.outer(open_places, open_places) >= LEAST_SEGMENT
    if not far.any():
        return None
    without, best = -np.inf, (-np.inf, (0, 0), 0)
    for number, (white, steps, determinant) in enumerate(_scatters(n)):
        rest, free, left = _without_levels(white @ series[:, None], steps, places)
        without = max(without, -determinant - n * float(np.log(left[0])))
        free = free[:, open_places]
        shared, along = free.T @ free, (free.T @ rest)[:, 0]
        own = np.diag(shared)
        det = np.maximum(np.multiply.outer(own, own) - shared**2, 1e-9)
        cross = np.multiply.outer(along, along) * shared
        squares = np.multiply.outer(along**2, own)
        taken = np.where(far, (squares + squares.T - 2 * cross) / det, 0.0)
        k = int(np.argmax(taken))
        value = -determinant - n * float(np.log(max(float(left[0] - taken.flat[k]), 1e-12 * float(left[0]))))
        if value > best[0]:
            a, b = np.unravel_index(k, taken.shape)
            best = (value, (int(open_places[b]), int(open_places[a])), number)
    return best[0] - without, best[1], best[2]


def _settled(series: FloatArray, places: tuple[int, ...], margin: int) -> tuple[int, ...]:
    """Move every step to its best place beside the others, twice round."""
    found = sorted(places)
    for _ in range(2):
        for k in range(len(found)):
            others = tuple(p for i, p in enumerate(found) if i != k)
            _, place, _ = _gains(series[:, None], others, margin)
            low = found[k - 1] if k else 0
            high = found[k + 1] if k + 1 < len(found) else len(series)
            if low < int(place[0]) < high:
                found[k] = int(place[0])
    return tuple(found)


def _describe(series: FloatArray, places: tuple[int, ...]) -> tuple[Change, ...]:
    """Sizes by generalised least squares with the likeliest kind of scatter, and how sure sizes and places are."""
    n = len(series)
    fits = []
    for white, steps, determinant in _scatters(n):
        basis = steps[:, [0, *places]]
        wanted = white @ series
        solution, *_ = np.linalg.lstsq(basis, wanted, rcond=None)
        left = float(np.sum((wanted - basis @ solution) ** 2))
        fits.append((-determinant - n * np.log(max(left, 1e-300)), left, basis, solution))
    _, left, basis, solution = max(fits, key=lambda fit: fit[0])
    covariance = np.linalg.inv(basis.T @ basis) * left / max(n - basis.shape[1], 1)
    return tuple(
        Change(
            index=place,
            size=float(solution[k + 1]),
            size_u95=2 * float(np.sqrt(covariance[k + 1, k + 1])),
            index_u95=_place_u95(series, places, k),
        )
        for k, place in enumerate(places)
    )


def _place_u95(series: FloatArray, places: tuple[int, ...], k: int) -> float:
    """Half-width about a step that holds 95 % of the likelihood of its place, the other steps staying."""
    n = len(series)
    others = tuple(p for i, p in enumerate(places) if i != k)
    best = np.full(n, -np.inf)
    for white, steps, determinant in _scatters(n):
        rest, free, left = _without_levels(white @ series[:, None], steps, others)
        taken = (free.T @ rest)[:, 0] ** 2 / np.maximum((free**2).sum(axis=0), 1e-6)
        best = np.maximum(best, -determinant - n * np.log(np.maximum(left[0] - taken, 1e-12 * left[0])))
    bounds = (0, *places, n)
    weight = np.exp(0.5 * (best - best.max()))
    weight[: bounds[k] + 1] = weight[bounds[k + 2] :] = 0.0
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
