"""Selvedges at which the outermost ends lie much closer than the others."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .fault import Fault

__all__ = ["crowded_edges"]

FloatArray = NDArray[np.float64]

OUTER = 4  # spacings beside the selvedge that are taken together
CROWDED = 0.78
"""Of the usual spacing. Selvedge ends of even bands lie up to a sixth closer than the others as measured (some fifty
edges), and weavers take that much for granted; common practice."""
EACH = 0.92  # at least all but one of the outer spacings must be closer than this
FEWEST_ENDS = 16
MOST_OF_LENGTH = 0.5  # share of the length on which the edge must be crowded


def crowded_edges(end_u_mm: FloatArray, end_v_mm: FloatArray) -> list[Fault]:
    """Find crowded edges.

    Parameters
    ----------
    end_u_mm, end_v_mm : ndarray of shape (E, S)
        Every end as a line: across the warp and along it.

    Returns
    -------
    list of Fault
        At most one for each side; its clearness is the outer spacing over the usual one.
    """
    if len(end_u_mm) < FEWEST_ENDS:
        return []
    spacing = np.diff(end_u_mm, axis=0)
    inner = spacing[len(spacing) // 5 : len(spacing) - len(spacing) // 5]
    relative = spacing / np.median(inner, axis=0)
    length = float(np.ptp(end_v_mm))
    found = []
    for outer, lines in (
        (relative[:OUTER], end_u_mm[: OUTER + 1]),
        (relative[-OUTER:], end_u_mm[-OUTER - 1 :]),
    ):
        usual = np.median(outer, axis=1)
        if float(usual.mean()) > CROWDED or int((usual < EACH).sum()) < OUTER - 1:
            continue
        crowded = outer.mean(axis=0) < CROWDED
        if crowded.mean() < MOST_OF_LENGTH:
            continue
        found.append(
            Fault(
                kind="crowded-edge",
                at_mm=float(end_v_mm.mean(axis=0)[crowded].mean()),
                across_mm=float(lines.mean()),
                size_mm=length * float(crowded.mean()),
                clearness=float(usual.mean()),
                across_size_mm=float(np.median(lines[-1] - lines[0])),
            )
        )
    return found
