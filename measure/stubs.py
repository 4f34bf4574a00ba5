"""Sides that were cut: weft stubs stand out beyond the outermost end like a fringe and are no width.

A woven selvedge turns every second pick into the next: its outer edge repeats every two picks. Stubs of a cut side
differ in length from pick to pick and repeat nothing. Where both sides look so, and stand out far enough, the
outermost end is looked for as the first pick is, with the picture turned a quarter.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..calibration.ranks import median, percentile
from .fringe import pick_energy, pulse_spacing, row_profile, woven_limit
from .placing import WorkPicture

__all__ = ["looks_cut", "outermost_ends"]

Floats = NDArray[np.float64]

# Autocorrelation at two picks: turns reach 0.2 to 0.9, stubs stay within chance around zero. Both sides together, and what one side
# alone may reach either way: where the spacing of the picks was taken for another, turns are regularly the other way after it.
REPEATS, ALONE = 0.13, 0.3
RAGGED = 0.2  # standard deviation of the edge in pick spacings
LEAST_STUB, LONGEST_STUB = 0.5, 4.0  # in pick spacings
SEARCH_UNITS = 25.0
# Rows so many times the middle deviation off the course have lost the edge, to a joint between tiles, say: they are no raggedness.
STRAY, ROUNDS = 4.5, 3


def outermost_ends(
    work: WorkPicture, energy: NDArray[np.float32], edges: tuple[Floats, Floats], ends: tuple[int, int]
) -> tuple[Floats, Floats] | None:
    """Return the outer edges of the outermost ends, in columns for every row, if both sides were cut.

    Parameters
    ----------
    work : WorkPicture
        The straightened working picture.
    energy : ndarray of float32, shape (M, N)
        What `fringe.pick_energy` makes of it.
    edges : tuple of two ndarrays of shape (M,)
        Outer edges, left and right, of whatever sticks out, NaN where unknown.
    ends : tuple of int
        Rows of the first and the last pick.

    Returns
    -------
    tuple of ndarray of shape (M,), or None
        None when the sides are selvedges or the outermost ends cannot be told.
    """
    (left, right), (first, last) = edges, ends
    rows = slice(first, last + 1)
    seen = work.in_photo & ~work.card
    profile = row_profile(energy[rows], seen[rows] & work.region[rows])
    if np.count_nonzero(np.isfinite(profile)) < 0.8 * len(profile):
        return None
    filled = np.where(np.isfinite(profile), profile, median(profile[~np.isnan(profile)]))
    pitch = _pick_pitch(filled, work.unit_px)
    looks = [_look(edge[rows], pitch) for edge in (left, right)]
    if any(look is None for look in looks):
        return None
    if not looks_cut([look for look in looks if look is not None], pitch):
        return None
    turned = pick_energy(
        np.ascontiguousarray(work.bgr.transpose(1, 0, 2)), np.ascontiguousarray(work.inner.T), work.unit_px
    )
    turned_seen = np.ascontiguousarray(seen.T)
    widths = right[rows] - left[rows]
    width = float(median(widths[~np.isnan(widths)]))
    found = []
    for edge, flip in ((left, False), (right, True)):
        limit = _outermost_end(turned, turned_seen, edge[rows], (first, last), width, work.unit_px, flip)
        if limit is None:
            return None
        middle = (first + last) / 2
        gap = abs(float(np.polyval(limit, middle)) - float(np.nanmean(edge[rows])))
        if not LEAST_STUB * pitch < gap < LONGEST_STUB * pitch:
            return None
        found.append(np.asarray(np.polyval(limit, np.arange(len(edge))), dtype=np.float64))
    return found[0], found[1]


def looks_cut(looks: list[tuple[float, float]], pitch: float) -> bool:
    """Tell whether edges that repeat so far at two picks, and are so ragged in rows, may be stubs of a cut side."""
    repeats, ragged = (np.array(of_sides) for of_sides in zip(*looks, strict=True))
    if repeats.mean() > REPEATS or np.abs(repeats).max() > ALONE:
        return False
    return bool(ragged.mean() >= RAGGED * pitch)


def _pick_pitch(profile: Floats, unit_px: float) -> float:
    """Return the pick spacing in rows: the lag near the pulses' spacing at which the profile repeats best."""
    spacing = pulse_spacing(profile, unit_px)
    level = np.minimum(profile, percentile(profile, 95))
    level = level - level.mean()
    lags = np.arange(max(2, round(0.6 * spacing)), min(round(2.2 * spacing) + 1, len(level) // 2))
    if not len(lags):
        return spacing
    return float(lags[int(np.argmax([np.mean(level[:-lag] * level[lag:]) for lag in lags]))])


def _look(edge: Floats, pitch: float) -> tuple[float, float] | None:
    """Return how far an edge repeats every two picks, and its standard deviation about a smooth course."""
    seen = np.isfinite(edge)
    if seen.mean() < 0.8 or len(edge) < 8 * pitch:
        return None
    row = np.arange(len(edge))
    for _ in range(ROUNDS):
        course = np.polyfit(row[seen] / len(edge), edge[seen], 3)
        off = edge - np.polyval(course, row / len(edge))
        off -= median(off[seen])
        seen = np.isfinite(edge) & (np.abs(off) <= STRAY * max(float(median(np.abs(off[seen]))), 0.1 * pitch))
    rest = np.interp(row, row[seen], off[seen])
    rest -= rest.mean()
    variance = max(float(np.mean(rest**2)), 1e-9)
    lags = range(max(1, round(1.6 * pitch)), round(2.2 * pitch) + 1)
    repeats = max(float(np.mean(rest[:-lag] * rest[lag:])) / variance for lag in lags)
    return repeats, float(np.sqrt(variance))


def _outermost_end(
    turned: NDArray[np.float32],
    seen: NDArray[np.bool_],
    edge: Floats,
    rows: tuple[int, int],
    width: float,
    unit_px: float,
    flip: bool,
) -> Floats | None:
    """Find the outermost end as a polynomial: column as a function of the row."""
    bottom = len(turned) - 1
    outside = bottom - edge if flip else edge
    energy = np.ascontiguousarray(turned[::-1]) if flip else turned
    shown = np.ascontiguousarray(seen[::-1]) if flip else seen
    start = float(np.nanmean(outside))
    zone = (max(0, int(start - 2 * unit_px)), int(start + min(SEARCH_UNITS * unit_px, 0.45 * width)))
    limit = woven_limit(energy, shown, rows, zone, unit_px, weak_first=False)
    if limit is None:
        return None
    return np.array([0.0, 0.0, float(bottom)]) - limit if flip else limit
