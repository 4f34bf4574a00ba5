"""Picks missed or doubled, as the crossings show them: picks that seem to lie in the wrong shed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from .crossings import Crossings
from .sheds import local_median
from .tracks import Tracks

__all__ = ["PickFault", "phantom_picks", "slipped_picks"]

FloatArray = NDArray[np.float64]

TURNED = 0.5
"""Of what a gap turns (see `_gap_turns`), in plain weave the whole way to the other shed. Picks of even plain weave stay below
0.2, below 0.4 where warp and weft change colours together, of even twills, baskets and satins below 0.2 of their part; where no yarn
lies between two picks it is 0.6 to 1.4."""
TURNED_PARTLY = 0.3
"""The same in other weaves, where even cloth stays below 0.2 and gaps reached 0.4 to 1: the picks beside a gap spread into it."""
PLAIN = 0.9  # of what a gap turns
LEAST_GAP_TURNS = 0.2  # a satin over eight turns a quarter
STEADY = 0.12  # of the same: robust standard deviation above which the picks are not told apart by it
UNSTEADY = 3 * STEADY  # above which not even gaps are told
FAINT = 0.5  # likeness of a pick: clear ones have about 4, one placed by its neighbours has less than 0
CLEAR = 1.5
CLOSE, APART = (
    1.1,
    1.35,
)  # spacings between two picks of one shed: beaten together, or with room for one left out


@dataclass(frozen=True, slots=True, kw_only=True)
class PickFault:
    """One pick missed or doubled, between the tracked picks `before` and `after`."""

    kind: Literal["missed-pick", "doubled-pick"]
    before: int
    after: int
    clearness: float


def phantom_picks(tracks: Tracks, crossings: Crossings) -> NDArray[np.int_]:
    """Return the tracked picks at which no yarn lies: gaps that a missed pick left in the rhythm.

    The tracking keeps the rhythm of the weave, so it puts a pick where one is missing. There the ends go on as they
    lie in the picks before and after, as if the pick lay in their shed.
    """
    return _phantoms(tracks, *_part_turned(crossings))


def _part_turned(crossings: Crossings) -> tuple[FloatArray, float, float]:
    """Return of what a gap turns how much every pick turns, its robust standard deviation, and what a gap turns."""
    part = _gap_turns(crossings)
    turned = crossings.pick_turned / part
    return turned, 1.4826 * float(np.median(np.abs(turned))), part


def _phantoms(tracks: Tracks, turned: FloatArray, scatter: float, part: float) -> NDArray[np.int_]:
    if scatter > UNSTEADY:
        return np.zeros(0, dtype=int)
    # Where crossings are hard to tell a gap must stand out from the other picks as far as where they are clear.
    least = (TURNED if part > PLAIN else TURNED_PARTLY) * max(1.0, scatter / STEADY)
    alone = (turned > least) & (tracks.picks.likeness < FAINT)
    alone[0] = alone[-1] = False
    beside = np.stack([turned[:-2], turned[2:]])
    alone[1:-1] &= (beside < TURNED / 2).all(axis=0)
    # Where pick after pick turns to and fro the sheds were read one pick on, as where colours change places.
    alone[1:-1] &= (np.abs(beside) < turned[1:-1] / 2).all(axis=0)
    return np.flatnonzero(alone)


def _gap_turns(crossings: Crossings) -> float:
    """Return how far a gap in place of a pick turns its crossings, on average over the ends: 1 in plain weave.

    In the gap an end lies half as in the pick before it and half as in the one after. In plain weave both are the other shed; in a
    twill one of them is, at every end.
    """
    side = crossings.side
    beside = (side[:-2] + side[2:]) / 2
    return max(LEAST_GAP_TURNS, float(np.median((1 - side[1:-1] * beside).mean(axis=1) / 2)))


def slipped_picks(tracks: Tracks, crossings: Crossings) -> tuple[PickFault, ...]:
    """Return what the picks themselves tell of picks missed or doubled.

    Besides phantom picks these are places where the rhythm of the weave repeats a pick: two picks of one shed beside
    each other, close together where the shed was not changed, apart where one was left out between them.
    """
    turned, scatter, part = _part_turned(crossings)
    likeness = tracks.picks.likeness
    found = [
        PickFault(kind="missed-pick", before=int(k) - 1, after=int(k) + 1, clearness=float(turned[k]))
        for k in _phantoms(tracks, turned, scatter, part)
    ]
    if scatter > STEADY:
        return tuple(found)
    place = tracks.picks.place_in_repeat
    spacing = np.diff(tracks.picks.positions_px)
    usual = local_median(spacing)
    for k in tracks.picks.slips:
        both = slice(k, k + 2)
        inner = 1 < k < len(spacing) - 2
        same = place[k] == place[k + 1]
        if not (inner and same) or likeness[both].min() < CLEAR or turned[both].max() > TURNED / 2:
            continue
        ratio = float(spacing[k] / usual[k])
        if ratio < CLOSE:
            found.append(PickFault(kind="doubled-pick", before=k, after=k + 1, clearness=ratio))
        elif ratio > APART:
            found.append(PickFault(kind="missed-pick", before=k, after=k + 1, clearness=ratio))
    return tuple(found)
