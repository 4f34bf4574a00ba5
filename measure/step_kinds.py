"""Kinds of scatter and of slow change that a series may have, and how steps look in each of them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "MADE_UP",
    "OWN_NOISE",
    "RAMPS",
    "REACH",
    "SHARE",
    "SMOOTHED",
    "Kinds",
    "kinds_of",
    "ramp_products",
    "ramp_span",
]

FloatArray = NDArray[np.float64]

# Kinds of quick scatter: a pick makes up for the one before by this share (a pick beaten too far leaves room that the
# next one takes), and the tracking smooths over as many picks (standard deviation of a Gaussian): on sixty path-traced photos
# its weights are about 0.05, 0.2, 0.5, 0.2, 0.05, a Gaussian of 0.8, and what it adds of its own makes up to a third.
MADE_UP = (0.0, 0.3, 0.6)
SMOOTHED = (0.0, 0.6, 1.0)
OWN_NOISE = (
    0.03,
    0.03,
    0.2,
)  # share of the quick variance that each value has of its own, for each smoothing
KERNEL = np.arange(-8, 9)  # values that a smoothing reaches
# Kinds of slow change: a Gaussian process with the covariance exp(-d^2 / 2 reach^2), its variance against the quick one.
REACH = (4.0, 9.0, 20.0, 45.0)
SHARE = (0.01, 0.04, 0.15, 0.6, 2.4)
# Values over which a single drift from one level to another is spread: 20, 40 and 80 mm of picks 1.8 mm apart.
RAMPS = (11, 23, 47)


@dataclass(frozen=True, slots=True, kw_only=True)
class Kinds:
    """All kinds of scatter for series of one length N, by their covariance matrices with the quick variance as unit.

    Attributes
    ----------
    sharp : ndarray of shape (K, N, N)
        Inner products of steps, s_p' C^-1 s_q, where s_p is 0 before value p and 1 from there (s_0 is the level).
    inner : ndarray of shape (K, N, N)
        The same for steps smoothed as the scatter of their kind is: what blurs the picks blurs the step too.
    blurs : ndarray of shape (S, N, N)
        What every smoothed step holds of the sharp ones.
    blur : ndarray of shape (K,)
        Number of the smoothing of a kind.
    ramps : ndarray of shape (R, K, N)
        Inner products with themselves of changes spread over `RAMPS` values about every place.
    determinant : ndarray of shape (K,)
        Logarithms of the determinants.
    share, reach : ndarray of shape (K,)
        Of the slow change; 0 where there is none. `reach` counts from 1 in `REACH`.
    """

    sharp: FloatArray
    inner: FloatArray
    blurs: FloatArray
    blur: NDArray[np.int_]
    ramps: FloatArray
    determinant: FloatArray
    share: FloatArray
    reach: NDArray[np.int_]

    def along(self, sharp: FloatArray) -> FloatArray:
        """Turn inner products of a series with sharp steps, shape (K, N), into those with the smoothed ones."""
        out = np.empty_like(sharp)
        for b, matrix in enumerate(self.blurs):
            here = self.blur == b
            out[here] = sharp[here] @ matrix.T
        return out


@lru_cache(maxsize=2)
def kinds_of(n: int) -> Kinds:
    """Return all kinds of scatter for series of `n` values."""
    lag = np.arange(n, dtype=np.float64)
    slow = [(0, 0.0), *((r + 1, s) for r in range(len(REACH)) for s in SHARE)]
    changes = np.array([s * np.exp(-0.5 * (lag / REACH[r - 1]) ** 2) for r, s in slow])
    blurs = np.stack([_blur(smoothed, n) for smoothed in SMOOTHED])
    # One kind of quick scatter after the other: what belongs to it stays in the processor's cache.
    groups, blur = [], []
    for made_up in MADE_UP:
        for b, (smoothed, own) in enumerate(zip(SMOOTHED, OWN_NOISE, strict=True)):
            quick = (1 - own) * _quick_covariance(made_up, smoothed, n)
            quick[0] = 1.0
            groups.append(_products(quick + changes, blurs[b] if smoothed else None))
            blur += [b] * len(slow)
    sharp, inner, ramps, determinant = zip(*groups, strict=True)
    return Kinds(
        sharp=np.concatenate(sharp),
        inner=np.concatenate(inner),
        blurs=blurs,
        blur=np.array(blur),
        ramps=np.concatenate(ramps, axis=1),
        determinant=np.concatenate(determinant),
        share=np.tile([s for _, s in slow], len(groups)),
        reach=np.tile([r for r, _ in slow], len(groups)),
    )


def _products(
    rows: FloatArray, blur: FloatArray | None
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return `sharp`, `inner`, `ramps` and `determinant` of kinds that are smoothed alike, from their autocovariances (K, N)."""
    inverse, determinant = _toeplitz_inverse(rows)
    sharp = np.flip(np.cumsum(np.cumsum(np.flip(inverse, (1, 2)), axis=1), axis=2), (1, 2))
    sharp = np.ascontiguousarray(sharp)
    inner = sharp if blur is None else blur @ sharp @ blur.T
    summed, every = summed_products(inner), np.arange(rows.shape[1])
    ramps = np.stack([ramp_products(summed, length, every, every) for length in RAMPS])
    return sharp, inner, ramps, determinant


def ramp_span(n: int, length: int) -> tuple[NDArray[np.int_], NDArray[np.int_]]:
    """First step, and the one after the last, of which a change spread over `length` values is the mean, for every place."""
    place = np.arange(n)
    return np.maximum(place - length // 2, 0), np.minimum(place + length // 2 + 1, n)


def summed_products(inner: FloatArray) -> FloatArray:
    """Sum inner products of steps up over both places, shape (K, N + 1, N + 1): see `ramp_products`."""
    summed = np.zeros((len(inner), inner.shape[1] + 1, inner.shape[1] + 1))
    np.cumsum(np.cumsum(inner, axis=1), axis=2, out=summed[:, 1:, 1:])
    return summed


def ramp_products(
    summed: FloatArray, length: int, first: NDArray[np.int_], second: NDArray[np.int_]
) -> FloatArray:
    """Inner products of ramps about places `first` with ramps about `second`, shape (K, len(first)).

    A ramp is the mean of steps one after the other, so that its products are means of theirs.
    """
    begin, stop = ramp_span(summed.shape[1] - 1, length)
    (a, b), (c, d) = (begin[first], stop[first]), (begin[second], stop[second])
    return np.asarray((summed[:, b, d] - summed[:, a, d] - summed[:, b, c] + summed[:, a, c]) / length**2)


def _kernel(smoothed: float) -> FloatArray:
    """Weights at the shifts `KERNEL` of a smoothing by so many values; one alone where nothing is smoothed."""
    return np.exp(-0.5 * (KERNEL / smoothed) ** 2) if smoothed else (KERNEL == 0).astype(np.float64)


def _quick_covariance(made_up: float, smoothed: float, n: int) -> FloatArray:
    """Autocovariance over its value at lag 0: a moving average of order one, smoothed by a Gaussian."""
    whole = np.convolve(_kernel(smoothed), [1.0, -made_up])
    lags = np.correlate(whole, whole, "full")[len(whole) - 1 :]
    out = np.zeros(n)
    out[: min(n, len(lags))] = (lags / lags[0])[:n]
    return out


def _blur(smoothed: float, n: int) -> FloatArray:
    """Return what a smoothed step at every place holds of the sharp ones, shape (N, N); the level stays a level."""
    kernel = _kernel(smoothed)
    out = np.zeros((n, n))
    for shift, share in zip(KERNEL, kernel / kernel.sum(), strict=True):
        begins = np.arange(n) + shift
        seen = begins < n
        np.add.at(out, (np.flatnonzero(seen), np.maximum(begins[seen], 0)), share)
    out[0] = 0.0
    out[0, 0] = 1.0
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
