"""Fit the weights of `measure/step_odds.py` on simulated series: python -m evenness_bands.fit_step_odds [SERIES] [ROUNDS].

The series are no bands of `evenness_bands.power`: scatter, memory, smoothing, what the tracking adds, and slow change are drawn from
wide ranges, in cells of like size and reach. The weights are to find as many steps as possible while no group of series without a
step shows one more often than it may (`Cell.allowed`): a smooth count of steps passed over is brought down by its gradient (Adam's
rule), and a group that shows too many weighs more from round to round (Lagrange's multipliers). What is printed can be put into
`step_odds.py`; the steps and slow changes of a real beat are like neither.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cholesky, toeplitz
from scipy.ndimage import gaussian_filter1d

from pickglass.measure import step_odds as so
from pickglass.measure.step_kinds import RAMPS, REACH
from pickglass.measure.steps import NEAR, _likeliest

FloatArray = NDArray[np.float64]

VALUES, MARGIN, BESIDE = 72, 12, 20
FITTED_SIZES = so.SLOW_SIZE[:6]  # the series hold no larger slow change; beyond, the weights are assumed
EDGES = np.log(np.geomspace(0.002, 0.16, 15) / so.USUAL_STEP)  # of fine classes of the slow change's size
RATE, SHARPNESS, HELD, PART = 0.04, 2.5, 0.002, 0.33
SCATTER = ((0.02, 0.035), (0.035, 0.06))
SLOW = (
    (0.004, 0.012, 0.015),
    (0.014, 0.024, 0.015),
    (0.03, 0.06, 0.06),
)  # from, to, share of false steps allowed
SLOW_REACH = ((3.5, 7.0), (7.0, 13.0), (13.0, 22.0), (22.0, 42.0))
DRIFT = ((10, 14, 0.6), (16, 40, 0.3))  # values over which 8 % are spread, share of false steps allowed


@dataclass(frozen=True)
class Cell:
    """Series of like kinds: scatter, whether picks make up, slow change and its reach, or a drift; false steps allowed."""

    scatter: tuple[float, float]
    made_up: bool
    slow: tuple[float, float] = (0.0, 0.0)
    reach: tuple[float, float] = (1.0, 1.0)
    drift: tuple[int, int] = (0, 0)
    allowed: float = 0.004


def cells() -> list[Cell]:
    """All kinds of series."""
    out = []
    for scatter in SCATTER:
        for made_up in (False, True):
            out.append(Cell(scatter, made_up))
            for low, high, allowed in SLOW:
                out += [Cell(scatter, made_up, (low, high), reach, allowed=allowed) for reach in SLOW_REACH]
            out += [Cell(scatter, made_up, drift=(a, b), allowed=allowed) for a, b, allowed in DRIFT]
    return out


def groups() -> tuple[NDArray[np.int_], FloatArray]:
    """Cells that differ in their scatter alone are counted together: the group of every cell, and what each group may show."""
    keys = [(cell.slow, cell.reach, cell.drift) for cell in cells()]
    number = {key: k for k, key in enumerate(dict.fromkeys(keys))}
    allowed = np.zeros(len(number))
    for key, cell in zip(keys, cells(), strict=True):
        allowed[number[key]] = cell.allowed
    return np.array([number[key] for key in keys]), allowed


def drawn(rng: np.random.Generator, cell: Cell, step: float, at: int) -> FloatArray:
    """Return one series of a cell, with a step at value `at`."""
    n = VALUES + 2 * BESIDE
    scatter = float(np.exp(rng.uniform(*np.log(cell.scatter))))
    made_up = rng.uniform(0.15, 0.55) if cell.made_up else 0.0
    noise = rng.standard_normal(n + 1)
    values = scatter * (noise[1:] - made_up * noise[:-1]) / np.sqrt(1 + made_up**2)
    index = np.arange(n)
    if cell.slow[1]:
        covariance = np.exp(-0.5 * (index / rng.uniform(*cell.reach)) ** 2) + 1e-8 * (index == 0)
        slow = cholesky(toeplitz(covariance), lower=True) @ rng.standard_normal(n)
        values = values + rng.uniform(*cell.slow) * slow
    if cell.drift[1]:
        centre, length = BESIDE + rng.integers(20, VALUES - 20), rng.integers(*cell.drift)
        values = values + np.log(1.08) * rng.choice([-1, 1]) * np.clip((index - centre) / length + 0.5, 0, 1)
    values[BESIDE + at :] += step
    smoothing = float(rng.choice([0.0, 0.6, 0.6, 0.8, 1.0]))
    if smoothing:
        quick = gaussian_filter1d(scatter * rng.standard_normal(1000), smoothing).std()
        own = rng.choice([0.0, 0.0, 0.15, 0.3])
        values = gaussian_filter1d(values, smoothing)
        values = values + quick * np.sqrt(own / (1 - own)) * rng.standard_normal(n)
    return np.asarray(values[BESIDE:-BESIDE])


def _features() -> FloatArray:
    """What every class of kinds takes of every weight, shape (1 + R * B, W)."""
    middle = (EDGES[1:] + EDGES[:-1]) / 2
    hats = np.array([np.interp(middle, np.log(FITTED_SIZES), row) for row in np.eye(len(FITTED_SIZES))]).T
    table = np.zeros((1 + len(REACH) * len(middle), len(REACH) * len(FITTED_SIZES)))
    for r in range(len(REACH)):
        rows, columns = len(middle), len(FITTED_SIZES)
        table[1 + r * rows : 1 + (r + 1) * rows, r * columns : (r + 1) * columns] = hats
    return table


def _summed(likelihood: FloatArray, kinds: so.Kinds, spread: FloatArray) -> FloatArray:
    """Sum likelihoods (K, ...) up by classes of reach and size of the slow change."""
    shape = (-1, *([1] * (spread.ndim - 1)))
    size = np.searchsorted(EDGES, 0.5 * np.log(kinds.share + 1e-30).reshape(shape) + np.log(spread)) - 1
    reach = kinds.reach.reshape(shape)
    of = np.where(reach > 0, 1 + (reach - 1) * (len(EDGES) - 1) + np.clip(size, 0, len(EDGES) - 2), 0)
    top = likelihood.max()
    sums = np.bincount(of.ravel(), np.exp(likelihood - top).ravel(), 1 + len(REACH) * (len(EDGES) - 1))
    return np.asarray(np.log(sums + 1e-300) + top)


def _classes(values: FloatArray) -> tuple[FloatArray, int]:
    """Likelihoods of one series by classes, even, with a step and with each drift (2 + R, C); and the likeliest place."""
    fit = so._fitted(values / so.USUAL_STEP, ())
    allowed = np.zeros(VALUES, dtype=bool)
    allowed[MARGIN : VALUES - MARGIN + 1] = True
    even = fit.base - 0.5 * fit.freedom * np.log(fit.left)
    rows = [_summed(even - even.max(), fit.kinds, np.sqrt(fit.left / fit.freedom))]
    place = np.full(VALUES, -np.inf)
    changes = [(fit.own(), fit.along), *(fit.ramp(number) for number in range(len(RAMPS)))]
    for k, (own, along) in enumerate(changes):
        own, along = own[:, allowed], along[:, allowed]
        weighed = so._with_change(fit, own, along)
        left = fit.left[:, None]
        beside = np.sqrt(np.maximum(left - along**2 / own, 1e-12 * left) / (fit.freedom - 1))
        bare = weighed - so._slow_weight(fit.kinds, beside, so.STEP_WEIGHT)
        rows.append(_summed(bare - even.max() - np.log(allowed.sum()), fit.kinds, beside))
        if k == 0:
            place[allowed] = np.logaddexp.reduce(weighed, axis=0)
    return np.array(rows), _likeliest(place)


def _odds(theta: FloatArray, table: FloatArray, both: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Odds over the limit for every series, and their gradient (S, 2 W + R + 1)."""
    width, count = table.shape[1], table.shape[0]
    even, step, ramps = theta[:width], theta[width : 2 * width], theta[2 * width : -1]
    none = np.concatenate(
        [both[:, 0] + table @ even, *(both[:, 2 + r] + table @ step + ramps[r] for r in range(len(RAMPS)))], 1
    )
    one = both[:, 1] + table @ step
    totals, shares = [], []
    for weighed in (none, one):
        top = weighed.max(axis=1, keepdims=True)
        parts = np.exp(weighed - top)
        total = parts.sum(axis=1, keepdims=True)
        totals.append(top[:, 0] + np.log(total[:, 0]))
        shares.append(parts / total)
    of_ramps = shares[0][:, count:].reshape(len(both), len(RAMPS), count)
    gradient = [
        -shares[0][:, :count] @ table,
        (shares[1] - of_ramps.sum(axis=1)) @ table,
        -of_ramps.sum(axis=2),
        -np.ones((len(both), 1)),
    ]
    return totals[1] - totals[0] - theta[-1], np.concatenate(gradient, axis=1)


def fitted(
    even: FloatArray, of: NDArray[np.int_], stepped: FloatArray, gain: FloatArray, rounds: int
) -> FloatArray:
    """Return the weights without a step, with one, of the drifts, and the limit, from the classes of all series."""
    table, allowed = _features(), groups()[1]
    sizes = len(FITTED_SIZES)
    start = np.concatenate(
        [so.EVEN_WEIGHT[:, :sizes].ravel(), so.STEP_WEIGHT[:, :sizes].ravel(), so.RAMP_WEIGHT, [1.5]]
    )
    held = np.where(np.arange(len(start)) == len(start) - 1, 0.0, HELD)
    theta, moved, squares = start, np.zeros_like(start), np.zeros_like(start)
    dear, rate, rng = np.ones(len(allowed)), allowed.copy(), np.random.default_rng(0)
    for _ in range(rounds):
        some, others = rng.random(len(even)) < PART, rng.random(len(stepped)) < PART
        count = np.maximum(np.bincount(of[some], minlength=len(allowed)), 1)
        odds, gradient = _odds(theta, table, even[some])
        told = np.bincount(of[some], odds > 0, minlength=len(allowed)) / count
        rate = 0.9 * rate + 0.1 * told
        dear = np.clip(dear * np.exp(0.03 * np.clip(rate / allowed - 1, -1, 3)), 1e-3, 2 / allowed)
        share = 1 / (1 + np.exp(-np.clip(SHARPNESS * odds, -40, 40)))
        cost = SHARPNESS * share * (1 - share) * (dear / count)[of[some]] / 4
        slope = cost @ gradient + held * (theta - start)
        odds, gradient = _odds(theta, table, stepped[others])
        share = 1 / (1 + np.exp(-np.clip(SHARPNESS * odds, -40, 40)))
        slope -= (SHARPNESS * share * (1 - share) * gain[others] / gain[others].sum()) @ gradient
        moved = 0.9 * moved + 0.1 * slope
        squares = 0.99 * squares + 0.01 * slope**2
        theta = theta - RATE * moved / (np.sqrt(squares) + 1e-6)
    return theta


def main() -> None:
    """Draw, fit, print."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    rounds = int(sys.argv[2]) if len(sys.argv) > 2 else 700
    rng = np.random.default_rng(1)
    even, of, stepped, gain = [], [], [], []
    group, _ = groups()
    for number, cell in enumerate(cells()):
        for _ in range(count):
            even.append(_classes(drawn(rng, cell, 0.0, VALUES))[0])
            of.append(group[number])
        for _ in range(count if cell.slow[1] <= SLOW[1][1] and not cell.drift[1] else 0):
            at = int(rng.integers(MARGIN + 4, VALUES - MARGIN - 3))
            size = float(np.exp(rng.uniform(np.log(0.07), np.log(0.11))))
            rows, place = _classes(drawn(rng, cell, size * float(rng.choice([-1, 1])), at))
            if abs(place - at) <= NEAR:
                stepped.append(rows)
                rough = 2.0 if cell.scatter[0] > SCATTER[0][0] else 1.0
                gain.append(rough if not cell.slow[1] else 1.0 if cell.slow[1] <= SLOW[0][1] else 0.8)
    theta = fitted(np.array(even), np.array(of), np.array(stepped), np.array(gain), rounds)
    width = len(REACH) * len(FITTED_SIZES)
    for name, part in (("even", theta[:width]), ("with a step", theta[width : 2 * width])):
        print(name)
        print(np.round(part.reshape(len(REACH), -1), 1).tolist())
    print(f"drifts {np.round(theta[2 * width : -1], 1).tolist()}, limit {theta[-1]:.1f}")


if __name__ == "__main__":
    main()
