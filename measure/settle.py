"""Settle the pitch of both systems: the candidates are tried on the cloth, and what makes sense there is believed.

The lattice ranks pairs of pitches by spectra and network. Here the likeliest pairs are tracked thread by thread and
weighed by the structure they lay bare. All pairs, and the possibility that none is right (nothing woven, or nothing to be
seen), share one probability: a conditional logit (D. McFadden, "Conditional logit analysis of qualitative choice behavior",
1974) whose weights were fitted on drawn cloth and drawn surfaces that are no cloth, never on the pictures that judge accuracy.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .lattice import Lattice, PitchReading
from .refine import refine_pitch
from .repeat import read_weave
from .results import WeaveReading
from .structure import structure_features
from .track import Tracks, track_threads

__all__ = ["Prior", "Settled", "no_prior", "settle"]

Prior = Callable[[float], float]
"""Weight of a pitch in pixels, from what the weaver knows; 1 when nothing is known."""

_MOST_TRIALS = 5
_NEGLIGIBLE = 0.01  # share of the likeliest pair below which a pair is tried only while nothing has convinced
_CONVINCING = 0.97
_FINEST_PX = 2.5

# Fitted by tests/arbiter/fit_settle.py, which prints this block and how well calibrated it is.
_WEIGHTS = np.array(
    [
        0.155,  # log-probability of the pair from spectra and network
        1.098,  # log-odds of woven from the network
        -2.609,  # constant
        2.43,  # weave named
        1.866,  # leading node
        -0.95,  # leading node over the usual
        0.091,  # (1/2, 0) node
        -1.888,  # (0, 1/2) node
        -0.298,  # likeness of ends
        -0.432,  # likeness of picks
        0.327,  # coherence of ends
        0.23,  # coherence of picks
        0.725,  # unevenness of ends
        1.063,  # unevenness of picks
        -2.128,  # ends placed by neighbours
        -1.067,  # picks placed by neighbours
    ]
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """The pair of readings that is believed, with everything tracked at it.

    Attributes
    ----------
    lattice : Lattice
        Pitches with their final probabilities; `woven_probability` is the probability that any pair is right.
    tracks : Tracks
        Threads tracked at the believed pair.
    weave : WeaveReading
        Weave read from them.
    """

    lattice: Lattice
    tracks: Tracks
    weave: WeaveReading


@dataclass(frozen=True, slots=True)
class _Trial:
    pitch_x_px: float
    pitch_y_px: float
    score: float
    log_prior: float
    tracks: Tracks
    weave: WeaveReading


def no_prior(pitch_px: float) -> float:
    """Weigh every pitch alike: nothing is known beforehand."""
    return 1.0


def settle(
    bgr: NDArray[np.uint8],
    mask: NDArray[np.bool_],
    lattice: Lattice,
    *,
    ends_prior: Prior = no_prior,
    picks_prior: Prior = no_prior,
) -> Settled:
    """Try the likeliest pairs of pitches and settle on one.

    Parameters
    ----------
    bgr : ndarray of uint8, shape (M, N, 3)
        Straightened patch.
    mask : ndarray of bool, shape (M, N)
        True where there is cloth.
    lattice : Lattice
        Candidates with the probabilities of spectra and network.
    ends_prior, picks_prior : callable
        What the weaver knows; it decides between readings but does not make a surface woven.
    """
    trials: list[_Trial] = []
    shares = np.zeros(0)
    pairs = _pairs(lattice, ends_prior, picks_prior)
    for pair in pairs[:_MOST_TRIALS]:
        if trials and pair.weight < _NEGLIGIBLE * pairs[0].weight and _chance(trials, shares) > _CONVINCING:
            break
        trials.append(_try(bgr, mask, pair, lattice))
        weights = np.array([trial.score + trial.log_prior for trial in trials])
        shares = np.exp(weights - np.logaddexp.reduce(weights))
    best = int(np.argmax(shares))
    chosen = trials[best]
    ends = _merged([(t.pitch_x_px, float(p)) for t, p in zip(trials, shares, strict=True)], chosen.pitch_x_px)
    picks = _merged(
        [(t.pitch_y_px, float(p)) for t, p in zip(trials, shares, strict=True)], chosen.pitch_y_px
    )
    settled = replace(lattice, ends=ends, picks=picks, woven_probability=_woven(trials))
    return Settled(lattice=settled, tracks=chosen.tracks, weave=chosen.weave)


@dataclass(frozen=True, slots=True)
class _Pair:
    pitch_x_px: float
    pitch_y_px: float
    probability: float
    prior: float

    @property
    def weight(self) -> float:
        return self.probability * self.prior


def _pairs(lattice: Lattice, ends_prior: Prior, picks_prior: Prior) -> list[_Pair]:
    """Return the pairs of candidates, likeliest first."""
    ends, picks = (
        ((reading.pitch_px, reading.probability), *reading.alternatives)
        for reading in (lattice.ends, lattice.picks)
    )
    pairs = [
        _Pair(x, y, p * q, max(ends_prior(x) * picks_prior(y), 1e-9))
        for x, p in ends
        for y, q in picks
        if min(x, y) >= _FINEST_PX
    ]
    return sorted(pairs, key=lambda pair: -pair.weight)


def _woven(trials: list[_Trial]) -> float:
    """Probability that any of the pairs is right, whatever the weaver expects."""
    return float(1.0 - np.exp(-np.logaddexp.reduce([0.0, *(trial.score for trial in trials)])))


def _chance(trials: list[_Trial], shares: NDArray[np.float64]) -> float:
    return float(shares.max()) * _woven(trials)


def _try(bgr: NDArray[np.uint8], mask: NDArray[np.bool_], pair: _Pair, lattice: Lattice) -> _Trial:
    pitch_x, pitch_y = refine_pitch(bgr, mask, (pair.pitch_x_px, pair.pitch_y_px))
    tracks = track_threads(bgr, mask, pitch_x_px=pitch_x, pitch_y_px=pitch_y)
    weave = read_weave(tracks)
    woven = np.clip(lattice.woven_probability, 1e-4, 1 - 1e-4)
    seen = [np.log(pair.probability + 1e-9), np.log(woven / (1 - woven)), 1.0]
    score = float(np.concatenate([seen, structure_features(tracks, weave)]) @ _WEIGHTS)
    return _Trial(pitch_x, pitch_y, score, float(np.log(pair.prior)), tracks, weave)


def _merged(readings: list[tuple[float, float]], chosen_px: float) -> PitchReading:
    """Add up the probability of trials that share a pitch."""
    groups: list[list[float]] = []
    for pitch, chance in [(chosen_px, 0.0), *readings]:
        for group in groups:
            if abs(np.log(pitch / group[0])) < 0.09:
                group[1] += chance
                break
        else:
            groups.append([pitch, chance])
    others = sorted(((p, c) for p, c in groups[1:]), key=lambda item: -item[1])
    return PitchReading(pitch_px=chosen_px, probability=groups[0][1], alternatives=tuple(others))
