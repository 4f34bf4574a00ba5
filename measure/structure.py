"""Does the cloth make sense at this pitch? Evidence from the tracked threads for or against a pair of readings.

At the true pitch of both systems the floats of a weave leave off-axis nodes at simple fractions, (1/2, 1/2) in plain weave, the
threads look alike and their phase is steady. At a wrong pitch those nodes move to fractions that no weave has, half-frequency
nodes appear on the axes, or threads have to be placed where nothing shows. None of this looks at colour.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .results import WeaveReading
from .rhythm import CLEAR_NODE, off_axis_nodes
from .track import SystemTrack, Tracks

__all__ = ["STRUCTURE_FEATURES", "structure_features"]

STRUCTURE_FEATURES = (
    "weave named",
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
)
"""Names of the features, in the order of `structure_features`."""

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
    usual = float(np.median(off_axis)) if off_axis else 0.0
    lead = max(off_axis, default=0.0)
    features = np.array(
        [
            float(weave.name != "unknown"),
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
    return np.nan_to_num(features, nan=_UNTRACKED)


def _likeness(track: SystemTrack) -> float:
    if track.count == 0:
        return -0.5
    return float(np.clip(np.median(track.likeness), -2.0, 5.0)) / _CLEAR_LIKENESS
