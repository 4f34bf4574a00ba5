"""Several photos along one long band, joined into one by the picks they share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..calibration.errors import RefusedError
from ..calibration.printed_card import rail_position_mm
from .same_sample import differences
from .sett import SettMeasurement
from .stations import BandTrace

__all__ = ["Placed", "join_traces", "rail_start_mm", "refuse_another_band"]

FloatArray = NDArray[np.float64]

PLACE_DOUBT_MM = 10.0  # a rule laid along a band by hand
LEAST_SHARED = 6  # picks; fewer fit by chance
LEAST_Z = 2.5  # Fisher's z of the correlation of the shared spacings, in standard deviations
LEAST_LEAD = 1.0  # by which the best number of shared picks must beat the others
LEAST_ALONG_RAIL = 0.7  # cosine of the angle between band and rail
EDGE_PICKS = 2  # the outermost picks of a photo are placed less surely


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """Where one photo lies along the band.

    Attributes
    ----------
    photo : str
    start_mm : float
        Place of its first pick on the joined band.
    moved_mm : float
        By how much the shared picks moved it from the place given.
    overlap_picks : int or None
        Picks shared with the photo before; None for the first, 0 where the photos do not overlap.
    by_picks : bool
        The shared picks settled the place; False where they were too alike or too few and the place given was kept.
    """

    photo: str
    start_mm: float
    moved_mm: float
    overlap_picks: int | None
    by_picks: bool = True


def rail_start_mm(measurement: SettMeasurement, trace: BandTrace) -> tuple[float, float]:
    """Return the position on the rail of the first pick, and +1 or -1: the way the band runs against the rail.

    Raises
    ------
    ValueError
        If the photo's scale does not come from a rail.
    RefusedError
        ``band-across-rail`` when the picks were followed along the rail instead of across it.
    """
    v = trace.origin_v_mm + np.array([0.0, trace.length_mm]) / trace.length_factor
    points = measurement.patch.frame.to_plane(np.column_stack([np.zeros(2), v]))
    first, last = rail_position_mm(measurement.plane, points).tolist()
    if abs(last - first) < LEAST_ALONG_RAIL * trace.length_mm / trace.length_factor:
        raise RefusedError(
            "band-across-rail",
            f"In {trace.photo} the band was taken to run across the rail and not along it.",
            "Lay the rail along the band and leave a finger's width of table free on both long sides of the band; "
            "if it fills the photo, say which way its warp runs with --warp.",
        )
    return float(first), 1.0 if last > first else -1.0


def refuse_another_band(first: SettMeasurement, second: SettMeasurement, placed: Placed) -> None:
    """Refuse to join photos that show two different bands; shared picks that settled the place prove one.

    Raises
    ------
    RefusedError
        ``different-bands``.
    """
    reasons = () if placed.by_picks and placed.overlap_picks else differences(first, second)
    if reasons:
        names = first.result.photo, second.result.photo
        raise RefusedError(
            "different-bands",
            f"{names[0]} and {names[1]} seem to show two different bands: {'; '.join(reasons)}.",
            "Give photos of one band, or leave out --start-at to set different bands beside each other.",
        )


def join_traces(
    traces: Sequence[BandTrace], starts_mm: Sequence[float], *, doubt_mm: float = PLACE_DOUBT_MM
) -> tuple[BandTrace, tuple[Placed, ...]]:
    """Join photos of one band.

    Parameters
    ----------
    traces : sequence of BandTrace
        One for each photo, all running the same way.
    starts_mm : sequence of float
        About where the first pick of each lies along the band.
    doubt_mm : float
        How far a photo may be moved to make its picks fall on those of the photo before.

    Returns
    -------
    BandTrace
        The joined band, counted from the first pick of the first photo.
    tuple of Placed
        In the order along the band.

    Raises
    ------
    RefusedError
        ``photos-apart`` when cloth lies between two photos that neither shows.

    Notes
    -----
    Two photos overlap in as many picks as makes the distances from pick to pick agree best (correlation), among the numbers
    that the places given allow. The joined band changes from one photo to the next in the middle of what they share.
    """
    order = np.argsort(np.asarray(starts_mm), kind="stable").tolist()
    whole = traces[order[0]]
    origin = float(starts_mm[order[0]])
    placed = [Placed(photo=whole.photo, start_mm=0.0, moved_mm=0.0, overlap_picks=None)]
    for k in order[1:]:
        given = float(starts_mm[k]) - origin
        trace = traces[k]
        shift, shared, sure = _place(whole, trace, given, doubt_mm)
        if shared == 0 and shift > whole.pick_mm[-1] + 2.5 * float(np.median(whole.spacings_mm)):
            raise RefusedError(
                "photos-apart",
                f"Between {whole.photo} and {trace.photo} lie about {shift - whole.pick_mm[-1]:.0f} mm of band that no "
                "photo shows.",
                "Take photos that overlap by at least 20 mm, or measure the parts one by one.",
            )
        whole = _append(whole, trace, shift, shared)
        placed.append(
            Placed(
                photo=trace.photo, start_mm=shift, moved_mm=shift - given, overlap_picks=shared, by_picks=sure
            )
        )
    return whole, tuple(placed)


def _place(whole: BandTrace, trace: BandTrace, given: float, doubt_mm: float) -> tuple[float, int, bool]:
    """Return the place of the first pick of `trace` on `whole`, the picks they share, and whether these settled it."""
    tried: list[tuple[float, float, int]] = []
    nearest: tuple[float, int] | None = None
    for first in range(max(0, len(whole.pick_mm) - len(trace.pick_mm)), len(whole.pick_mm)):
        shared = len(whole.pick_mm) - first
        mine, theirs = whole.pick_mm[first:], trace.pick_mm[:shared]
        inner = slice(EDGE_PICKS, shared - EDGE_PICKS) if shared > 3 * EDGE_PICKS else slice(None)
        shift = float(np.median((mine - theirs)[inner]))
        if nearest is None or abs(shift - given) < abs(nearest[0] - given):
            nearest = (shift, shared)
        a, b = np.diff(mine[inner]), np.diff(theirs[inner])
        if abs(shift - given) > doubt_mm or shared < LEAST_SHARED or len(a) < 5 or min(a.std(), b.std()) == 0:
            continue
        likeness = float(np.clip(np.corrcoef(a, b)[0, 1], -0.999, 0.999))
        tried.append((float(np.arctanh(likeness)) * (len(a) - 3) ** 0.5, shift, shared))
    tried.sort(reverse=True)
    if tried and tried[0][0] >= LEAST_Z and (len(tried) < 2 or tried[0][0] - tried[1][0] >= LEAST_LEAD):
        return tried[0][1], tried[0][2], True
    pitch = float(np.median(whole.spacings_mm))
    if nearest is not None and abs(nearest[0] - given) < 0.75 * pitch:
        return nearest[0], nearest[1], False
    return given, 0, False


def _append(whole: BandTrace, trace: BandTrace, shift: float, shared: int) -> BandTrace:
    """Return `whole` continued by `trace`, changed over in the middle of what they share."""
    if shared:
        keep = len(whole.pick_mm) - shared // 2
        skip = shared - shared // 2
    else:
        pitch = float(np.median(whole.spacings_mm))
        skip = int(np.searchsorted(trace.pick_mm + shift, whole.pick_mm[-1] + 0.6 * pitch))
        keep = len(whole.pick_mm)
    seam = float(whole.pick_mm[keep - 1])
    before, after = whole.edge_mm <= seam, trace.edge_mm + shift > seam
    # Across the warp every photo has its own middle; the second is moved so that the band goes on straight.
    across = _across_shift(whole, trace, shift, seam)
    edges, strength, support = _joined_sheds(whole, trace, shift, seam)
    end_u, end_v = _joined_ends(whole, trace, shift, across)
    return replace(
        whole,
        pick_mm=np.concatenate([whole.pick_mm[:keep], trace.pick_mm[skip:] + shift]),
        inferred=np.concatenate([whole.inferred[:keep], trace.inferred[skip:]]),
        pick_u_mm=np.concatenate([whole.pick_u_mm[:keep], trace.pick_u_mm[skip:] + across]),
        pick_v_mm=np.concatenate([whole.pick_v_mm[:keep], trace.pick_v_mm[skip:] + shift]),
        edge_mm=np.concatenate([whole.edge_mm[before], trace.edge_mm[after] + shift]),
        left_mm=np.concatenate([whole.left_mm[before], trace.left_mm[after] + across]),
        right_mm=np.concatenate([whole.right_mm[before], trace.right_mm[after] + across]),
        shed_edge_mm=edges,
        shed_strength=strength,
        shed_support=support,
        streaks=np.concatenate(
            [
                whole.streaks[whole.streaks[:, 0] <= seam],
                (trace.streaks + np.array([shift, shift, across, 0.0]))[trace.streaks[:, 0] + shift > seam],
            ]
        ),
        cover_mm=np.concatenate(
            [whole.cover_mm[whole.cover_mm <= seam], (trace.cover_mm + shift)[trace.cover_mm + shift > seam]]
        ),
        cover_share=np.concatenate(
            [whole.cover_share[whole.cover_mm <= seam], trace.cover_share[trace.cover_mm + shift > seam]]
        ),
        spots=(
            *(spot for spot in whole.spots if spot.at_mm <= seam),
            *(
                replace(spot, at_mm=spot.at_mm + shift, across_mm=spot.across_mm + across)
                for spot in trace.spots
                if spot.at_mm + shift > seam
            ),
        ),
        end_u_mm=end_u,
        end_v_mm=end_v,
    )


def _joined_sheds(
    whole: BandTrace, trace: BandTrace, shift: float, seam_mm: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Shed edges, strength and support of the joined band; empty where one of the photos shows none."""
    if not len(whole.shed_strength) or not len(trace.shed_strength):
        return np.zeros(0), np.zeros(0), np.zeros((0, 0))
    half = 0.5 * float(np.median(np.diff(whole.shed_edge_mm)))
    seam = max(1, int(np.searchsorted(whole.shed_edge_mm, seam_mm)))
    # The first shed edge of the second photo that lies clearly behind the last one kept of the first.
    skip = int(np.searchsorted(trace.shed_edge_mm + shift, float(whole.shed_edge_mm[seam - 1]) + half))
    ours, theirs = whole.shed_support, trace.shed_support
    rows = min(len(ours), len(theirs))
    # The support keeps one sign along a photo; which of the two is arbitrary.
    turn = np.sign(np.mean(ours[:rows], axis=1) * np.mean(theirs[:rows], axis=1))[:, None]
    return (
        np.concatenate([whole.shed_edge_mm[:seam], trace.shed_edge_mm[skip:] + shift]),
        np.concatenate([whole.shed_strength[:seam], trace.shed_strength[skip:]]),
        np.concatenate([ours[:rows, :seam], turn * theirs[:rows, skip:]], axis=1),
    )


def _joined_ends(
    whole: BandTrace, trace: BandTrace, shift: float, across: float
) -> tuple[FloatArray, FloatArray]:
    """Go on with the ends where both photos show the same number of them; else keep those of the first."""
    if len(whole.end_u_mm) != len(trace.end_u_mm):
        return whole.end_u_mm, whole.end_v_mm
    u = np.concatenate([whole.end_u_mm, trace.end_u_mm + across], axis=1)
    v = np.concatenate([whole.end_v_mm, trace.end_v_mm + shift], axis=1)
    order = np.argsort(v.mean(axis=0), kind="stable")
    return u[:, order], np.sort(v, axis=1)


def _across_shift(whole: BandTrace, trace: BandTrace, shift: float, seam: float) -> float:
    if not len(whole.edge_mm) or not len(trace.edge_mm):
        return 0.0
    ours = np.interp(seam, whole.edge_mm, (whole.left_mm + whole.right_mm) / 2)
    theirs = np.interp(seam, trace.edge_mm + shift, (trace.left_mm + trace.right_mm) / 2)
    return float(ours - theirs)
