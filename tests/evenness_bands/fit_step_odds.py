"""Fit the weights of `measure/step_odds.py` on simulated series: python -m evenness_bands.fit_step_odds [SERIES].

The series are no bands of `evenness_bands.power`: their scatter, memory, smoothing, drift and slow change are drawn from wide
ranges, and only a third has none of the latter. A logistic loss of the odds, ten times as dear for a step told where none is, is
brought down by its gradient (Adam's rule); what is printed can be put into `step_odds.py` after rounding.
"""

from __future__ import annotations

import sys

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cholesky, toeplitz
from scipy.ndimage import gaussian_filter1d

from pickglass.measure import step_odds as so

FloatArray = NDArray[np.float64]

VALUES, MARGIN, BESIDE = 72, 12, 20
FALSE_COST = 10.0
NEAR = 3  # values within which the likeliest place must lie for a series to teach anything
ROUNDS, RATE = 250, 0.07
SHARPNESS = 2.0
FITTED_SIZES = so.SLOW_SIZE[:5]  # the series hold no larger slow change; beyond, the weights are assumed
WIDE_OPEN = -0.8  # what is taken off the limit fitted: the loss goes on counting what is right already


def drawn(rng: np.random.Generator, step: float) -> tuple[FloatArray, float, int]:
    """Return one series, the standard deviation of its slow change, and where its step begins."""
    n = VALUES + 2 * BESIDE
    scatter = float(np.exp(rng.uniform(np.log(0.02), np.log(0.08))))
    made_up = float(rng.choice([0.0, rng.uniform(0, 0.5)]))
    noise = rng.standard_normal(n + 1)
    values = scatter * (noise[1:] - made_up * noise[:-1]) / np.sqrt(1 + made_up**2)
    if rng.random() < 0.15:
        memory = rng.uniform(0, 0.4)
        for k in range(1, n):
            values[k] = memory * values[k - 1] + np.sqrt(1 - memory**2) * scatter * noise[k]
    slow = 0.0
    if rng.random() >= 0.3:
        slow = float(np.exp(rng.uniform(np.log(0.004), np.log(0.06))))
        reach = np.exp(rng.uniform(np.log(4.5), np.log(50)))
        covariance = np.exp(-0.5 * (np.arange(n) / reach) ** 2) + 1e-8 * (np.arange(n) == 0)
        values = values + slow * (cholesky(toeplitz(covariance), lower=True) @ rng.standard_normal(n))
    if rng.random() < 0.3:
        values = values + rng.normal(0, 0.04) * np.linspace(-0.5, 0.5, n)
    at = int(rng.integers(MARGIN + 2, VALUES - MARGIN - 1))
    values[BESIDE + at :] += step
    smoothing = float(rng.choice([0.0, 0.6, 0.6, 1.0]))
    if smoothing:
        values = gaussian_filter1d(values, smoothing)
    return values[BESIDE:-BESIDE], slow, at


def _features() -> tuple[FloatArray, FloatArray]:
    """Edges of fine classes of the slow change's size, and what each class takes of every weight (1 + R * B, W)."""
    edges = np.log(np.geomspace(0.002, 0.14, 15) / so.USUAL_STEP)
    middle = (edges[1:] + edges[:-1]) / 2
    sizes, reaches = len(FITTED_SIZES), len(so.REACH)
    hats = np.array([np.interp(middle, np.log(FITTED_SIZES), row) for row in np.eye(sizes)]).T
    table = np.zeros((1 + reaches * len(middle), 1 + sizes + reaches))
    table[0, 0] = 1.0
    for r in range(reaches):
        rows = slice(1 + r * len(middle), 1 + (r + 1) * len(middle))
        table[rows, 1 : 1 + sizes] = hats
        table[rows, 1 + sizes + r] = 1.0
    return edges, table


def _classes(values: FloatArray, edges: FloatArray) -> tuple[FloatArray, FloatArray, int]:
    """Likelihoods of one series without and with a step, summed up by classes, and the likeliest place."""
    fit = so._fitted(values / so.USUAL_STEP, ())
    allowed = np.zeros(VALUES, dtype=bool)
    allowed[MARGIN : VALUES - MARGIN + 1] = True
    spread = np.sqrt(fit.left / fit.freedom)
    even = fit.base - 0.5 * fit.freedom * np.log(fit.left)
    weighed = so._with_step(fit, allowed)
    left = fit.left[:, None]
    beside = np.sqrt(np.maximum(left - fit.along[:, allowed] ** 2 / fit.own()[:, allowed], 1e-12 * left))
    beside /= np.sqrt(fit.freedom - 1)
    bare = weighed - so._slow_weight(fit.kinds.share, fit.kinds.reach, beside, so.STEP_SIZE, so.STEP_REACH)
    top = bare.max(axis=1)
    stepped = top + np.log(np.exp(bare - top[:, None]).mean(axis=1))
    best = beside[np.arange(len(top)), bare.argmax(axis=1)]
    out = []
    for likelihood, s in ((even, spread), (stepped, best)):
        size = np.clip(
            np.searchsorted(edges, 0.5 * np.log(fit.kinds.share + 1e-30) + np.log(s)) - 1, 0, len(edges) - 2
        )
        of = np.where(fit.kinds.reach > 0, 1 + (fit.kinds.reach - 1) * (len(edges) - 1) + size, 0)
        sums = np.full(1 + len(so.REACH) * (len(edges) - 1), -1e3)
        np.logaddexp.at(sums, of, likelihood - even.max())
        out.append(sums)
    place = np.flatnonzero(allowed)[int(np.argmax(weighed.max(axis=0)))]
    return out[0], out[1], int(place)


def _odds(theta: FloatArray, table: FloatArray, both: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Odds over the limit for every series, and their gradient (S, 2 W + 1)."""
    width = table.shape[1]
    sums, shares = [], []
    for k, part in enumerate(both):
        weighed = part + table @ theta[k * width : (k + 1) * width]
        top = weighed.max(axis=1, keepdims=True)
        total = np.exp(weighed - top).sum(axis=1, keepdims=True)
        sums.append(top[:, 0] + np.log(total[:, 0]))
        shares.append(np.exp(weighed - top) / total @ table)
    gradient = np.column_stack([-shares[0], shares[1], -np.ones(len(sums[0]))])
    return sums[1] - sums[0] - theta[-1], gradient


def fitted(
    even: FloatArray, stepped: FloatArray, cost: FloatArray, gain: FloatArray, table: FloatArray
) -> FloatArray:
    """Return the weights without a step, with one, and the limit."""
    start = np.zeros(2 * table.shape[1] + 1)
    start[[0, table.shape[1], -1]] = 2.0
    held = np.zeros_like(start)
    held[-1] = 2.0
    theta, moved, squares = start, np.zeros_like(start), np.zeros_like(start)
    for _ in range(ROUNDS):
        slope = 0.002 * (theta - held)
        for both, sign, weight in ((even, -1.0, cost), (stepped, 1.0, gain)):
            odds, gradient = _odds(theta, table, both)
            wrong = 1 / (1 + np.exp(np.clip(sign * SHARPNESS * odds, -50, 50)))
            slope += gradient.T @ (-sign * weight * wrong * (2 * SHARPNESS * (1 - wrong) + 0.05))
        moved = 0.9 * moved + 0.1 * slope
        squares = 0.99 * squares + 0.01 * slope**2
        theta = theta - RATE * moved / (np.sqrt(squares) + 1e-6)
    return theta


def main() -> None:
    """Draw, fit, print."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 4000
    rng = np.random.default_rng(1)
    edges, table = _features()
    parts: dict[bool, list[tuple[FloatArray, FloatArray]]] = {False: [], True: []}
    weights: dict[bool, list[float]] = {False: [], True: []}
    for k in range(count + count // 2):
        has = k >= count
        size = float(np.exp(rng.uniform(np.log(0.065), np.log(0.16)))) if has else 0.0
        values, slow, at = drawn(rng, size * float(rng.choice([-1, 1])))
        even, stepped, place = _classes(values, edges)
        if has and abs(place - at) > NEAR:
            continue
        parts[has].append((even, stepped))
        quiet = 1.2 if slow < 0.012 else 1.0 if slow < 0.025 else 0.3
        middling = 1.5 if 0.012 <= slow < 0.03 else 1.0
        weights[has].append(quiet * (1.5 if size < 0.1 else 0.7) if has else FALSE_COST * middling)
    stacked = {has: np.array(rows).transpose(1, 0, 2) for has, rows in parts.items()}
    shares = {has: np.array(w) / len(w) for has, w in weights.items()}
    theta = fitted(stacked[False], stacked[True], shares[False], shares[True], table)
    sizes, reaches = len(FITTED_SIZES), len(so.REACH)
    for name, part in (("even", theta[: table.shape[1]]), ("with a step", theta[table.shape[1] : -1])):
        # A series without slow change has weight 0; the others are given against it.
        print(f"{name}: sizes {np.round(part[1 : 1 + sizes], 1).tolist()}, reaches", end=" ")
        print(f"{np.round(part[1 + sizes : 1 + sizes + reaches], 1).tolist()}, none {part[0]:.1f}")
    print(f"limit {theta[-1] + WIDE_OPEN:.1f}")


if __name__ == "__main__":
    main()
