"""The odds that a series holds one step more, weighed over all kinds of scatter and of slow change that it may have.

A step is smoothed as the scatter of its kind is. Set sharp into smoothed scatter it is all but impossible there: at a smoothing of
one pick not one step of 15 % was found in a hundred.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .step_kinds import RAMPS, Kinds, kinds_of, ramp_products, ramp_span, summed_products

__all__ = ["USUAL_STEP", "Evidence", "evidence", "pair_evidence", "step_sizes"]

FloatArray = NDArray[np.float64]

MOST_PAIRED = 24  # places tried two at a time; about the likeliest REFINED of the pairs every place is tried
REFINED = 4
TWICE_DRIFTED = 2  # two changes spread over the longest of `RAMPS` find no room

# Logarithms of the weights of a slow change by its reach (rows, as `step_kinds.REACH`) and its standard deviation (columns, against
# `USUAL_STEP`, interpolated in its logarithm), for a series that holds no further step and for one that does; no slow change has
# 0. Two weights, because the odds are to decide between two families at once: they come near the least favourable priors (Lehmann
# and Romano, Testing Statistical Hypotheses, 2005, chapter 3.8), which weigh most what is hardest to tell from a step. They were
# fitted on simulated series as `python -m evenness_bands.fit_step_odds` does, whose own draw of 70 series a cell gives weights up to 1.1
# apart from these and a limit of 1.5. Beyond 14 % they are assumed to fall with the third
# power of the size: a beat that wanders by more is rarer than one that was changed.
USUAL_STEP = 0.07  # of the logarithm of the beat; the likeliest steps are half as large again
SLOW_SIZE = np.array([0.004, 0.008, 0.016, 0.03, 0.06, 0.14, 0.28]) / USUAL_STEP
EVEN_WEIGHT = np.array(
    [
        [0.5, 1.2, 2.7, -0.7, -0.9, -3.6, -5.7],
        [0.5, 1.3, 3.1, -0.5, -1.0, -3.6, -5.7],
        [-0.2, 0.5, 2.1, -1.3, -1.7, -4.3, -6.4],
        [0.2, 0.9, 2.3, -1.1, -1.4, -3.9, -6.0],
    ]
)
STEP_WEIGHT = np.array(
    [
        [-0.6, -1.6, -0.7, -2.4, -2.8, -5.3, -7.4],
        [0.2, -0.6, 0.5, -1.3, -2.1, -4.5, -6.6],
        [1.8, 1.2, 2.4, 0.5, -0.5, -2.8, -4.9],
        [0.6, -0.2, 1.0, -0.6, -1.5, -4.1, -6.2],
    ]
)
# The same for one drift from a level to another, spread over `step_kinds.RAMPS` values, against a step: fitted along with them.
RAMP_WEIGHT = (-4.3, -4.3, -4.4)


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What speaks for one step more.

    Attributes
    ----------
    odds : float
        Natural logarithm of the weighed likelihood with the step, at any of its places, over that without.
    place : ndarray of shape (N,)
        Natural logarithm of the likelihood of every place; minus infinity where none may be.
    """

    odds: float
    place: FloatArray


@dataclass(frozen=True, slots=True)
class _Fit:
    """A series with its levels fitted out by generalised least squares, for every kind: see `Kinds`."""

    kinds: Kinds
    left: FloatArray  # (K,) squares left
    along: FloatArray  # (K, N) inner products of the steps with what is left
    to_levels: FloatArray  # (K, N, L) inner products of the steps with the levels
    solved: FloatArray  # (K, L, N) the same, solved for the levels
    base: FloatArray  # (K,) logarithms of the likelihoods but for the squares left
    freedom: int

    def own(self) -> FloatArray:
        """Inner product of every step with itself, levels out, shape (K, N)."""
        own: FloatArray = np.diagonal(self.kinds.inner, axis1=1, axis2=2)
        left: FloatArray = own - np.einsum("knl,kln->kn", self.to_levels, self.solved)
        return np.maximum(left, 1e-9)

    def cross(self, first: NDArray[np.int_], second: NDArray[np.int_]) -> FloatArray:
        """Inner products of steps at places `first` with steps at `second`, levels out, shape (K, pairs)."""
        level = (self.to_levels[:, first] * self.solved[:, :, second].transpose(0, 2, 1)).sum(axis=2)
        return np.asarray(self.kinds.inner[:, first, second] - level)

    def ramp(self, number: int) -> tuple[FloatArray, FloatArray]:
        """Inner products of changes spread over `RAMPS[number]` values with themselves, and with what is left, shape (K, N)."""
        level = (self._spread(number, self.to_levels) * self._spread(number, self._solved_down())).sum(axis=2)
        return np.maximum(self.kinds.ramps[number] - level, 1e-9), self._spread(number, self.along)

    def ramp_cross(
        self, summed: FloatArray, number: int, first: NDArray[np.int_], second: NDArray[np.int_]
    ) -> FloatArray:
        """Return the same for two such changes, shape (K, pairs)."""
        to_levels, solved = self._spread(number, self.to_levels), self._spread(number, self._solved_down())
        level = (to_levels[:, first] * solved[:, second]).sum(axis=2)
        return np.asarray(ramp_products(summed, RAMPS[number], first, second) - level)

    def _solved_down(self) -> FloatArray:
        return self.solved.transpose(0, 2, 1)

    def _spread(self, number: int, steps: FloatArray) -> FloatArray:
        """Means over the steps of every ramp, along the second axis."""
        begin, stop = ramp_span(steps.shape[1], RAMPS[number])
        summed = np.cumsum(np.concatenate([np.zeros_like(steps[:, :1]), steps], axis=1), axis=1)
        return np.asarray((summed[:, stop] - summed[:, begin]) / RAMPS[number])


def _fitted(series: FloatArray, places: tuple[int, ...]) -> _Fit:
    kinds = kinds_of(len(series))
    levels = [0, *places]
    rises = np.diff(series, prepend=0.0)  # the series as a sum of steps
    sharp = kinds.sharp @ rises
    along = kinds.along(sharp)
    to_levels = kinds.inner[:, :, levels]
    among = to_levels[:, levels]
    solved = np.asarray(np.linalg.solve(among, to_levels.transpose(0, 2, 1)), dtype=np.float64)
    sizes = np.linalg.solve(among, along[:, levels, None])[..., 0]
    squares = sharp @ rises
    left = squares - (along[:, levels] * sizes).sum(axis=1)
    return _Fit(
        kinds=kinds,
        left=np.maximum(left, 1e-14 * np.abs(squares) + 1e-300),
        along=along - np.einsum("knl,kl->kn", to_levels, sizes),
        to_levels=to_levels,
        solved=solved,
        base=-0.5 * kinds.determinant - 0.5 * np.linalg.slogdet(among)[1],
        freedom=len(series) - len(levels),
    )


def _slow_weight(kinds: Kinds, spread: FloatArray, weights: FloatArray) -> FloatArray:
    """Logarithm of the weight of every kind, given the standard deviation of its quick scatter, shape (K, ...)."""
    out = np.zeros(spread.shape)
    for row, weight in enumerate(weights, 1):
        here = kinds.reach == row
        slow = np.sqrt(kinds.share[here]).reshape(-1, *([1] * (spread.ndim - 1))) * spread[here]
        out[here] = np.interp(np.log(np.maximum(slow, 1e-12)), np.log(SLOW_SIZE), weight)
    return out


def _log_mean(values: FloatArray, count: int) -> float:
    top = float(values.max())
    return top + float(np.log(np.exp(values - top).sum() / count)) if np.isfinite(top) else -np.inf


def _without(fit: _Fit, allowed: NDArray[np.bool_]) -> float:
    """Weighed logarithm of the likelihood without a step: even but for slow changes, or with one drift between two levels."""
    likelihood = fit.base - 0.5 * fit.freedom * np.log(fit.left)
    likelihood += _slow_weight(fit.kinds, np.sqrt(fit.left / fit.freedom), EVEN_WEIGHT)
    total = _log_mean(likelihood, 1)
    for number, weight in enumerate(RAMP_WEIGHT):
        own, along = fit.ramp(number)
        drift = _log_mean(_with_change(fit, own[:, allowed], along[:, allowed]), int(allowed.sum()))
        total = float(np.logaddexp(total, drift + weight))
    return total


def evidence(series: FloatArray, places: tuple[int, ...], allowed: NDArray[np.bool_]) -> Evidence:
    """Weigh one step more against none.

    Parameters
    ----------
    series : ndarray of shape (N,)
        In units of the usual step (`USUAL_STEP` of the logarithm of the beat).
    places : tuple of int
        Steps that are in already; their levels have any height.
    allowed : ndarray of bool, shape (N,)
        Where the step may begin.

    Notes
    -----
    Levels and the size of the scatter are integrated out (REML; Harville, Biometrika 61, 1974, 383-385). The size of
    the step has the moment prior of Johnson and Rossell (J. R. Statist. Soc. B 72, 2010, 143-170): a normal density times
    the square of the size, so that steps too small to matter do not count.
    """
    fit = _fitted(series, places)
    likelihood = _with_change(fit, fit.own()[:, allowed], fit.along[:, allowed])
    place = np.full(len(series), -np.inf)
    top = likelihood.max(axis=0)
    place[allowed] = top + np.log(np.exp(likelihood - top).sum(axis=0))
    return Evidence(odds=_log_mean(place[allowed], int(allowed.sum())) - _without(fit, allowed), place=place)


def _with_change(fit: _Fit, own: FloatArray, along: FloatArray) -> FloatArray:
    """Weighed logarithm of the likelihood of every kind with one change of any size, shape (K, P).

    `own` and `along` are the inner products of the change at every place with itself and with what is left.
    """
    left = fit.left[:, None]
    spread = np.sqrt(np.maximum(left - along**2 / own, 1e-12 * left) / (fit.freedom - 1))
    known = own / spread**2  # variance that the step is expected to have, over that of its estimate
    kept = known / (1 + known)
    estimate = along / own
    likelihood: FloatArray = fit.base[:, None] - 0.5 * fit.freedom * np.log(left - kept * along**2 / own)
    likelihood += np.log((1 - kept) + (estimate * kept) ** 2) - 0.5 * np.log1p(known)
    likelihood += _slow_weight(fit.kinds, spread, STEP_WEIGHT)
    return likelihood


def pair_evidence(
    series: FloatArray, places: tuple[int, ...], allowed: NDArray[np.bool_], apart: int
) -> tuple[float, tuple[int, int]]:
    """Weigh two steps more, at least `apart` values apart, against none; return the odds and the likeliest two places.

    See `evidence`.
    """
    fit = _fitted(series, places)
    at = np.flatnonzero(allowed)
    far = np.subtract.outer(np.arange(len(series)), np.arange(len(series))).T >= apart
    far &= np.logical_and.outer(allowed, allowed)
    if not far.any():
        return -np.inf, (0, 0)
    stride = 1 + len(at) // MOST_PAIRED
    coarse = np.zeros_like(far)
    coarse[np.ix_(at[::stride], at[::stride])] = True
    first, second = np.nonzero(far & coarse)
    if not len(first):
        return -np.inf, (0, 0)
    fine = np.zeros_like(far)
    steps = fit.own(), fit.along
    for a, b in _likeliest(_with_pair(fit, first, second, *steps, fit.cross(first, second)), first, second):
        fine[max(a - stride, 0) : a + stride + 1, max(b - stride, 0) : b + stride + 1] = True
    first, second = np.nonzero(far & (fine | coarse))
    # A pair of the coarse grid stands for all about it.
    stands_for = np.where(fine[first, second], 0.0, 2 * np.log(stride))
    total = _with_pair(fit, first, second, *steps, fit.cross(first, second)) + stands_for
    ((one, other),) = _likeliest(total, first, second, 1)
    count = int(far.sum())
    none = _without(fit, allowed)
    if _log_mean(total, count) > none:
        summed = summed_products(fit.kinds.inner)
        for number in range(TWICE_DRIFTED):
            drifts = fit.ramp(number), fit.ramp_cross(summed, number, first, second)
            spread = _log_mean(_with_pair(fit, first, second, *drifts[0], drifts[1]) + stands_for, count)
            none = float(np.logaddexp(none, spread + RAMP_WEIGHT[number]))
    return _log_mean(total, count) - none, (one, other)


def _likeliest(
    likelihood: FloatArray, first: NDArray[np.int_], second: NDArray[np.int_], count: int = REFINED
) -> list[tuple[int, int]]:
    order = np.argsort(-likelihood, kind="stable")[:count]
    return [(int(first[k]), int(second[k])) for k in order]


def _with_pair(
    fit: _Fit,
    first: NDArray[np.int_],
    second: NDArray[np.int_],
    own: FloatArray,
    along: FloatArray,
    cross: FloatArray,
) -> FloatArray:
    """Weighed logarithm of the likelihood of every two changes, all kinds together, shape (pairs,); see `_with_change`."""
    left = fit.left[:, None]
    a, b, u, v, c = own[:, first], own[:, second], along[:, first], along[:, second], cross
    taken = (b * u * u - 2 * c * u * v + a * v * v) / np.maximum(a * b - c * c, 1e-9 * a * b)
    spread = np.sqrt(np.maximum(left - taken, 1e-12 * left) / max(fit.freedom - 2, 1))
    ridge = spread**2  # the prior's part in the normal equations
    a, b = a + ridge, b + ridge
    det = a * b - c * c
    one, other = (b * u - c * v) / det, (a * v - c * u) / det
    likelihood = fit.base[:, None] + 0.5 * np.log(ridge * ridge / det)
    likelihood -= 0.5 * fit.freedom * np.log(np.maximum(left - (one * u + other * v), 1e-12 * left))
    likelihood += np.log(one**2 + ridge * b / det) + np.log(other**2 + ridge * a / det)
    likelihood += _slow_weight(fit.kinds, spread, STEP_WEIGHT)
    top = likelihood.max(axis=0)
    total = top + np.log(np.exp(likelihood - top).sum(axis=0))
    return np.asarray(total, dtype=np.float64)


def step_sizes(series: FloatArray, places: tuple[int, ...]) -> tuple[FloatArray, FloatArray]:
    """Return the sizes of steps at known places and their standard uncertainties, shape (L,) each.

    Generalised least squares with every kind of scatter, averaged with the weights of the kinds; the uncertainty also
    holds by how much the kinds disagree (law of total variance).
    """
    fit = _fitted(series, places)
    levels = [0, *places]
    inner = fit.kinds.inner
    among = inner[:, levels][:, :, levels]
    along = fit.kinds.along(fit.kinds.sharp @ np.diff(series, prepend=0.0))[:, levels, None]
    sizes = np.linalg.solve(among, along)[:, 1:, 0]
    variance = fit.left / fit.freedom
    own = np.diagonal(np.linalg.inv(among), axis1=1, axis2=2)[:, 1:] * variance[:, None]
    weight = fit.base - 0.5 * fit.freedom * np.log(fit.left)
    weight += _slow_weight(fit.kinds, np.sqrt(variance), STEP_WEIGHT)
    share = np.exp(weight - weight.max())[:, None] / np.exp(weight - weight.max()).sum()
    mean = (share * sizes).sum(axis=0)
    return mean, np.sqrt((share * (own + (sizes - mean) ** 2)).sum(axis=0))
