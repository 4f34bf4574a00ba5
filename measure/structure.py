"""Does the cloth make sense at this pitch? Evidence from the tracked threads for or against a pair of readings.

At the true pitch of both systems the floats of a weave leave off-axis nodes at simple fractions, (1/2, 1/2) in plain weave, the
threads look alike and their phase is steady. At a wrong pitch those nodes move to fractions that no weave has, half-frequency
nodes appear on the axes, or threads have to be placed where nothing shows. None of this looks at colour.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ..calibration.ranks import median
from .phase import PX_PER_THREAD, Demodulator
from .repeat import edges_together
from .results import WeaveReading
from .rhythm import CLEAR_NODE, off_axis_nodes
from .tracks import SystemTrack, Tracks

__all__ = ["STRUCTURE_FEATURES", "structure_features"]

STRUCTURE_FEATURES = (
    "plain",
    "twill",
    "satin",
    "basket",
    "leading node",
    "leading node over the usual",
    "(1/2, 0) node",
    "(0, 1/2) node",
    "likeness of ends",
    "likeness of picks",
    "coherence of ends",
    "coherence of picks",
    "unevenness of ends",
    "unevenness of picks",
    "ends placed by neighbours",
    "picks placed by neighbours",
    "edges across at off-axis nodes",
    "edges across at on-axis nodes",
    "leaning edges at on-axis nodes",
    "leaning edges at off-axis nodes",
    "upright and level edges together",
)
"""Names of the features, in the order of `structure_features`."""

_OFF_AXIS = ((1 / 2, 1 / 2), (1 / 4, 1 / 4), (1 / 3, 1 / 3), (1 / 5, 2 / 5), (2 / 5, 1 / 5))
_ON_AXIS = ((1.0, 0.0), (0.0, 1.0), (0.5, 0.0), (0.0, 0.5))
_CROSSINGS = ((1 / 2, 1 / 2), (1 / 4, 1 / 4), (1.0, 1.0))
_UNTRACKED = -3.0  # stands for what could not be followed: as bad as the worst that could
_CLEAR_LIKENESS = 4.0  # see SystemTrack.likeness


def structure_features(tracks: Tracks, weave: WeaveReading) -> NDArray[np.float64]:
    """Return the evidence of one pair of readings as numbers of order one, shape (len(STRUCTURE_FEATURES),).

    Parameters
    ----------
    tracks : Tracks
        Threads tracked at this pair of pitches.
    weave : WeaveReading
        Weave read from them.
    """
    strength = dict(tracks.nodes)
    off_axis = [value for _, value in off_axis_nodes(strength)]
    usual = float(median(off_axis)) if off_axis else 0.0
    lead = max(off_axis, default=0.0)
    features = np.array(
        [
            *(float(weave.name == name) for name in ("plain", "twill", "satin", "basket")),
            np.log(lead + 0.05) + 1.0,
            np.log((lead + 1e-3) / (CLEAR_NODE * usual + 1e-3)),
            strength.get((1, 0, 2), 0.0),
            strength.get((0, 1, 2), 0.0),
            _likeness(tracks.ends),
            _likeness(tracks.picks),
            (tracks.ends.coherence - 0.9) / 0.1,
            (tracks.picks.coherence - 0.9) / 0.1,
            min(tracks.ends.spacing_cv, 0.3) / 0.1,
            min(tracks.picks.spacing_cv, 0.3) / 0.1,
            float("faint" in tracks.ends.flags),
            float("faint" in tracks.picks.flags),
        ]
    )
    # To the third power, for only a strong likeness tells: cloth reaches 0.4 of it, nets of wire 0.8.
    together = edges_together(tracks) ** 3 if weave.name == "plain" else 0.0
    both = np.concatenate([features, _edge_directions(tracks), [together]])
    return np.asarray(np.nan_to_num(both, nan=_UNTRACKED), dtype=np.float64)


def _edge_directions(tracks: Tracks) -> NDArray[np.float64]:
    """Where in the spectrum upright and level edges, and where leaning ones, come and go (logarithms).

    Floats of a woven cloth lie along x or y and change place in a rhythm off the axes, so the difference of squared gradients
    shows off-axis nodes. The legs of a knit lean to either side from row to row, which puts the mixed product of
    gradients on the axes; courses of bricks and scales show neither.
    """
    light = cv2.GaussianBlur(np.asarray(tracks.planes["light"], dtype=np.float32), (0, 0), 0.7)
    cloth = np.asarray(tracks.threads.picture.cloth, dtype=np.float32)
    gx = cv2.Sobel(light, cv2.CV_32F, 1, 0)
    gy = cv2.Sobel(light, cv2.CV_32F, 0, 1)
    energy = cv2.GaussianBlur(gx * gx + gy * gy, (0, 0), float(PX_PER_THREAD))
    inside = cloth > 0
    if not inside.any():
        return np.full(4, np.nan)
    energy = energy + np.float32(0.1 * float(median(energy[inside])) + 1e-9)
    across = _demodulator((gx * gx - gy * gy) / energy, cloth, inside)
    leaning = _demodulator(2 * gx * gy / energy, cloth, inside)
    strengths = (
        _strongest(across, _OFF_AXIS),
        _strongest(across, _ON_AXIS),
        _strongest(leaning, _ON_AXIS),
        _strongest(leaning, _CROSSINGS),
    )
    return np.log(np.array(strengths) + 1e-3) + 3.0


def _demodulator(plane: NDArray[Any], cloth: NDArray[np.float32], inside: NDArray[np.bool_]) -> Demodulator:
    return Demodulator(np.asarray((plane - float(plane[inside].mean())) * cloth, dtype=np.float32))


def _strongest(found: Demodulator, nodes: tuple[tuple[float, float], ...]) -> float:
    return max(max(found.strength(a, b), found.strength(a, -b)) for a, b in nodes)


def _likeness(track: SystemTrack) -> float:
    if track.count == 0:
        return -0.5
    return float(np.clip(median(track.likeness), -2.0, 5.0)) / _CLEAR_LIKENESS
