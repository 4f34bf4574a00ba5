"""Where a piece without fringe ends along the warp: the last of the cloth's colours, column by column.

A fringe is told from the weaving by its pulses (`fringe.woven_limit`). Under a hem, or where the fringe is cut close, there is
none, and the cloth ends where its colours do, as at a selvedge.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..calibration.ranks import median
from .selvedge import row_edges

__all__ = ["cloth_end", "ends_with"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

STRIPS = 24  # parts of the width whose middle edges are fitted
LEAST_SEEN = 0.6  # of the columns and of the strips
STRAY_UNITS = 4.0  # about millimetres off the line through the others, in which a strip has lost the edge
CUT_SHARE = 0.2  # of the columns that run into the photo's border
# Standard deviation of the strips about their curve; more is a fringe, or colours that tell nothing.
RAGGED_UNITS = 0.75
NO_FRINGE_UNITS = 0.5  # about millimetres between a limit and the end of the colours that are no fringe
# A limit so far outside the colours somewhere, or everywhere: the colours lost the cloth.
LOST_UNITS, LOST_EVERYWHERE_UNITS = 5.0, 1.0
COMPARED = 9  # places across the width


def cloth_end(
    evidence: NDArray[np.float32],
    in_photo: Mask,
    card: Mask,
    columns: tuple[int, int],
    inner_row: int,
    unit_px: float,
) -> Floats | None:
    """Find the first row of the cloth by colour.

    Parameters
    ----------
    evidence : ndarray of float32, shape (M, N)
        From `selvedge.cloth_evidence`: positive for cloth; the wanted end at the top (turn the picture for the other one).
    in_photo, card : ndarray of bool, shape (M, N)
        Pixels the photo shows, and pixels the card covers.
    columns : tuple of int
        First and last column that are cloth.
    inner_row : int
        A row well inside.
    unit_px : float
        About a millimetre in pixels.

    Returns
    -------
    ndarray of shape (3,) or None
        Row as a polynomial of the column, highest power first; None where the cloth runs out of the photo, or where colour
        does not tell.
    """
    part = slice(0, inner_row + 1), slice(columns[0], columns[1] + 1)
    edges = row_edges(
        np.ascontiguousarray(evidence[part].T),
        np.ascontiguousarray(in_photo[part].T),
        np.ascontiguousarray(card[part].T),
        np.full(columns[1] + 1 - columns[0], inner_row, dtype=np.intp),
    )
    place, edge = np.arange(columns[0], columns[1] + 1, dtype=np.float64), edges.left
    seen = np.isfinite(edge)
    if seen.mean() < LEAST_SEEN or edges.left_cut.mean() > CUT_SHARE:
        return None
    strips = [
        (float(np.mean(x[good])), float(median(y[good])))
        for x, y, good in zip(
            *(np.array_split(values, STRIPS) for values in (place, edge, seen)), strict=True
        )
        if good.mean() > LEAST_SEEN
    ]
    if len(strips) < LEAST_SEEN * STRIPS:
        return None
    x, y = np.array(strips).T
    off = y - np.polyval(np.polyfit(x, y, 1), x)
    stray = np.abs(off - median(off)) > STRAY_UNITS * unit_px
    if stray.mean() > 1 - LEAST_SEEN:
        return None
    curve = np.polyfit(x[~stray], y[~stray], 2)
    ragged = float(np.std(y[~stray] - np.polyval(curve, x[~stray])))
    return curve if ragged < RAGGED_UNITS * unit_px else None


def ends_with(limit: Floats, end: Floats, columns: tuple[int, int], unit_px: float) -> bool:
    """Whether a limit of the weaving (`fringe.woven_limit`) meets the end of the colours: there is no fringe then."""
    x = np.linspace(columns[0], columns[1], COMPARED)
    inside = (np.polyval(limit, x) - np.polyval(end, x)) / unit_px
    lost = inside.min() < -LOST_UNITS or inside.max() < -LOST_EVERYWHERE_UNITS
    return bool(inside.min() < NO_FRINGE_UNITS and not lost)
