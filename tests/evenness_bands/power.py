"""How often steps of the beat are found, and where none is, in simulated bands: python -m evenness_bands.power [BANDS].

Beside it the most that any method could find that is told the scatter's kind and size and the size of the step, at 2 % false
alarms: the likelihood ratio averaged over all places (Neyman and Pearson's lemma), placed where most of the odds lie.
"""

from __future__ import annotations

import sys

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from pickglass.measure.steps import find_changes, find_possible_change

PICKS = 72
# Name, scatter of single picks, how far a pick makes up for the one before, slow change within some 25 mm, and over how many
# picks the tracking smooths: on 60 path-traced photos its weights are about 0.05, 0.2, 0.5, 0.2, 0.05, a Gaussian of 0.8.
KINDS = (
    ("free scatter of 3 %", 0.03, 0.0, 0.0, 0.6),
    ("free scatter of 5 %", 0.05, 0.0, 0.0, 0.6),
    ("5 %, picks make up for each other", 0.05, 0.4, 0.0, 0.6),
    ("5 %, the same, wandering by 1 %", 0.05, 0.4, 0.01, 0.6),
    ("5 %, the same, wandering by 2 %", 0.05, 0.4, 0.02, 0.6),
    ("6 %, the same, wandering by 5 %", 0.06, 0.4, 0.05, 0.6),
    ("free scatter of 5 %, smoothed more", 0.05, 0.0, 0.0, 0.8),
    ("free scatter of 7 %, smoothed most", 0.07, 0.0, 0.0, 1.0),
    ("7 %, make up, by 2 %, smoothed most", 0.07, 0.4, 0.02, 1.0),
)


def simulated(
    rng: np.random.Generator,
    scatter: float,
    made_up: float,
    wander: float,
    smoothing: float,
    *,
    step: float = 0.0,
    at: int = 0,
) -> NDArray[np.float64]:
    """Return the logarithms of the spacings of one band, smoothed as the tracking smooths them."""
    beat = rng.standard_normal(PICKS + 1)
    quick = scatter * (beat[1:] - made_up * beat[:-1]) / np.sqrt(1 + made_up**2)
    slow = gaussian_filter1d(rng.standard_normal(PICKS + 100), 6.0)[50:-50] * np.sqrt(12.0 * np.sqrt(np.pi))
    values = quick + wander * slow
    values[at:] += step if at else 0.0
    return np.asarray(gaussian_filter1d(values, smoothing, mode="nearest"))


def best_possible(
    rng: np.random.Generator,
    scatter: float,
    made_up: float,
    wander: float,
    smoothing: float,
    step: float,
    trials: int = 2000,
) -> float:
    """Share of steps that are found within three picks by a method that knows everything but the place and the sign."""
    pick = np.arange(PICKS)
    apart = np.abs(np.subtract.outer(pick, pick))
    smooth = gaussian_filter1d(np.eye(PICKS), smoothing, axis=0, mode="nearest")
    quick = scatter**2 * ((apart == 0) - made_up / (1 + made_up**2) * (apart == 1))
    slow = wander**2 * np.exp(-(apart**2) / (4 * 6.0**2))
    # A level of any height is as likely: a large variance that all picks share.
    covariance = smooth @ (quick + slow) @ smooth.T + 1e-10 * np.eye(PICKS) + 1.0
    places = np.arange(12, PICKS - 11)
    steps = np.stack([smooth @ (pick >= place) for place in places])
    weights = steps @ np.linalg.inv(covariance)
    known = np.einsum("ps,ps->p", weights, steps)[:, None]

    def odds(bands: NDArray[np.float64]) -> NDArray[np.float64]:
        along = step * (weights @ bands)
        return np.logaddexp(along, -along) - 0.5 * step**2 * known

    def bands(at: NDArray[np.int_] | None) -> NDArray[np.float64]:
        planted = [{}] * trials if at is None else [{"step": step, "at": int(a)} for a in at]
        return np.stack([simulated(rng, scatter, made_up, wander, smoothing, **p) for p in planted], axis=1)

    limit = np.quantile(np.logaddexp.reduce(odds(bands(None)), axis=0), 0.98)
    at = rng.integers(16, PICKS - 16, trials)
    found = odds(bands(at))
    share = np.exp(found - found.max(axis=0))
    near = np.stack([np.convolve(band, np.ones(7), "same") for band in share.T])
    right = np.abs(places[np.argmax(near, axis=1)] - at) <= 3
    return float(np.mean(right & (np.logaddexp.reduce(found, axis=0) > limit)))


def told(values: NDArray[np.float64]) -> tuple[list[int], list[int]]:
    """Return the places told as sure, and those together with the one told as possible."""
    sure = find_changes(values, least_size=0.03)
    perhaps = find_possible_change(values, sure, least_size=0.03)
    places = [change.index for change in sure]
    return places, places + ([] if perhaps is None else [perhaps.index])


def main() -> None:
    """Print one line for each kind of scatter: sure steps, and in brackets those with the possible ones."""
    bands = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    rng = np.random.default_rng(20)
    print(f"{'':36s} told where none is   8 % within 3 picks   at best   15 %                at best")
    for name, *kind in KINDS:
        none = [told(simulated(rng, *kind)) for _ in range(bands)]
        false = [100 * sum(bool(places[k]) for places in none) / bands for k in (0, 1)]
        line = f"{name:36s} {false[0]:4.0f} % ({false[1]:3.0f} %)     "
        for step in (np.log(1.08), np.log(1.15)):
            near = np.zeros(2)
            for _ in range(bands):
                at = int(rng.integers(16, PICKS - 16))
                found = told(simulated(rng, *kind, step=step, at=at))
                near += [any(abs(place - at) <= 3 for place in places) for places in found]
            most = 100 * best_possible(np.random.default_rng(21), *kind, step)
            line += f"{100 * near[0] / bands:4.0f} % ({100 * near[1] / bands:3.0f} %)   {most:6.0f} %   "
        print(line, flush=True)


if __name__ == "__main__":
    main()
