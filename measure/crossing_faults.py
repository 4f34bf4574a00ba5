"""What single crossings and picks of one photo show, put at its place along the band."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .crossings import Crossings
from .fault import Fault
from .floats import Of, ThreadFloat, find_floats
from .odd_spots import OddSpot, find_odd_spots
from .pick_faults import slipped_picks
from .streaks import EndStreak
from .tracks import Tracks

__all__ = ["crossing_faults"]

Box = tuple[int, int, int, int]  # first and last pick, first and last end

NEAR = 2  # crossings within which two findings are one


def crossing_faults(
    tracks: Tracks,
    crossings: Crossings,
    *,
    origin_px: float,
    u0_mm: float,
    mm_per_px: float,
    streaks: Sequence[EndStreak] = (),
    hidden: Of | None = None,
) -> tuple[tuple[Fault, ...], tuple[EndStreak, ...]]:
    """Find floats, holes, knots, slubs, and picks missed or doubled.

    Parameters
    ----------
    tracks : Tracks
    crossings : Crossings
        Of the same tracks.
    origin_px : float
        Patch row from which places along the warp count.
    u0_mm : float
        Place across the warp of patch column 0.
    mm_per_px : float
        Size of a patch pixel.
    streaks : sequence of EndStreak
        Slack or tight ends found by their light.
    hidden : {"end", "pick"}, optional
        The system that the other one covers, if it does.

    Returns
    -------
    faults : tuple of Fault
    streaks : tuple of EndStreak
        Those at other places: nothing is told twice.
    """
    spots = find_odd_spots(crossings)
    taken: list[Box] = []
    out = []

    def take(kind: str, box: Box, clearness: float) -> None:
        if not any(_meet(box, other) for other in taken):
            taken.append(box)
            out.append(_fault(kind, box, clearness, tracks, origin_px, u0_mm, mm_per_px))

    across = float(np.median(tracks.ends.positions_px))
    for slip in slipped_picks(tracks, crossings):
        low, high = tracks.picks.positions_px[[slip.before, slip.after]]
        out.append(
            Fault(
                kind=slip.kind,
                at_mm=float((low + high) / 2 - origin_px) * mm_per_px,
                across_mm=u0_mm + across * mm_per_px,
                size_mm=float(high - low) * mm_per_px,
                clearness=slip.clearness,
            )
        )
    # What is clearer in its kind comes first: a hole turns crossings too, a float shows as a streak, and all are odd.
    for spot in (s for s in spots if s.kind == "hole"):
        take(spot.kind, _spot_box(spot), spot.clearness)
    for one in find_floats(crossings, hidden):
        take(f"{one.of}-float", _float_box(one), one.clearness)
    boxes = {s: (s.first_pick, s.last_pick, s.end, s.end) for s in streaks}
    alone = tuple(s for s, box in boxes.items() if not any(_meet(box, other) for other in taken))
    taken.extend(boxes[s] for s in alone)
    for spot in (s for s in spots if s.kind != "hole"):
        take(spot.kind, _spot_box(spot), spot.clearness)
    return tuple(out), alone


def _spot_box(spot: OddSpot) -> Box:
    return (*spot.picks, *spot.ends)


def _float_box(one: ThreadFloat) -> Box:
    if one.of == "end":
        return (one.first, one.last, one.thread, one.thread)
    return (one.thread, one.thread, one.first, one.last)


def _meet(a: Box, b: Box) -> bool:
    return a[0] <= b[1] + NEAR and b[0] <= a[1] + NEAR and a[2] <= b[3] + NEAR and b[2] <= a[3] + NEAR


def _fault(
    kind: str, box: Box, clearness: float, tracks: Tracks, origin_px: float, u0_mm: float, mm_per_px: float
) -> Fault:
    """Give a box of crossings its place and size, half a thread added on every side."""
    threads = tracks.threads
    ends = tracks.ends.centres_index[[box[2], box[3]]] + threads.first_end
    picks = tracks.picks.centres_index[[box[0], box[1]]] + threads.first_pick
    x, y = threads.to_patch(np.array([*ends, *ends]), np.array([picks[0], picks[0], picks[1], picks[1]]))
    along = float(y[2:].mean() - y[:2].mean()) + tracks.picks.pitch_px
    across = float(x[1::2].mean() - x[::2].mean()) + tracks.ends.pitch_px
    return Fault(
        kind=kind,
        at_mm=(float(y.mean()) - origin_px) * mm_per_px,
        across_mm=u0_mm + float(x.mean()) * mm_per_px,
        size_mm=along * mm_per_px,
        clearness=clearness,
        across_size_mm=across * mm_per_px,
    )
