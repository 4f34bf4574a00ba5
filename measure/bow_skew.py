"""Bow and skew of the picks, defined as in ASTM D3882-08(2020)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["PickShape", "pick_shape"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class PickShape:
    """Bow and skew of one pick, or of a few neighbours together.

    Attributes
    ----------
    bow_percent : float
        Greatest distance of the pick from the straight line between its selvedge points, over that line's length across
        the warp, percent, with a sign: plus when the pick sags towards the end of the band (a smile, with the beginning
        of the band on top), minus when it arches towards the beginning (a frown).
    skew_percent : float
        Offset of the pick's right end from the perpendicular to the selvedges through its left end, over the width,
        percent; plus when the right end (the band's beginning on top) lies farther along.
    """

    bow_percent: float
    skew_percent: float


def pick_shape(across_mm: FloatArray, along_mm: FloatArray) -> PickShape:
    """Measure bow and skew of picks given as lines.

    Parameters
    ----------
    across_mm, along_mm : ndarray of shape (S,) or (P, S)
        Points of the picks from the left to the right selvedge: across the warp and along it (at right angles to the
        selvedges). Several picks are laid on each other and averaged first, so that the scatter of single points does
        not pass for bow.

    References
    ----------
    .. [1] ASTM D3882-08(2020), Standard Test Method for Bow and Skew in Woven and Knitted Fabrics.
    """
    u = np.atleast_2d(np.asarray(across_mm, dtype=np.float64))
    v = np.atleast_2d(np.asarray(along_mm, dtype=np.float64))
    u, v = u.mean(axis=0), (v - v.mean(axis=1, keepdims=True)).mean(axis=0)
    width = float(u[-1] - u[0])
    if width <= 0:
        raise ValueError("a pick must run from the left to the right selvedge")
    rise = float(v[-1] - v[0])
    chord = v[0] + rise * (u - u[0]) / width
    depth = v - chord
    deepest = float(depth[np.argmax(np.abs(depth))])
    return PickShape(bow_percent=100.0 * deepest / width, skew_percent=100.0 * rise / width)
