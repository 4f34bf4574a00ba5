"""From picks followed to picks woven: gaps taken for picks go out, picks passed over whose shed shows come in.

Every command that tells the picks of a sample takes them from here, so that they agree. Of a picture that is all cloth both `sett`
and `evenness` take the picks followed: it has no total that a mend could set right, and one put in wrongly moves its density.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from .crossings import Crossings, read_crossings
from .pick_faults import FAINT, phantom_picks
from .results import WeaveReading
from .sheds import ShedRuns, local_median, read_sheds
from .tracks import SystemTrack, Tracks, doubt_count

__all__ = ["followed_picks", "mend_picks", "sheds_of", "woven_picks", "woven_track"]

FloatArray = NDArray[np.float64]

GAP_WITH_ROOM = 1.35  # spacings: a gap as wide as this has room for a pick that was not followed
HIDDEN_RUN = 0.5  # of the usual shed: the least that a pick not followed shows
SAME_PLACE = 0.5  # spacings
MENDED_U = 0.3  # picks; one mend in ten wrong would scatter so (eight of eight were right in rendered bands with faults)


def sheds_of(tracks: Tracks, weave: WeaveReading) -> ShedRuns | None:
    """Read the sheds where the weave shows them.

    Only in plain weave do neighbouring ends alternate; under a cover of weft they do not show.
    """
    plain = weave.name in ("plain", "unknown") and weave.face != "weft-faced"
    return read_sheds(tracks) if plain and weave.repeat_picks in (2, None) else None


def followed_picks(tracks: Tracks) -> tuple[FloatArray, FloatArray, FloatArray, NDArray[np.bool_]]:
    """Return the picks as they were followed, in the form of `mend_picks`; none is inferred."""
    picks = tracks.picks
    return picks.positions_px, picks.lines_px, picks.stations_px, np.zeros(picks.count, dtype=bool)


def woven_picks(
    tracks: Tracks, crossings: Crossings | None, sheds: ShedRuns | None
) -> tuple[FloatArray, FloatArray, FloatArray, NDArray[np.bool_]]:
    """Return the picks that lie in the cloth.

    Parameters
    ----------
    tracks : Tracks
    crossings : Crossings or None
        Tell of picks at which no yarn lies; None where they cannot.
    sheds : ShedRuns or None
        Tell of picks that were passed over; None where they cannot.

    Returns
    -------
    picks_px, lines_px, stations_px, inferred
        As `mend_picks` returns them.
    """
    real = np.ones(tracks.picks.count, dtype=bool)
    if crossings is not None:
        real[phantom_picks(tracks, crossings)] = False
    picks_px, lines_px = tracks.picks.positions_px[real], tracks.picks.lines_px[real]
    stations_px = tracks.picks.stations_px[real]
    if sheds is None:
        return picks_px, lines_px, stations_px, np.zeros(len(picks_px), dtype=bool)
    picks_px, lines_px, stations_px, inferred = mend_picks(picks_px, lines_px, stations_px, sheds)
    # Where the crossings show that no yarn lies a shed was read wrongly.
    gaps_px = tracks.picks.positions_px[~real]
    from_gap = np.abs(picks_px[:, None] - gaps_px).min(axis=1, initial=np.inf)
    kept = ~inferred | (from_gap > SAME_PLACE * tracks.picks.pitch_px)
    return picks_px[kept], lines_px[kept], stations_px[kept], inferred[kept]


def woven_track(tracks: Tracks, weave: WeaveReading) -> SystemTrack:
    """Return the track of the picks with those that lie in the cloth: its count is the number of picks woven.

    Looks of picks put in are unknown: their likeness is 0, and in the repeat they stand where the pick before them does.
    The doubt that local spectra threw on the count falls by what was mended, and every mend brings a little of its own.
    """
    picks = tracks.picks
    if picks.count == 0 or "part" in picks.flags:
        return picks
    # Only a pick that shows too faintly can be none; the crossings need not be looked at for others.
    crossings = read_crossings(tracks) if float(picks.likeness[1:-1].min(initial=FAINT)) < FAINT else None
    picks_px, lines_px, stations_px, inferred = woven_picks(tracks, crossings, sheds_of(tracks, weave))
    seen = len(picks_px) - int(inferred.sum())
    changes = int(inferred.sum()) + picks.count - seen
    if not changes:
        return picks
    more = len(picks_px) - picks.count
    source = np.maximum(np.searchsorted(picks.positions_px, picks_px, side="right") - 1, 0)
    slips = np.searchsorted(picks_px, picks.positions_px[list(picks.slips)]).tolist()
    mended = replace(
        picks,
        count=len(picks_px),
        count_low=picks.count_low + more,
        count_high=picks.count_high + more,
        count_mean=picks.count_mean + more,
        count_std=float(np.hypot(picks.own_count_std, MENDED_U * np.sqrt(changes))),
        positions_px=picks_px,
        lines_px=lines_px,
        stations_px=stations_px,
        centres_index=np.interp(picks_px, picks.positions_px, picks.centres_index),
        place_in_repeat=picks.place_in_repeat[source],
        likeness=np.where(inferred, 0.0, picks.likeness[source]),
        slips=tuple(slips),
        pitch_px=picks.pitch_px * (picks.count - 1) / (len(picks_px) - 1),
        passed_over=0.0,
    )
    return doubt_count(mended, max(0.0, picks.passed_over - changes))


def mend_picks(
    picks_px: FloatArray, lines_px: FloatArray, stations_px: FloatArray, sheds: ShedRuns
) -> tuple[FloatArray, FloatArray, FloatArray, NDArray[np.bool_]]:
    """Put a pick into every shed that shows but in which none was followed.

    Parameters
    ----------
    picks_px : ndarray of shape (P,)
        Picks followed, patch rows at mid width.
    lines_px, stations_px : ndarray of shape (P, S)
        Their courses.
    sheds : ShedRuns
        The sheds.

    Returns
    -------
    picks_px, lines_px, stations_px, inferred
        With the picks put in; `inferred` is True for those.

    Notes
    -----
    Only a gap with room for a pick gets one, so that a wrongly read shed cannot crowd the picks. Two picks in one shed
    that were followed as one leave a shed half as long again as its neighbours: the second is put in.
    """
    usual = local_median(np.diff(picks_px))
    sheds_usual = local_median(sheds.lengths_px)
    added: list[tuple[int, float]] = []
    for k in np.flatnonzero(np.diff(picks_px) > GAP_WITH_ROOM * usual).tolist():
        low, high = picks_px[k], picks_px[k + 1]
        for r, (start, stop) in enumerate(zip(sheds.edges_px[:-1], sheds.edges_px[1:], strict=True)):
            inside = low < start and stop < high
            if inside and stop - start > HIDDEN_RUN * sheds_usual[r]:
                added.append((k, float(start + stop) / 2))
            long = stop - start > GAP_WITH_ROOM * sheds_usual[r]
            alone = int(np.count_nonzero((picks_px > start) & (picks_px < stop))) == 1
            overlap = min(stop, high) - max(start, low)
            if not inside and long and alone and overlap > 0.6 * (stop - start):
                at = start + 0.25 * (stop - start) if picks_px[k + 1] < stop else stop - 0.25 * (stop - start)
                added.append((k, float(at)))
    inferred = np.zeros(len(picks_px), dtype=bool)
    for k, at in sorted(added, reverse=True):
        share = (at - picks_px[k]) / (picks_px[k + 1] - picks_px[k])
        picks_px = np.insert(picks_px, k + 1, at)
        lines_px = np.insert(lines_px, k + 1, lines_px[k] + share * (lines_px[k + 1] - lines_px[k]), axis=0)
        between = stations_px[k] + share * (stations_px[k + 1] - stations_px[k])
        stations_px = np.insert(stations_px, k + 1, between, axis=0)
        inferred = np.insert(inferred, k + 1, True)
    return picks_px, lines_px, stations_px, inferred
