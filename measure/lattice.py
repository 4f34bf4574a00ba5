"""The thread lattice: the pitch of ends and picks, decided between candidate readings, or left open.

The curves of `evidence` propose candidates, the network of `arbiter` looks at the cloth at each candidate's scale, and both are
combined into one probability per candidate. What the weaver knows (hints) multiplies in as a prior and is checked by the
caller, never obeyed blindly.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .arbiter import judge
from .evidence import FREQUENCIES, DirectionEvidence, gather_evidence, peak_frequencies
from .refine import refine_pitch

__all__ = ["Lattice", "PitchReading", "Prior", "no_prior", "read_lattice"]

Prior = Callable[[float], float]
"""Weight of a pitch in pixels, from what the weaver knows; 1 when nothing is known."""

_SAME = 0.09  # pitches within 9 % are one candidate; the smallest true ratio, 3/2, is 41 % away in logarithm
_MAX_CANDIDATES = 5

# Weights of the log-odds. The curves are worth little once the network has looked, but break its ties; fitted on drawn
# cloth (tests/cloth.py), never on pictures that judge accuracy. See tests/arbiter/README.md.
_ROW_WEIGHT = 4.0
_AXIS_WEIGHT = 0.25
_HALF_ROW_WEIGHT = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class PitchReading:
    """The pitch of one thread system.

    Attributes
    ----------
    pitch_px : float
        Most probable pitch, refined, in pixels of the patch.
    probability : float
        Probability that it is the thread and not a fraction or multiple.
    alternatives : tuple of (float, float)
        Other pitches in pixels with their probabilities, most probable first.
    """

    pitch_px: float
    probability: float
    alternatives: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Lattice:
    """Both thread systems and the probability that the patch is woven at all."""

    ends: PitchReading
    picks: PitchReading
    woven_probability: float


def no_prior(pitch_px: float) -> float:
    """Weigh every pitch alike: nothing is known beforehand."""
    return 1.0


def read_lattice(
    bgr: NDArray[np.uint8],
    mask: NDArray[np.bool_],
    *,
    ends_prior: Prior = no_prior,
    picks_prior: Prior = no_prior,
) -> Lattice:
    """Read the pitch of ends and picks of a straightened patch.

    Parameters
    ----------
    bgr : ndarray of uint8, shape (M, N, 3)
        Ends run down the rows, picks along them.
    mask : ndarray of bool, shape (M, N)
        True where there is cloth.
    ends_prior, picks_prior : callable
        What the weaver knows, as a weight of a pitch in pixels.
    """
    evidence = gather_evidence(bgr, mask)
    candidates = [_propose(direction) for direction in evidence]
    lightness = cv2.cvtColor(bgr, cv2.COLOR_BGR2GRAY).astype(np.float32)
    pairs = [(float(x), float(y)) for x in candidates[0] for y in candidates[1]]
    judgement = judge(lightness, mask, pairs)
    ends = _decide(candidates[0], evidence[0], judgement.pitch_x_px, judgement.log_p_x, ends_prior)
    picks = _decide(candidates[1], evidence[1], judgement.pitch_y_px, judgement.log_p_y, picks_prior)
    pitch_x, pitch_y = refine_pitch(bgr, mask, (ends.pitch_px, picks.pitch_px))
    return Lattice(
        ends=_rescaled(ends, pitch_x),
        picks=_rescaled(picks, pitch_y),
        woven_probability=judgement.woven_probability,
    )


def _propose(direction: DirectionEvidence) -> list[float]:
    """Candidate pitches in pixels: the highest peaks of each kind of evidence, near twins joined."""
    pitches: list[float] = []
    for curve, count in (
        (direction.row, 2),
        (direction.axis, 2),
        (direction.half_row, 1),
        (direction.axis, 4),
    ):
        for frequency in peak_frequencies(curve, count):
            pitch = 1.0 / float(frequency)
            if len(pitches) < _MAX_CANDIDATES and all(
                abs(np.log(pitch / known)) > _SAME for known in pitches
            ):
                pitches.append(pitch)
    return pitches


def _decide(
    candidates: list[float],
    direction: DirectionEvidence,
    judged_px: NDArray[np.float64],
    judged_log_p: NDArray[np.float64],
    prior: Prior,
) -> PitchReading:
    """Combine the network's opinion, the curves and the prior into probabilities of the candidates."""
    pitches = np.array(candidates)
    scores = np.empty(len(pitches))
    for i, pitch in enumerate(pitches):
        near = np.abs(np.log(judged_px / pitch)) < _SAME
        network = np.logaddexp.reduce(judged_log_p[near]) if near.any() else -20.0
        close = np.abs(np.log(FREQUENCIES * pitch)) < 0.06
        curves = (
            _ROW_WEIGHT * float(direction.row[close].max())
            + _AXIS_WEIGHT * float(direction.axis[close].max())
            + _HALF_ROW_WEIGHT * float(direction.half_row[close].max())
        )
        scores[i] = network + curves + np.log(max(prior(float(pitch)), 1e-9))
    probabilities = np.exp(scores - np.logaddexp.reduce(scores))
    order = np.argsort(-probabilities, kind="stable")
    ranked = [(float(pitches[i]), float(probabilities[i])) for i in order]
    return PitchReading(pitch_px=ranked[0][0], probability=ranked[0][1], alternatives=tuple(ranked[1:]))


def _rescaled(reading: PitchReading, pitch_px: float) -> PitchReading:
    """Put the refined pitch in; alternatives are its multiples and move along."""
    ratio = pitch_px / reading.pitch_px
    moved = tuple((pitch * ratio, probability) for pitch, probability in reading.alternatives)
    return PitchReading(pitch_px=pitch_px, probability=reading.probability, alternatives=moved)
