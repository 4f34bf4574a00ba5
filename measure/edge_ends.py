"""Ends beside a selvedge that lie much closer than the others: looked for where the outermost ends do not look like ends.

A weft pulled tight crowds the outermost ends to two thirds of their spacing and less (common practice). Looks of a thread are
learned from the whole width, so that ends so much narrower match them badly, and the tracking, which trusts spacings where looks
fail, steps over some. Stretched to the usual width they look like ends again, and only then are they believed.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from .comb import SAMPLE_WORTH
from .local_rhythm import even_rhythm, index_by_rhythm
from .track import SystemTrack, Tracks, track_threads

__all__ = ["follow_edges"]

OUTER = 3  # ends beside a selvedge that are looked at
UNLIKE = 0.0  # likeness below which an end was placed by its neighbours
ALIKE = 1.0  # likeness that every outer end must reach when stretched
CLOSER = 1.6  # ends in one usual spacing that are tried
STRETCHED = (3, 4)  # spacings beside the selvedge to which it is tried
HIDDEN = 1.0  # ends that may hide between the last of closer ones and the outline
GAIN = 5.0  # logarithm of the odds by which the looks must speak for it; crowded edges are the exception


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
        for count in STRETCHED:
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
        ends = even_rhythm(tracks.ends.centres_index)
        ends.rate[slice(-count, None) if far else slice(0, count)] = stretch
        guide = index_by_rhythm(ends, even_rhythm(tracks.picks.centres_index), tracks.threads)
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
