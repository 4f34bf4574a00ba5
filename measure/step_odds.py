"""The odds that a series holds one step more, weighed over all kinds of scatter and of slow change that it may have."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["USUAL_STEP", "Evidence", "Kinds", "evidence", "kinds_of", "pair_evidence", "step_sizes"]

FloatArray = NDArray[np.float64]

# Kinds of quick scatter: a pick makes up for the one before by this share (a pick beaten too far leaves room that the
# next one takes), and the tracking smooths over as many picks (standard deviation of a Gaussian).
MADE_UP = (0.0, 0.3, 0.6)
SMOOTHED = (0.0, 0.6, 1.2)
OWN_NOISE = 0.03  # share of the quick variance that each value has of its own
# Kinds of slow change: a Gaussian process with the covariance exp(-d^2 / 2 reach^2), its variance against the quick one.
REACH = (4.0, 9.0, 20.0, 45.0)
SHARE = (0.01, 0.04, 0.15, 0.6, 2.4)

MOST_PAIRED = 24  # places tried two at a time; about the likeliest REFINED of the pairs every place is tried
REFINED = 4

# Logarithms of the weights of a slow change by its standard deviation (against `USUAL_STEP`, interpolated in its
# logarithm) and its reach, for a series that holds no further step and for one that does. Two weights, because the odds are to
# decide between two families at once: they come near the least favourable priors (Lehmann and Romano, Testing
# Statistical Hypotheses, 2005, chapter 3.8), which weigh most what is hardest to tell from a step. They were fitted by
# a logistic loss on simulated series whose slow change is 0.4 to 6 %, as `python -m evenness_bands.fit_step_odds` does; its
# own draw of series gives weights up to 1.3 apart from these and a limit of 1.7. Beyond 6 % they are assumed to fall with the third power of
# the size: a beat that wanders by more is rarer than one that was changed.
USUAL_STEP = 0.07  # of the logarithm of the beat; the likeliest steps are half as large again
SLOW_SIZE = np.array([0.004, 0.008, 0.016, 0.03, 0.06, 0.24]) / USUAL_STEP
EVEN_SIZE = np.array([0.1, 0.9, 2.3, -1.2, -1.4, -5.6])
EVEN_REACH = np.array([0.4, 0.4, -0.3, 0.1])
STEP_SIZE = np.array([0.7, -0.2, 0.9, -0.6, -1.4, -5.6])
STEP_REACH = np.array([-1.3, -0.5, 1.2, -0.1])


@dataclass(frozen=True, slots=True, kw_only=True)
class Kinds:
    """All kinds of scatter for series of one length N, by their covariance matrices with the quick variance as unit.

    Attributes
    ----------
    inner : ndarray of shape (K, N, N)
        Inner products of steps, s_p' C^-1 s_q, where s_p is 0 before value p and 1 from there (s_0 is the level).
    determinant : ndarray of shape (K,)
        Logarithms of the determinants.
    share, reach : ndarray of shape (K,)
        Of the slow change; 0 where there is none. `reach` counts from 1 in `REACH`.
    """

    inner: FloatArray
    determinant: FloatArray
    share: FloatArray
    reach: NDArray[np.int_]


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


@lru_cache(maxsize=2)
def kinds_of(n: int) -> Kinds:
    """Return all kinds of scatter for series of `n` values."""
    lag = np.arange(n, dtype=np.float64)
    rows, share, reach = [], [], []
    for made_up in MADE_UP:
        for smoothed in SMOOTHED:
            quick = (1 - OWN_NOISE) * _quick_covariance(made_up, smoothed, n)
            quick[0] = 1.0
            for r, s in [(0, 0.0), *((r + 1, s) for r in range(len(REACH)) for s in SHARE)]:
                slow = s * np.exp(-0.5 * (lag / REACH[r - 1]) ** 2) if r else 0.0
                rows.append(quick + slow)
                share.append(s)
                reach.append(r)
    inverse, determinant = _toeplitz_inverse(np.array(rows))
    inner = np.flip(np.cumsum(np.cumsum(np.flip(inverse, (1, 2)), axis=1), axis=2), (1, 2))
    return Kinds(
        inner=np.ascontiguousarray(inner),
        determinant=determinant,
        share=np.array(share),
        reach=np.array(reach),
    )


def _quick_covariance(made_up: float, smoothed: float, n: int) -> FloatArray:
    """Autocovariance over its value at lag 0: a moving average of order one, smoothed by a Gaussian."""
    reach = np.arange(-8, 9)
    kernel = np.exp(-0.5 * (reach / smoothed) ** 2) if smoothed else (reach == 0).astype(np.float64)
    whole = np.convolve(kernel, [1.0, -made_up])
    lags = np.correlate(whole, whole, "full")[len(whole) - 1 :]
    out = np.zeros(n)
    out[: min(n, len(lags))] = (lags / lags[0])[:n]
    return out


def _toeplitz_inverse(rows: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Inverses and logarithms of determinants of symmetric Toeplitz matrices, given by their first rows (K, N).

    Durbin's recursion for the first column, Trench's for the others (Golub and Van Loan, Matrix Computations, 2013,
    chapter 4.7).
    """
    count, n = rows.shape
    ahead = np.zeros(
        (count, n)
    )  # 1, then the coefficients of the prediction from the values before, negative
    ahead[:, 0] = 1.0
    error = rows[:, 0].copy()
    determinant = np.log(error)
    for k in range(1, n):
        reflected = -(ahead[:, :k] * rows[:, k:0:-1]).sum(axis=1) / error
        ahead[:, : k + 1] += reflected[:, None] * ahead[:, k::-1]
        error *= 1 - reflected**2
        determinant += np.log(error)
    first = ahead / error[:, None]
    last = np.concatenate([np.zeros((count, 1)), first[:, :0:-1]], axis=1)
    inverse = np.empty((count, n, n))
    inverse[:, 0] = first
    for k in range(1, n):
        inverse[:, k, 0] = first[:, k]
        added = first[:, k, None] * first[:, 1:] - last[:, k, None] * last[:, 1:]
        inverse[:, k, 1:] = inverse[:, k - 1, :-1] + added / first[:, :1]
    return inverse, determinant


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


def _fitted(series: FloatArray, places: tuple[int, ...]) -> _Fit:
    kinds = kinds_of(len(series))
    levels = [0, *places]
    rises = np.diff(series, prepend=0.0)  # the series as a sum of steps
    along = kinds.inner @ rises
    to_levels = kinds.inner[:, :, levels]
    among = to_levels[:, levels]
    solved = np.asarray(np.linalg.solve(among, to_levels.transpose(0, 2, 1)), dtype=np.float64)
    sizes = np.linalg.solve(among, along[:, levels, None])[..., 0]
    squares = along @ rises
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


def _slow_weight(
    share: FloatArray, reach: NDArray[np.int_], spread: FloatArray, sizes: FloatArray, reaches: FloatArray
) -> FloatArray:
    """Logarithm of the weight of every kind, given the standard deviation of its quick scatter, shape (K, ...)."""
    shape = (-1, *([1] * (spread.ndim - 1)))
    slow = np.sqrt(share).reshape(shape) * spread
    weight = np.interp(np.log(np.maximum(slow, 1e-12)), np.log(SLOW_SIZE), sizes)
    weight += np.concatenate([[0.0], reaches])[reach].reshape(shape)
    return np.asarray(np.where(reach.reshape(shape) > 0, weight, 0.0))


def _log_mean(values: FloatArray, count: int) -> float:
    top = float(values.max())
    return top + float(np.log(np.exp(values - top).sum() / count)) if np.isfinite(top) else -np.inf


def _without(fit: _Fit) -> float:
    likelihood = fit.base - 0.5 * fit.freedom * np.log(fit.left)
    spread = np.sqrt(fit.left / fit.freedom)
    return _log_mean(
        likelihood + _slow_weight(fit.kinds.share, fit.kinds.reach, spread, EVEN_SIZE, EVEN_REACH), 1
    )


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
    likelihood = _with_step(fit, allowed)
    place = np.full(len(series), -np.inf)
    top = likelihood.max(axis=0)
    place[allowed] = top + np.log(np.exp(likelihood - top).sum(axis=0))
    return Evidence(odds=_log_mean(place[allowed], int(allowed.sum())) - _without(fit), place=place)


def _with_step(fit: _Fit, allowed: NDArray[np.bool_]) -> FloatArray:
    """Weighed logarithm of the likelihood of every kind with a step at every allowed place, shape (K, P)."""
    own, along = fit.own()[:, allowed], fit.along[:, allowed]
    left = fit.left[:, None]
    spread = np.sqrt(np.maximum(left - along**2 / own, 1e-12 * left) / (fit.freedom - 1))
    known = own / spread**2  # variance that the step is expected to have, over that of its estimate
    kept = known / (1 + known)
    estimate = along / own
    likelihood: FloatArray = fit.base[:, None] - 0.5 * fit.freedom * np.log(left - kept * along**2 / own)
    likelihood += np.log((1 - kept) + (estimate * kept) ** 2) - 0.5 * np.log1p(known)
    likelihood += _slow_weight(fit.kinds.share, fit.kinds.reach, spread, STEP_SIZE, STEP_REACH)
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
    for a, b in _likeliest(_with_pair(fit, first, second), first, second):
        fine[max(a - stride, 0) : a + stride + 1, max(b - stride, 0) : b + stride + 1] = True
    first, second = np.nonzero(far & (fine | coarse))
    # A pair of the coarse grid stands for all about it.
    total = _with_pair(fit, first, second) + np.where(fine[first, second], 0.0, 2 * np.log(stride))
    ((one, other),) = _likeliest(total, first, second, 1)
    return _log_mean(total, int(far.sum())) - _without(fit), (one, other)


def _likeliest(
    likelihood: FloatArray, first: NDArray[np.int_], second: NDArray[np.int_], count: int = REFINED
) -> list[tuple[int, int]]:
    order = np.argsort(-likelihood, kind="stable")[:count]
    return [(int(first[k]), int(second[k])) for k in order]


def _with_pair(fit: _Fit, first: NDArray[np.int_], second: NDArray[np.int_]) -> FloatArray:
    """Weighed logarithm of the likelihood of every two steps, all kinds together, shape (pairs,)."""
    own, left = fit.own(), fit.left[:, None]
    a, b, u, v = own[:, first], own[:, second], fit.along[:, first], fit.along[:, second]
    c = fit.kinds.inner[:, first, second]
    c = c - (fit.to_levels[:, first] * fit.solved[:, :, second].transpose(0, 2, 1)).sum(axis=2)
    taken = (b * u * u - 2 * c * u * v + a * v * v) / np.maximum(a * b - c * c, 1e-9 * a * b)
    spread = np.sqrt(np.maximum(left - taken, 1e-12 * left) / max(fit.freedom - 2, 1))
    ridge = spread**2  # the prior's part in the normal equations
    a, b = a + ridge, b + ridge
    det = a * b - c * c
    one, other = (b * u - c * v) / det, (a * v - c * u) / det
    likelihood = fit.base[:, None] + 0.5 * np.log(ridge * ridge / det)
    likelihood -= 0.5 * fit.freedom * np.log(np.maximum(left - (one * u + other * v), 1e-12 * left))
    likelihood += np.log(one**2 + ridge * b / det) + np.log(other**2 + ridge * a / det)
    likelihood += _slow_weight(fit.kinds.share, fit.kinds.reach, spread, STEP_SIZE, STEP_REACH)
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
    along = (inner[:, levels] @ np.diff(series, prepend=0.0))[..., None]
    sizes = np.linalg.solve(among, along)[:, 1:, 0]
    variance = fit.left / fit.freedom
    own = np.diagonal(np.linalg.inv(among), axis1=1, axis2=2)[:, 1:] * variance[:, None]
    weight = fit.base - 0.5 * fit.freedom * np.log(fit.left)
    weight += _slow_weight(fit.kinds.share, fit.kinds.reach, np.sqrt(variance), STEP_SIZE, STEP_REACH)
    share = np.exp(weight - weight.max())[:, None] / np.exp(weight - weight.max()).sum()
    mean = (share * sizes).sum(axis=0)
    return mean, np.sqrt((share * (own + (sizes - mean) ** 2)).sum(axis=0))
