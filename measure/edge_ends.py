"""Ends beside a selvedge that lie much closer than the others: looked for where the outermost ends do not look like ends.

A weft pulled tight crowds the outermost ends to two thirds of their spacing and less (common practice). Looks of a thread are
learned from the whole width, so that ends so much narrower match them badly, and the tracking, which trusts spacings where looks
fail, steps over some. Stretched to the usual width they look like ends again, and only then are they believed.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from .cloth_edge import cloth_span
from .comb import SAMPLE_WORTH, Comb
from .local_rhythm import LocalRhythm, even_rhythm, index_by_rhythm
from .phase import PX_PER_THREAD, feature_planes, lattice_picture
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
ALIKE = 1.0  # likeness that every outer end must reach when stretched
CLOSER = 1.6  # ends in one usual spacing that are tried
STRETCHED = (3, 4)  # spacings beside the selvedge to which it is tried
HIDDEN = 1.0  # ends that may hide between the last of closer ones and the outline
GAIN = 5.0  # logarithm of the odds by which the looks must speak for it; crowded edges are the exception
# The first, quick look: enough ends to learn their looks from, and picks enough for a clear profile.
LEARNED, PICKS = 10, 48


def follow_edges(bgr: NDArray[np.uint8], mask: NDArray[np.bool_], tracks: Tracks) -> Tracks:
    """Follow the outermost ends again as if they lay closer, on sides where they do not look like ends.

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
    for far in (False, True):
        if not _unlike(tracks.ends, far):
            continue
        best = tracks
        for count in STRETCHED if _may_hold_more(bgr, mask, tracks, far) else ():
            closer = _closer(bgr, mask, tracks, far, count)
            if _believed(closer.ends, tracks.ends, far) and _looks(closer.ends) > _looks(best.ends):
                best = closer
        found = best is not tracks
        more = HIDDEN if found else (CLOSER - 1.0) * _stretch(tracks.ends, far)
        tracks = replace(best, ends=_doubted(best.ends, more, tracks.ends.edge_std))
    return tracks


def _outer(track: SystemTrack, far: bool) -> NDArray[np.float64]:
    """Likeness from the outermost end inwards."""
    return track.likeness[::-1] if far else track.likeness


def _unlike(ends: SystemTrack, far: bool) -> bool:
    cut = ("last-cut" if far else "first-cut") in ends.flags
    return not cut and ends.count > 2 * max(STRETCHED) and float(_outer(ends, far)[:OUTER].min()) < UNLIKE


def _looks(ends: SystemTrack) -> float:
    """Sum of the likeness of all ends, each in units of a usual one: what a usual one is worth differs between tracks."""
    if not ends.count:
        return -np.inf
    usual = max(float(np.median(ends.likeness)), ALIKE)
    return SAMPLE_WORTH * float((ends.likeness / usual).sum())


def _believed(closer: SystemTrack, before: SystemTrack, far: bool) -> bool:
    more = closer.count > before.count and float(_outer(closer, far)[: OUTER + 1].min()) > ALIKE
    return more and _looks(closer) > _looks(before) + GAIN


def _closer(bgr: NDArray[np.uint8], mask: NDArray[np.bool_], tracks: Tracks, far: bool, count: int) -> Tracks:
    """Track from the stretched edge, and once more from what that found: the stretch was a guess."""
    before = tracks.ends.count
    for stretch in (CLOSER, 1.0):
        guide = index_by_rhythm(
            _stretched(tracks.ends, far, count, stretch),
            even_rhythm(tracks.picks.centres_index),
            tracks.threads,
        )
        tracks = track_threads(
            bgr,
            mask,
            pitch_x_px=tracks.ends.middle_pitch_px,
            pitch_y_px=tracks.picks.pitch_px,
            guide=(tracks.threads, guide),
        )
        # Where the stretch shows no more ends there is nothing to follow once more.
        if tracks.picks.count == 0 or tracks.ends.count <= before:
            break
    return tracks


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
