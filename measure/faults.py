"""Faults with their places: picks missed or doubled, selvedges that loop out, draw in or crowd, and what crossings show.

Precision goes before completeness: a fault is named only where the cloth shows it in a way that even cloth does not.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .crowding import crowded_edges
from .fault import Fault
from .sheds import local_median
from .stations import BandTrace

__all__ = ["Fault", "find_faults", "selvedge_faults", "shed_faults"]

FloatArray = NDArray[np.float64]

LONG_SHED = 1.45
"""Sheds, against their neighbours: even bands stay below 1.35 (largest of two thousand sheds measured), two picks
beaten into one shed reach 1.5 and more because no end crosses between them."""
OPEN_SHED = 2.05  # two picks in one shed with the room of a third: one was left out
LEAST_SHED_STRENGTH = 0.5  # share of the contrast between ends; below, runs of sign merge by chance
CLEAR_STRENGTH = 0.6  # of the usual strength of alternation: below, the shed is not read surely
NEIGHBOURS = 6  # sheds to either side that are asked
LEAST_SUPPORT = (
    0.12  # share of the contrast; features without alternation show below 0.08 on average over six sheds
)
SELVEDGE_SIGMA = 6.0
LEAST_BULGE_MM = 0.6
BULGE_PITCHES = 0.5
LONGEST_BULGE_MM = 15.0
SAME_PICKS = 1.6


def find_faults(trace: BandTrace) -> tuple[Fault, ...]:
    """Find the faults of one band, in the order of their places."""
    streaks = [
        Fault(
            kind="uneven-end",
            at_mm=float(low + high) / 2,
            across_mm=float(across),
            size_mm=float(high - low),
            clearness=float(clear),
        )
        for low, high, across, clear in trace.streaks
    ]
    pitch = float(np.median(trace.spacings_mm)) if len(trace.pick_mm) > 1 else 0.0

    def apart(one: Fault, others: list[Fault]) -> bool:
        return all(abs(one.at_mm - other.at_mm) > SAME_PICKS * pitch for other in others)

    # The same missed pick shows in the crossings and in the sheds, and it disturbs the crossings beside it.
    picks = [spot for spot in trace.spots if spot.kind in ("missed-pick", "doubled-pick")]
    sheds = [*picks, *(fault for fault in shed_faults(trace) if apart(fault, picks))]
    spots = [spot for spot in trace.spots if spot not in picks and apart(spot, sheds)]
    found = (
        *sheds,
        *selvedge_faults(trace),
        *streaks,
        *spots,
        *crowded_edges(trace.end_u_mm, trace.end_v_mm),
    )
    return tuple(sorted(found, key=lambda f: f.at_mm))


def shed_faults(trace: BandTrace) -> list[Fault]:
    """Find sheds that hold two picks.

    A pick left out and a pick thrown twice make the same weave: two neighbours in one shed. What differs is the room:
    beside a pick left out the two lie apart, thrown twice they lie close.
    """
    edges, strength = trace.shed_edge_mm, trace.shed_strength
    if len(strength) < 12:
        return []
    lengths = np.diff(edges)
    usual = local_median(lengths)
    clear = float(np.median(strength))
    middle = float(np.mean(trace.pick_u_mm)) if trace.pick_u_mm.size else 0.0
    found = []
    for r in range(1, len(lengths) - 1):
        relative = lengths[r] / usual[r]
        around = strength[max(0, r - 2) : r + 3]
        if relative < LONG_SHED or relative > 4.0:
            continue
        if np.min(around) < CLEAR_STRENGTH * clear or float(np.median(around)) < LEAST_SHED_STRENGTH:
            continue
        if not _confirmed(trace.shed_support, r):
            continue
        kind = "missed-pick" if relative >= OPEN_SHED else "doubled-pick"
        at = float(edges[r] + edges[r + 1]) / 2
        found.append(
            Fault(kind=kind, at_mm=at, across_mm=middle, size_mm=float(lengths[r]), clearness=float(relative))
        )
    return found


def _confirmed(support: FloatArray, shed: int) -> bool:
    """Tell whether another feature goes through the shed without turning its sign, and none turns it clearly."""
    agree = False
    for row in support:
        before, after = row[max(0, shed - NEIGHBOURS) : shed], row[shed + 1 : shed + 1 + NEIGHBOURS]
        if len(before) < 3 or len(after) < 3:
            return False
        weaker = min(abs(float(before.mean())), abs(float(after.mean())))
        if weaker < LEAST_SUPPORT:
            continue
        if before.mean() * after.mean() < 0:
            return False
        agree = True
    return agree


def selvedge_faults(trace: BandTrace) -> list[Fault]:
    """Find spots where a selvedge stands out (a loop of weft) or draws in (a nick) against its own course."""
    if len(trace.edge_mm) < 12:
        return []
    pitch = float(np.median(trace.spacings_mm))
    found = []
    for side, outward in ((trace.left_mm, -1.0), (trace.right_mm, 1.0)):
        rest = (side - local_median(side, reach=4)) * outward
        inner = rest[2:-2]
        scatter = 1.4826 * float(np.median(np.abs(inner - np.median(inner))))
        least = max(SELVEDGE_SIGMA * scatter, LEAST_BULGE_MM, BULGE_PITCHES * pitch)
        k = 2
        while k < len(rest) - 2:
            if abs(rest[k]) < least:
                k += 1
                continue
            stop = k
            while stop + 1 < len(rest) - 2 and abs(rest[stop + 1]) >= least / 2:
                stop += 1
            peak = k + int(np.argmax(np.abs(rest[k : stop + 1])))
            size = float(trace.edge_mm[min(stop + 1, len(rest) - 1)] - trace.edge_mm[k - 1])
            if size <= LONGEST_BULGE_MM:
                found.append(
                    Fault(
                        kind="selvedge-loop" if rest[peak] > 0 else "selvedge-nick",
                        at_mm=float(trace.edge_mm[peak]),
                        across_mm=float(side[peak]),
                        size_mm=size,
                        clearness=float(abs(rest[peak]) / max(scatter, 1e-9)),
                    )
                )
            k = stop + 1
    return found
