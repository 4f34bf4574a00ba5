"""Ends beside a selvedge that lie closer than the others: followed again where the outermost ends do not look like ends.

A weft pulled tight crowds the outermost ends to two thirds of their spacing and less (common practice). Looks of a thread are
learned from the whole width, so that ends so much narrower match them badly, and the tracking, which trusts spacings where looks
fail, steps over some. Drawn to the spacing of the others they look like ends again: those that were followed show by how much
to draw out (`_drawn_level`), and where some were stepped over a usual crowding is tried (`_searched`) and believed only
when the ends it shows look like ends.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from .cloth_edge import cloth_span
from .comb import SAMPLE_WORTH, SLIP_COST, Comb
from .local_rhythm import LocalRhythm, even_rhythm, index_by_rhythm
from .phase import PX_PER_THREAD, FloatPlane, feature_planes, lattice_picture
from .thread_picture import IndexField, ThreadPicture, resample_on_threads
from .track import (
    ENOUGH,
    FEWEST_PER_PLACE,
    KEPT_BEYOND,
    MARGIN_THREADS,
    SystemTrack,
    Tracks,
    end_costs,
    place_threads,
    rhythm_of,
    spacing_sigma,
    thread_profile,
    track_threads,
)

__all__ = ["follow_edges"]

OUTER = 3  # ends beside a selvedge that are looked at
UNLIKE = 0.0  # likeness below which an end was placed by its neighbours
DIMMER = 0.6  # share of the usual likeness below which an outer end may hide a closer one
NARROW = 0.85  # of the usual spacing, below which the outer ones are worth drawing out
SURE = 0.98  # probability of the count from which nothing is looked for
ALIKE = 1.0  # likeness that every outer end must reach when stretched
CLOSER = 1.6  # ends in one usual spacing that are tried
STRETCHED = (3, 4, 6)  # spacings beside the selvedge to which it is tried
SEARCHES = 2  # times that more is looked for beside what was found
WANDER_REACH = 10.0  # ends that go along with the outline
WANDER_SMOOTH = 2.5  # picks over which the outline is smoothed (standard deviation)
LEVELLED = 2  # times that what was followed is drawn level and followed again
HIDDEN = 1.0  # ends that may hide between the last of closer ones and the outline
GAIN = 5.0  # logarithm of the odds by which the looks must speak for it; crowded edges are the exception
# The first, quick look: enough ends to learn their looks from, and picks enough for a clear profile.
LEARNED, PICKS = 10, 48


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
    tracks = _drawn_level(bgr, mask, tracks)
    for far in (False, True):
        if not _dim(tracks.ends, far):
            continue
        found = tracks if "faint" in tracks.ends.flags else _searched(bgr, mask, tracks, far)
        if found is not tracks:
            tracks = replace(found, ends=_doubted(found.ends, HIDDEN, tracks.ends.edge_std))
        elif float(_outer(tracks.ends, far)[:OUTER].min()) < UNLIKE:
            more = (CLOSER - 1.0) * _stretch(tracks.ends, far)
            tracks = replace(tracks, ends=_doubted(tracks.ends, more, tracks.ends.edge_std))
    return tracks


def _drawn_level(bgr: NDArray[np.uint8], mask: NDArray[np.bool_], tracks: Tracks) -> Tracks:
    """Follow all once more with the spacing of the ends followed drawn level, where a selvedge leaves doubt.

    The looks of all ends together must not lose by it. Where hardly any end shows, looks decide nothing.
    """
    for round_ in range(LEVELLED):
        ends = tracks.ends
        sides = [far for far in (False, True) if _whole(ends, far)]
        settled = ends.probability >= SURE if round_ else not any(_close(ends, far) for far in sides)
        if not sides or settled or "faint" in ends.flags:
            break
        again = _followed(bgr, mask, tracks, even_rhythm(ends.centres_index))
        if _likeness(again.ends) < _likeness(ends) - GAIN:
            break
        tracks = again
    return tracks


def _likeness(ends: SystemTrack) -> float:
    return float(ends.likeness.sum())


def _searched(bgr: NDArray[np.uint8], mask: NDArray[np.bool_], tracks: Tracks, far: bool) -> Tracks:
    """Look for ends stepped over beside a selvedge; what was given where none are believed."""
    best = believed = tracks
    inner = _inner(tracks.ends)
    for _ in range(SEARCHES):
        found = best
        for count in STRETCHED if _may_hold_more(bgr, mask, best, far) else ():
            closer = _closer(bgr, mask, best, far, count)
            more = closer.ends.count > best.ends.count
            if more and _looks(closer.ends, far, inner) > _looks(found.ends, far, inner):
                found = closer
        if found is best:
            break
        best = found
        if _believed(best.ends, tracks.ends, far):
            believed = best
    return believed


def _outer(track: SystemTrack, far: bool) -> NDArray[np.float64]:
    """Likeness from the outermost end inwards."""
    return track.likeness[::-1] if far else track.likeness


def _whole(ends: SystemTrack, far: bool) -> bool:
    """Whether the selvedge shows, and there are ends enough to learn from beside it."""
    return ("last-cut" if far else "first-cut") not in ends.flags and ends.count > 2 * max(STRETCHED)


def _dim(ends: SystemTrack, far: bool) -> bool:
    """Whether an outermost end at a selvedge is much less like an end than usual."""
    least = float(_outer(ends, far)[:OUTER].min()) if ends.count else 0.0
    return _whole(ends, far) and least < DIMMER * float(np.median(ends.likeness))


def _close(ends: SystemTrack, far: bool) -> bool:
    """Whether the outermost ends at a selvedge lie closer than the others, or are less like ends."""
    spacing = np.diff(ends.positions_px)
    outer = spacing[-OUTER:] if far else spacing[:OUTER]
    return float(outer.mean()) < NARROW * ends.middle_pitch_px or _dim(ends, far)


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
    return ends.count - max(STRETCHED) - 2


def _closer(bgr: NDArray[np.uint8], mask: NDArray[np.bool_], tracks: Tracks, far: bool, count: int) -> Tracks:
    """Track from the stretched edge, and on from what that found as long as it gains: the stretch was a guess."""
    before, inner = tracks.ends.count, _inner(tracks.ends)
    closer = _followed(bgr, mask, tracks, _stretched(tracks.ends, far, count, CLOSER))
    # Where the stretch shows no more ends there is nothing to follow once more.
    least = _looks(tracks.ends, far, inner) - GAIN
    for _ in range(LEVELLED):
        if closer.ends.count <= before or _looks(closer.ends, far, inner) < least:
            break
        again = _followed(bgr, mask, closer, even_rhythm(closer.ends.centres_index))
        if _looks(again.ends, far, inner) <= _looks(closer.ends, far, inner):
            break
        closer = again
    return closer


def _followed(bgr: NDArray[np.uint8], mask: NDArray[np.bool_], tracks: Tracks, ends: LocalRhythm) -> Tracks:
    """Follow all threads again, setting out from a rhythm of the ends."""
    guide = index_by_rhythm(ends, even_rhythm(tracks.picks.centres_index), tracks.threads)
    guide = replace(guide, end_index=guide.end_index - _edge_wander(tracks, guide.cloth.shape))
    return track_threads(
        bgr,
        mask,
        pitch_x_px=tracks.ends.middle_pitch_px,
        pitch_y_px=tracks.picks.pitch_px,
        guide=(tracks.threads, guide),
        picks=tracks.picks,
    )


def _edge_wander(tracks: Tracks, shape: tuple[int, ...]) -> FloatPlane:
    """How far the outline lies farther out than it mostly does beside ends (positive towards the last), at every thread.

    The phase that straightened the cloth is smoothed over several threads and has less to go by at the edge; the outline
    shows how the outermost ends go on.
    """
    k = PX_PER_THREAD
    rows, columns = shape
    cloth = tracks.threads.picture.cloth
    ends, picks = tracks.ends.centres_index, tracks.picks.centres_index
    row = np.arange(rows)
    inside = np.flatnonzero((row > picks[0] + 1) & (row < picks[-1] - 1))
    shift = np.zeros(shape, np.float32)
    if len(inside) < FEWEST_PER_PLACE:
        return shift
    middle = cloth.shape[1] // 2
    for far, name in ((False, "first-cut"), (True, "last-cut")):
        if name in tracks.ends.flags:
            continue
        half = cloth[:, middle:] if far else cloth[:, :middle]
        reach = half.sum(axis=1, dtype=np.float32)[inside[0] * k : inside[-1] * k + 1] / k
        reach = cv2.GaussianBlur(reach[:, None], (1, 0), sigmaX=1, sigmaY=WANDER_SMOOTH * k)[::k, 0]
        beyond = np.interp(row, inside, reach)
        beyond -= np.median(beyond[inside])
        inwards = ends[-1] - np.arange(columns) if far else np.arange(columns) - ends[0]
        share = np.clip(1.0 - inwards / WANDER_REACH, 0.0, 1.0)
        shift += np.outer(beyond if far else -beyond, share).astype(np.float32)
    return shift


def _stretched(ends: SystemTrack, far: bool, count: int, stretch: float) -> LocalRhythm:
    rhythm = even_rhythm(ends.centres_index)
    rhythm.rate[slice(-count, None) if far else slice(0, count)] = stretch
    return rhythm


def _may_hold_more(bgr: NDArray[np.uint8], mask: NDArray[np.bool_], tracks: Tracks, far: bool) -> bool:
    """Look quickly whether the widest stretch shows more ends than were followed there.

    Only the outermost ends and the middle picks are taken, and what is stretched is read as it comes, without finding the thread
    index anew. Of drawn selvedges crowded to between 0.5 and 0.8 of the spacing it passed over none that `_closer` believes.
    """
    count = max(STRETCHED)
    ends = tracks.ends
    node = rhythm_of(dict(tracks.nodes), min(ends.count, tracks.picks.count))
    shown = min(ends.count, count + max(LEARNED, FEWEST_PER_PLACE * node[2]))
    outer = slice(-shown, None) if far else slice(0, shown)
    rhythm = _stretched(ends, far, count, CLOSER)
    field = index_by_rhythm(rhythm, even_rhythm(tracks.picks.centres_index), tracks.threads)
    threads = _straightened_part(bgr, mask, tracks, _only(field, tracks, outer))
    index = rhythm.passed[outer] - threads.first_end
    known = slice(1, -count) if far else slice(count, -1)
    comb = _comb_from(threads, index[known], ends.place_in_repeat[outer][known], node, far)
    # The end beside the stretched ones, and all that lie farther out.
    last = index[-count - 1] if far else index[count]
    found = comb.centres / PX_PER_THREAD
    return int(np.count_nonzero(found > last - 0.5 if far else found < last + 0.5)) > count + 1


def _only(field: IndexField, tracks: Tracks, outer: slice) -> IndexField:
    """Leave of the cloth nothing but some ends and the middle picks."""
    ends, picks = tracks.ends.centres_index[outer], tracks.picks.centres_index
    first = max(0, (len(picks) - PICKS) // 2)
    picks = picks[first : first + PICKS]
    kept = np.zeros_like(field.cloth)
    # What lies beyond the outermost end is kept: the cloth ends there.
    left = 0 if outer.start == 0 else int(np.floor(ends[0]))
    right = field.cloth.shape[1] if outer.stop is None else int(np.ceil(ends[-1])) + 1
    part = slice(int(picks[0]), int(np.ceil(picks[-1])) + 1), slice(left, right)
    kept[part] = field.cloth[part]
    return replace(field, cloth=kept)


def _straightened_part(
    bgr: NDArray[np.uint8], mask: NDArray[np.bool_], tracks: Tracks, field: IndexField
) -> ThreadPicture:
    """Straighten that part of the patch where the field holds cloth."""
    pitch = tracks.ends.middle_pitch_px, tracks.picks.pitch_px
    rows, columns = (np.flatnonzero(field.cloth.any(axis=axis)) for axis in (1, 0))
    inside = slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1)
    grids = (tracks.threads.grid_x_px, tracks.threads.grid_y_px)
    window, corner = [], []
    for grid, spacing, extent in zip(grids, pitch, mask.shape[::-1], strict=True):
        beyond = (MARGIN_THREADS + 2) * spacing
        low = int(np.clip(grid[inside].min() - beyond, 0, extent - 2))
        high = int(np.clip(grid[inside].max() + beyond, low + 2, extent))
        window.append(slice(low, high))
        corner.append(np.float32(low))
    part = window[1], window[0]
    source = lattice_picture(
        np.ascontiguousarray(bgr[part]),
        np.ascontiguousarray(mask[part]),
        pitch_x_px=pitch[0],
        pitch_y_px=pitch[1],
    )
    before = replace(tracks.threads, grid_x_px=grids[0] - corner[0], grid_y_px=grids[1] - corner[1])
    return resample_on_threads(source, field, previous=before, margin=MARGIN_THREADS)


def _comb_from(
    threads: ThreadPicture,
    index: NDArray[np.float64],
    places: NDArray[np.int_],
    node: tuple[int, int, int],
    far: bool,
) -> Comb:
    """Place the ends of a part of the cloth, from those known at some indices of its grid to the selvedge."""
    k = PX_PER_THREAD
    reach = 2 * KEPT_BEYOND * k + 1
    cloth = threads.picture.cloth
    wide = np.asarray(cv2.dilate(cloth, np.ones((reach, reach), np.uint8)), dtype=np.float32)
    planes = feature_planes(threads.picture, keep=wide)
    profile, _ = thread_profile(planes, wide, 0, node[1] / node[2])
    size = profile.shape[1]
    costs = list(end_costs(threads, 0, (far, not far))[:2])
    # The chain sets out from the innermost end that is known.
    innermost = index[0 if far else -1] * k
    costs[0 if far else 1] = np.where(np.abs(np.arange(size) - innermost) > k / 2, np.inf, 0.0)
    low, high = cloth_span(cloth, 0)
    sigma = spacing_sigma(size, (low, 2 * size) if not far else (-size, high))
    return place_threads(
        profile,
        (index * k, places),
        node[2],
        ends=(costs[0], costs[1]),
        sigma=sigma,
        enough=ENOUGH["ends"],
    )


def _stretch(ends: SystemTrack, far: bool) -> float:
    """Spacings beside the selvedge in which no clear end was found."""
    clear = np.flatnonzero(_outer(ends, far) > ALIKE)
    return float(min(clear[0] if len(clear) else ends.count, max(STRETCHED)))


def _doubted(ends: SystemTrack, more: float, edge_std: float) -> SystemTrack:
    """Widen the doubt of the count by ends that there may be besides (any number alike: GUM 4.3.7)."""
    return replace(
        ends,
        count_high=ends.count_high + int(np.ceil(more - 0.5)),
        count_std=float(np.hypot(ends.count_std, more / np.sqrt(3.0))),
        edge_std=float(np.hypot(edge_std, more / np.sqrt(3.0))),
    )
