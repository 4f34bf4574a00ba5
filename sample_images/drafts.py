"""Weave drafts: which end lies on top at which pick."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scene_spec import Fault

__all__ = ["WEAVES", "interlacing", "sheds"]

# Twills by their name: threads in the repeat, picks over which an end lies on top.
TWILLS = {"twill22": (4, 2), "twill21": (3, 2), "twill12": (3, 1), "twill31": (4, 3), "twill13": (4, 1)}
WEAVES = (
    "plain",
    "warp_faced",
    "weft_faced",
    "basket22",
    "warp_rib",
    "weft_rib",
    *("satin5", "satin8"),
    "herringbone",
    "point_twill",
    *TWILLS,
)
SATINS = {
    "satin5": (5, 2),
    "satin8": (8, 3),
}  # threads in the repeat, ends from one binding point to the next
POINT_ENDS = 12  # between two points of a point twill
# Ends before a herringbone turns; the turn leaves out one end so that floats meet opposite floats.
HERRINGBONE_ENDS = 10


def sheds(picks: int, faults: tuple[Fault, ...]) -> NDArray[np.int64]:
    """Return the row of the draft that each pick lies in; missed and doubled picks shift the rows.

    Returns
    -------
    ndarray of int, shape (picks,)
    """
    rows = np.arange(picks)
    for fault in faults:
        if fault.kind == "missed_pick":
            rows[fault.pick_index + 1 :] += 1
        elif fault.kind == "double_pick":
            rows[fault.pick_index + 1 :] -= 1
    return rows


def interlacing(
    weave: str, ends: int, rows: NDArray[np.int64], faults: tuple[Fault, ...], *, edge_ends: bool
) -> NDArray[np.bool_]:
    """Return where the warp lies on top.

    Parameters
    ----------
    weave : str
        One of `WEAVES`.
    ends : int
        Number of ends.
    rows : ndarray of int, shape (P,)
        Draft row of each pick, see `sheds`.
    faults : tuple of Fault
        Floats are applied; other kinds are ignored here.
    edge_ends : bool
        Let the outermost ends change sides at every pick, as a weaver does with floating selvedges, so that
        every turn of the weft is caught.

    Returns
    -------
    ndarray of bool, shape (P, ends)
    """
    i = rows[:, None]
    j = np.arange(ends)[None, :]
    if weave in ("plain", "warp_faced", "weft_faced"):
        up = (i + j) % 2 == 0
    elif weave == "basket22":
        up = (i // 2 + j // 2) % 2 == 0
    elif weave == "warp_rib":
        up = (i // 2 + j) % 2 == 0
    elif weave == "weft_rib":
        up = (i + j // 2) % 2 == 0
    elif weave in SATINS:
        repeat, move = SATINS[weave]
        up = (j - move * i) % repeat != 0
    elif weave == "point_twill":
        k = np.abs((j + POINT_ENDS) % (2 * POINT_ENDS) - POINT_ENDS)
        up = (k - i) % 4 < 2
    elif weave == "herringbone":
        k = j % (2 * HERRINGBONE_ENDS)
        k = np.where(k < HERRINGBONE_ENDS, k, 2 * HERRINGBONE_ENDS - k + 1)
        up = (k - i) % 4 < 2
    elif weave in TWILLS:
        repeat, over = TWILLS[weave]
        up = (j - i) % repeat < over
    else:
        raise ValueError(f"unknown weave {weave!r}; known: {', '.join(WEAVES)}")
    up = np.array(np.broadcast_to(up, (len(rows), ends)))
    if edge_ends:
        turn = np.arange(len(rows)) % 2 == 0
        up[:, 0] = turn
        up[:, -1] = turn == bool(ends % 2)
    for fault in faults:
        if fault.kind == "warp_float":
            up[fault.pick_index : fault.pick_index + fault.length, fault.end_index] = True
        elif fault.kind == "weft_float":
            up[fault.pick_index, fault.end_index : fault.end_index + fault.length] = False
    return up
