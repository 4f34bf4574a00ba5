"""The most steps that any method can find that keeps false ones rare however the beat wanders: python -m evenness_bands.bound.

`evenness_bands.power` compares with a method that is told kind and size of the scatter and that nothing wanders. A real method does
not know whether a slow change is a step or the beat wandering, and must show few false steps in either case. The best test
of one step against all that the cells of `fit_step_odds` may show is found here: the likelihood with a step over a mixture of
those without, its weights such that no cell shows more than it may (least favourable distribution; Lehmann and Romano,
Testing Statistical Hypotheses, 2005, chapter 3.8). It is told the quick scatter and the size of the step, so nothing that
is not told can find more.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from .fit_step_odds import DRIFT, MARGIN, SLOW, SLOW_REACH, VALUES
from .power import KINDS

FloatArray = NDArray[np.float64]

NEAR = 3
SERIES, EVEN_SERIES, STEP_SERIES = (
    150,
    3000,
    6000,
)  # of every slow change, of the even beat, of beats with a step
EVEN_ALLOWED = 0.02
ROUNDS, RATE = 3000, 0.3
STEP = float(np.log(1.08))


@dataclass(frozen=True, kw_only=True)
class Rival:
    """Series without a step that are counted together: covariances, or drifts in even scatter; false steps allowed."""

    allowed: float
    covariances: Sequence[FloatArray] = ()
    drifts: FloatArray | None = None


def rivals(quick: FloatArray, smooth: FloatArray, looser: float) -> list[Rival]:
    """Even scatter, then the cells of the fit, which may show `looser` times as many false steps as there."""
    lag = np.abs(np.subtract.outer(np.arange(VALUES), np.arange(VALUES)))
    even = smooth @ quick @ smooth.T
    out = [Rival(allowed=EVEN_ALLOWED, covariances=[even])]
    for low, high, allowed in SLOW:
        for near, far in SLOW_REACH:
            slow = [
                size**2 * np.exp(-0.5 * (lag / reach) ** 2)
                for size in np.linspace(low, high, 3)
                for reach in np.geomspace(near, far, 3)
            ]
            out.append(
                Rival(allowed=looser * allowed, covariances=[even + smooth @ one @ smooth.T for one in slow])
            )
    for short, long, allowed in DRIFT:
        ramps = [
            smooth @ np.clip((np.arange(VALUES) - centre) / length + 0.5, 0, 1)
            for length in range(short, long + 1, 2)
            for centre in range(20, VALUES - 20)
        ]
        out.append(Rival(allowed=min(looser * allowed, 1.0), drifts=STEP * np.array(ramps)))
    return out


def most_found(scatter: float, made_up: float, smoothing: float, looser: float = 1.0) -> float:
    """Share of steps of 8 % in a beat that does not wander that the best test finds within three values."""
    pick = np.arange(VALUES)
    apart = np.abs(np.subtract.outer(pick, pick))
    smooth = np.asarray(gaussian_filter1d(np.eye(VALUES), smoothing, axis=0, mode="nearest"))
    quick = scatter**2 * ((apart == 0) - made_up / (1 + made_up**2) * (apart == 1)) + 1e-10 * (apart == 0)
    # Contrasts: a level of any height tells nothing.
    contrasts = np.linalg.qr(np.column_stack([np.ones(VALUES), np.eye(VALUES)[:, :-1]]))[0][:, 1:]
    cells = rivals(quick, smooth, looser)
    roots = [
        [np.linalg.cholesky(contrasts.T @ one @ contrasts) for one in cell.covariances] for cell in cells
    ]
    even = roots[0][0]
    steps = STEP * np.stack([smooth @ (pick >= at) for at in range(MARGIN, VALUES - MARGIN)]) @ contrasts
    ramps = [None if cell.drifts is None else cell.drifts @ contrasts for cell in cells]
    rng = np.random.default_rng(0)
    drawn, of = [], []
    for number, (own, drifting) in enumerate(zip(roots, ramps, strict=True)):
        count = EVEN_SERIES if number == 0 or drifting is not None else SERIES
        part = np.concatenate([(r @ rng.standard_normal((VALUES - 1, count))).T for r in own or [even]])
        if drifting is not None:
            part += rng.choice([-1, 1], (count, 1)) * drifting[rng.integers(0, len(drifting), count)]
        drawn.append(part)
        of += [number] * len(part)
    place = rng.integers(4, len(steps) - 4, STEP_SERIES)
    stepped = (even @ rng.standard_normal((VALUES - 1, STEP_SERIES))).T
    stepped += rng.choice([-1, 1], (STEP_SERIES, 1)) * steps[place]
    without, with_one, _ = _likelihoods(np.concatenate(drawn), roots, ramps, steps)
    weights = _least_favourable(without, with_one, np.array(of), np.array([cell.allowed for cell in cells]))
    without, with_one, likeliest = _likelihoods(stepped, roots, ramps, steps)
    told = with_one > np.logaddexp.reduce(without + weights[:, None], axis=0)
    return float(np.mean(told & (np.abs(likeliest - place) <= NEAR)))


def _likelihoods(
    series: FloatArray,
    roots: Sequence[Sequence[FloatArray]],
    ramps: Sequence[FloatArray | None],
    steps: FloatArray,
) -> tuple[FloatArray, FloatArray, NDArray[np.int_]]:
    """Logarithms of the likelihood in every cell (C, S) and with a step (S,), and the likeliest place of one (S,)."""
    white = np.linalg.inv(roots[0][0])
    whitened = series @ white.T
    even = _normal(series, white)

    def changed(changes: FloatArray) -> FloatArray:
        """Log likelihood ratio of every change with either sign, shape (S, changes)."""
        shapes = changes @ white.T
        along = whitened @ shapes.T
        return np.asarray(np.logaddexp(along, -along) - 0.5 * (shapes**2).sum(axis=1) - np.log(2))

    rows = []
    for own, drifting in zip(roots, ramps, strict=True):
        each = (
            np.stack([_normal(series, np.linalg.inv(root)) for root in own], axis=1)
            if drifting is None
            else even[:, None] + changed(drifting)
        )
        rows.append(np.logaddexp.reduce(each, axis=1) - np.log(each.shape[1]))
    odds = changed(steps)
    share = np.exp(odds - odds.max(axis=1, keepdims=True))
    near = np.stack([np.convolve(row, np.ones(2 * NEAR + 1), "same") for row in share])
    with_one = even + np.logaddexp.reduce(odds, axis=1) - np.log(len(steps))
    return np.array(rows), with_one, np.argmax(near, axis=1)


def _normal(series: FloatArray, white: FloatArray) -> FloatArray:
    return np.asarray(np.log(np.diag(white)).sum() - 0.5 * ((series @ white.T) ** 2).sum(axis=1))


def _least_favourable(
    without: FloatArray, with_one: FloatArray, of: NDArray[np.int_], allowed: FloatArray
) -> FloatArray:
    """Logarithms of the weights of the cells with which none shows more false steps than it may."""
    weights, count = np.full(len(allowed), -1.0), np.bincount(of, minlength=len(allowed))
    for number in range(ROUNDS):
        told = with_one > np.logaddexp.reduce(without + weights[:, None], axis=0)
        rate = np.bincount(of, told, len(allowed)) / count
        pace = RATE / np.sqrt(1 + number / 50)
        weights = np.maximum(weights + pace * np.clip(rate / allowed - 1, -1, 3), -14.0)
    return weights


def main() -> None:
    """Print the most that can be found for every kind that does not wander, then how it depends on what is allowed."""
    for name, scatter, made_up, wander, smoothing in KINDS:
        if not wander:
            print(f"{name:36s} {100 * most_found(scatter, made_up, smoothing):4.0f} %", flush=True)
    for looser in (2.0, 4.0, 8.0):
        found = most_found(0.05, 0.0, 0.6, looser)
        print(f"free scatter of 5 %, {looser:.0f} times as many false steps {100 * found:4.0f} %", flush=True)


if __name__ == "__main__":
    main()
