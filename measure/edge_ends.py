"""Ends beside a selvedge that lie closer than the others: followed again where the outermost ends do not look like ends.

A weft pulled tight crowds the outermost ends to two thirds of their spacing and less (common practice). Looks of a thread are
learned from the whole width, so that ends so much narrower match them badly, and the tracking, which trusts spacings where looks
fail, steps over some. Drawn to the spacing of the others they look like ends again: those that were followed show by how much
to draw out (`_drawn_level`), and where some were stepped over a usual crowding is tried (`_searched`) and believed only
when the ends it shows look like ends.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..calibration.ranks import median
from .comb import SAMPLE_WORTH, SLIP_COST
from .edge_piece import Cloth, cut_beside, follow_again, join
from .local_rhythm import LocalRhythm, even_rhythm
from .track import FAINT, FEWEST_PER_PLACE, rhythm_of
from .tracks import SystemTrack, Tracks

__all__ = ["follow_edges"]

OUTER = 3  # ends beside a selvedge that are looked at
UNLIKE = 0.0  # likeness below which an end was placed by its neighbours
DIMMER = 0.6  # share of the usual likeness below which an outer end may hide a closer one
NARROW = 0.85  # of the usual spacing, below which the outer ones are worth drawing out
SURE = 0.98  # probability of the count from which nothing is looked for
ALIKE = 1.0  # likeness that every outer end must reach when stretched
CLOSER = 1.6  # ends in one usual spacing that are tried
STRETCHED = 3  # spacings beside the selvedge to which it is tried
REACH = 6  # ends beside a selvedge that may be crowded
SEARCHES = 3  # times that more is looked for beside what was found
LEVELLED = 2  # times that what was followed is drawn level and followed again
HIDDEN = 1.0  # ends that may hide between the last of closer ones and the outline
GAIN = 5.0  # logarithm of the odds by which the looks must speak for it; crowded edges are the exception
# Ends and picks beside a selvedge on which more is looked for: enough to learn the looks of a thread from, and for a clear profile.
LEARNED, PICKS = 12, 48
FEW_PICKS = 24  # on which is first looked whether more ends show at all


def follow_edges(bgr: NDArray[np.uint8], mask: NDArray[np.bool_], tracks: Tracks) -> Tracks:
    """Follow the ends again where a selvedge leaves doubt, the outermost ones also as if they lay closer.

    Parameters
    ----------
    bgr : ndarray of uint8, shape (M, N, 3)
    mask : ndarray of bool, shape (M, N)
        As `track.track_threads` took them.
    tracks : Tracks
        What was found.

    Returns
    -------
    Tracks
        With more ends where those are believed; else with a doubt: the stretch that shows no ends may hold closer ones.
    """
    cloth = Cloth(bgr, mask)
    tracks = _drawn_level(cloth, tracks)
    for far in (False, True):
        if not _dim(tracks.ends, far):
            continue
        found = tracks if _faint(tracks.ends) else _searched(cloth, tracks, far)
        if found is not tracks:
            tracks = replace(found, ends=_doubted(found.ends, HIDDEN, tracks.ends.edge_std))
        elif float(_outer(tracks.ends, far)[:OUTER].min()) < UNLIKE:
            more = (CLOSER - 1.0) * _stretch(tracks.ends, far)
            tracks = replace(tracks, ends=_doubted(tracks.ends, more, tracks.ends.edge_std))
    return tracks


def _drawn_level(cloth: Cloth, tracks: Tracks) -> Tracks:
    """Follow all once more with the spacing of the ends followed drawn level, where some lie closer beside a selvedge.

    The looks of all ends together must not lose by it. Where hardly any end shows, looks decide nothing.
    """
    for round_ in range(LEVELLED):
        ends = tracks.ends
        sides = [far for far in (False, True) if _whole(ends, far)]
        settled = ends.probability >= SURE if round_ else not any(_close(ends, far) for far in sides)
        if not sides or settled or _faint(ends):
            break
        again = follow_again(cloth, tracks, even_rhythm(ends.centres_index))
        if _likeness(again.ends) < _likeness(ends) - GAIN:
            break
        tracks = again
    return tracks


def _likeness(ends: SystemTrack) -> float:
    return float(ends.likeness.sum())


def _searched(cloth: Cloth, tracks: Tracks, far: bool) -> Tracks:
    """Look for ends stepped over beside a selvedge; what was given where none are believed.

    They are looked for on a piece of the cloth, and what shows there is followed on the whole.
    """
    shown = _shown(tracks)
    # Where the stretch shows no more ends, what was followed need not be compared with it.
    drawn_out = cut_beside(cloth, tracks, far, ends=shown, picks=FEW_PICKS, rhythm=_drawn_out(tracks, far))
    if drawn_out.tracks.ends.count <= shown:
        return tracks
    piece = cut_beside(cloth, tracks, far, ends=shown, picks=PICKS)
    closest = _closest(piece.cloth, piece.tracks, far)
    if closest.ends.count <= shown:
        return tracks
    inner = _inner(tracks.ends)
    found = follow_again(cloth, tracks, join(tracks, replace(piece, tracks=closest), far))
    again = follow_again(cloth, found, even_rhythm(found.ends.centres_index))
    both = sorted((found, again), key=lambda one: _looks(one.ends, far, inner), reverse=True)
    return next((one for one in both if _believed(one.ends, tracks.ends, far)), tracks)


def _closest(cloth: Cloth, tracks: Tracks, far: bool) -> Tracks:
    """Follow the ends as if those beside a selvedge lay closer, and again beside what that showed."""
    inner = _inner(tracks.ends)
    for _ in range(SEARCHES):
        closer = _closer(cloth, tracks, far)
        gain = _looks(closer.ends, far, inner) - _looks(tracks.ends, far, inner)
        if closer.ends.count <= tracks.ends.count or gain <= 0:
            break
        tracks = closer
    return tracks


def _faint(ends: SystemTrack) -> bool:
    """Whether many of the ends away from the selvedges were placed by their neighbours."""
    return float((ends.likeness[REACH:-REACH] < UNLIKE).mean()) > FAINT


def _outer(track: SystemTrack, far: bool) -> NDArray[np.float64]:
    """Likeness from the outermost end inwards."""
    return track.likeness[::-1] if far else track.likeness


def _whole(ends: SystemTrack, far: bool) -> bool:
    """Whether the selvedge shows, and there are ends enough to learn from beside it."""
    return ("last-cut" if far else "first-cut") not in ends.flags and ends.count > 2 * REACH


def _dim(ends: SystemTrack, far: bool) -> bool:
    """Whether an outermost end at a selvedge is much less like an end than usual."""
    least = float(_outer(ends, far)[:OUTER].min()) if ends.count else 0.0
    return _whole(ends, far) and least < DIMMER * float(median(ends.likeness))


def _close(ends: SystemTrack, far: bool) -> bool:
    """Whether the outermost ends at a selvedge lie closer than the others."""
    spacing = np.diff(ends.positions_px)
    outer = spacing[-OUTER:] if far else spacing[:OUTER]
    return float(outer.mean()) < NARROW * ends.middle_pitch_px


def _looks(ends: SystemTrack, far: bool, inner: int) -> float:
    """Sum of the likeness of all but `inner` ends of the other side, less what jumps in the rhythm of the weave cost.

    What a usual end is worth differs between tracks: it is told by the `inner` ends, which are the same in all.
    """
    if ends.count <= inner:
        return -np.inf
    likeness = _outer(ends, far)
    usual = max(float(np.mean(likeness[-inner:])), ALIKE)
    jumps = SLIP_COST * len(ends.slips)
    return SAMPLE_WORTH * float(likeness[:-inner].sum()) / usual - jumps


def _believed(closer: SystemTrack, before: SystemTrack, far: bool) -> bool:
    if closer.count <= before.count or float(_outer(closer, far)[: OUTER + 1].min()) <= ALIKE:
        return False
    inner = _inner(before)
    return _looks(closer, far, inner) > _looks(before, far, inner) + GAIN


def _inner(ends: SystemTrack) -> int:
    """How many ends, from the other side, lie inside of all that may be stretched."""
    return ends.count - REACH - 2


def _closer(cloth: Cloth, tracks: Tracks, far: bool) -> Tracks:
    """Track from the stretched edge, and on from what that found as long as it gains: the stretch was a guess."""
    before, inner = tracks.ends.count, _inner(tracks.ends)
    closer = follow_again(cloth, tracks, _drawn_out(tracks, far))
    # Where the stretch shows no more ends there is nothing to follow once more.
    least = _looks(tracks.ends, far, inner) - GAIN
    for _ in range(LEVELLED):
        if closer.ends.count <= before or _looks(closer.ends, far, inner) < least:
            break
        again = follow_again(cloth, closer, even_rhythm(closer.ends.centres_index))
        if _looks(again.ends, far, inner) <= _looks(closer.ends, far, inner):
            break
        closer = again
    return closer


def _drawn_out(tracks: Tracks, far: bool) -> LocalRhythm:
    """Rhythm of the ends as if those beside a selvedge lay closer than they were followed."""
    rhythm = even_rhythm(tracks.ends.centres_index)
    rhythm.rate[slice(-STRETCHED, None) if far else slice(0, STRETCHED)] = CLOSER
    return rhythm


def _shown(tracks: Tracks) -> int:
    """How many ends beside a selvedge are enough to learn their looks from at every place in the rhythm of the weave."""
    node = rhythm_of(dict(tracks.nodes), min(tracks.ends.count, tracks.picks.count))
    return min(tracks.ends.count - 1, REACH + max(LEARNED, FEWEST_PER_PLACE * node[2]))


def _stretch(ends: SystemTrack, far: bool) -> float:
    """Spacings beside the selvedge in which no clear end was found."""
    clear = np.flatnonzero(_outer(ends, far) > ALIKE)
    return float(min(clear[0] if len(clear) else ends.count, REACH))


def _doubted(ends: SystemTrack, more: float, edge_std: float) -> SystemTrack:
    """Widen the doubt of the count by ends that there may be besides (any number alike: GUM 4.3.7)."""
    return replace(
        ends,
        count_high=ends.count_high + int(np.ceil(more - 0.5)),
        count_std=float(np.hypot(ends.count_std, more / np.sqrt(3.0))),
        edge_std=float(np.hypot(edge_std, more / np.sqrt(3.0))),
    )
