"""Finding the woven sample on the table: outline, selvedges, width, and the way of the warp.

CONTRACT ONLY: `find_sample` is still to be written.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .frame import ClothFrame

__all__ = ["Sample"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """The sample as it lies in the photo. All lengths are in the plane of the card.

    Attributes
    ----------
    frame : ClothFrame
        The cloth's own axes.
    outline_mm : ndarray of shape (N, 2)
        Closed polygon of the woven part (fringe left out) in plane millimetres.
    left_u_mm, right_u_mm : ndarray of shape (S,)
        Outer edges of the selvedges at the stations `station_v_mm` (cloth millimetres, left < right).
    station_v_mm : ndarray of shape (S,)
        Stations along the warp.
    v_start_mm, v_end_mm : float
        Where the woven part begins and ends along the warp (fringe left out), cloth millimetres.
    width_mm, width_u95_mm : float or None
        Mean distance between the selvedges' outer edges at right angles to the warp; None if a selvedge is not seen.
    is_band : bool
        True when the sample is clearly longer than wide, so that its length gave the warp direction.
    cut_off : frozenset of str
        Sides that leave the photo: any of ``"left"``, ``"right"``, ``"start"``, ``"end"``.
    """

    frame: ClothFrame
    outline_mm: NDArray[np.float64]
    left_u_mm: NDArray[np.float64]
    right_u_mm: NDArray[np.float64]
    station_v_mm: NDArray[np.float64]
    v_start_mm: float
    v_end_mm: float
    width_mm: float | None
    width_u95_mm: float | None
    is_band: bool
    cut_off: frozenset[str]
