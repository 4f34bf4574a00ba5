"""What each feature of a trial weighs when a pair of pitches is settled on."""

from __future__ import annotations

import numpy as np

from .structure import STRUCTURE_FEATURES

__all__ = ["FEATURES", "WEIGHTS"]

FEATURES = (
    "log-probability",
    "log-odds of woven",
    "constant",
    *STRUCTURE_FEATURES,
    "aspect",
    "fineness",
    "second look at ends",
    "second look at picks",
    "second look at woven",
)
"""Names of the features of a trial, in the order of `WEIGHTS`."""

WEIGHTS = np.array(
    [
        0.358,  # log-probability
        0.657,  # log-odds of woven
        -1.594,  # constant
        1.136,  # plain
        2.951,  # twill
        2.344,  # satin
        3.674,  # basket
        0.445,  # leading node
        0.000,  # leading node over the usual
        0.000,  # (1/2, 0) node
        0.000,  # (0, 1/2) node
        0.000,  # likeness of ends
        0.185,  # likeness of picks
        0.000,  # coherence of ends
        0.000,  # coherence of picks
        0.000,  # unevenness of ends
        0.000,  # unevenness of picks
        -0.809,  # ends placed by neighbours
        -0.509,  # picks placed by neighbours
        0.190,  # edges across at off-axis nodes
        -0.644,  # edges across at on-axis nodes
        0.000,  # leaning edges at on-axis nodes
        0.000,  # leaning edges at off-axis nodes
        -8.290,  # upright and level edges together
        0.000,  # aspect
        0.433,  # fineness
        0.736,  # second look at ends
        0.812,  # second look at picks
        0.308,  # second look at woven
    ]
)
"""Fitted by tests/arbiter/fit_settle.py, which prints this table and what halves not fitted on would read.

*upright and level edges together* was fitted last, with the others held (its `--only`) and half of the pictures of walls, roofs, fences and
floors of `accuracy/open_pictures.py` beside the rest. The constant was -1.194 until the network had learned mats and wire cloth: since then it
calls whatever is doubtful woven more readily, cloth (a burlap) and other things (a raffia pile, two knits) alike by 0.45 to 0.6 in the log-odds of this
table, and the constant takes 0.4 of it back.
"""
