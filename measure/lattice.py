"""The thread lattice: the pitch of ends and picks, as candidate readings with their probabilities.

The curves of `evidence` propose candidates, the network of `arbiter` looks at the cloth at each candidate's scale, and both are
combined into one probability per candidate. `settle` then tries the likeliest pairs on the cloth.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..calibration.errors import SampleError
from .arbiter import judge
from .evidence import FREQUENCIES, DirectionEvidence, gather_evidence, peak_frequencies
from .lightness import cloth_lightness

__all__ = ["Lattice", "PitchReading", "read_lattice"]

_SAME = 0.09  # pitches within 9 % are one candidate; the smallest true ratio, 3/2, is 41 % away in logarithm
_MAX_CANDIDATES = 5

# Weights of the log-odds. The curves break the network's ties. Set by judgement, not fitted: each brings the usual height
# of its curve to order one. They only rank the pairs that `settle` then tries.
_ROW_WEIGHT = 4.0
_AXIS_WEIGHT = 0.25
_HALF_ROW_WEIGHT = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class PitchReading:
    """The pitch of one thread system.

    Attributes
    ----------
    pitch_px : float
        Most probable pitch in pixels of the patch.
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


def read_lattice(bgr: NDArray[np.uint8], mask: NDArray[np.bool_]) -> Lattice:
    """Read the pitch of ends and picks of a straightened patch.

    Parameters
    ----------
    bgr : ndarray of uint8, shape (M, N, 3)
        Ends run down the rows, picks along them.
    mask : ndarray of bool, shape (M, N)
        True where there is cloth.

    Raises
    ------
    SampleError
        ``sample-too-small``: no window of the spectra holds enough cloth.
    """
    evidence = gather_evidence(bgr, mask)
    candidates = [_propose(direction) for direction in evidence]
    if not all(candidates):
        raise SampleError(
            "sample-too-small",
            "The piece of cloth is too small in the photo to look for threads.",
            "Move the camera closer, so that the sample fills more of the photo.",
        )
    pairs = [(float(x), float(y)) for x in candidates[0] for y in candidates[1]]
    judgement = judge(cloth_lightness(bgr), mask, pairs)
    ends = _decide(candidates[0], evidence[0], judgement.pitch_x_px, judgement.log_p_x)
    picks = _decide(candidates[1], evidence[1], judgement.pitch_y_px, judgement.log_p_y)
    return Lattice(ends=ends, picks=picks, woven_probability=judgement.woven_probability)


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
) -> PitchReading:
    """Combine the network's opinion and the curves into probabilities of the candidates."""
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
        scores[i] = network + curves
    probabilities = np.exp(scores - np.logaddexp.reduce(scores))
    order = np.argsort(-probabilities, kind="stable")
    ranked = [(float(pitches[i]), float(probabilities[i])) for i in order]
    return PitchReading(pitch_px=ranked[0][0], probability=ranked[0][1], alternatives=tuple(ranked[1:]))
