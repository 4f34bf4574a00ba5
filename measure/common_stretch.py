"""The part of the cloth that two photos share, and the change of its size, thread against the same thread."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..calibration.budget import COVERAGE_FACTOR
from .same_threads import ThreadMatch, Threads, match_threads
from .sett import SettMeasurement
from .tracks import SystemTrack

__all__ = ["CommonStretch", "Stretch", "find_common"]

_PLACES = 9  # along the threads, within what both photos show
_PARTS, _T95_OF_PARTS = 3, 4.30  # Student's t for two degrees of freedom, 95 % (GUM, table G.2)
_PLACING = 0.1  # of a spacing: how well the outermost common threads are placed in each photo

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Size after over size before of the same threads.

    Attributes
    ----------
    ratio : float
        Size after over size before.
    standard : float
        Its standard uncertainty without scale and height.
    threads : int
        How many were compared.
    uneven : float
        Standard uncertainty of `ratio` for the whole sample, if this is only a part of it: cloth does not shrink alike
        everywhere.
    """

    ratio: float
    standard: float
    threads: int
    uneven: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CommonStretch:
    """What two photos have in common.

    Attributes
    ----------
    ends, picks : ThreadMatch or None
        The same threads; None where they could not be told from others.
    across, along : Stretch or None
        Change of the distance between common ends, and between common picks.
    """

    ends: ThreadMatch | None
    picks: ThreadMatch | None
    across: Stretch | None
    along: Stretch | None

    @property
    def other_face(self) -> bool:
        """Whether only one system runs the other way round, as it does when the cloth is turned over."""
        return self.ends is not None and self.picks is not None and self.ends.turned != self.picks.turned


def find_common(before: SettMeasurement, after: SettMeasurement) -> CommonStretch:
    """Find the threads that both photos show and compare the places they share.

    The width changes along a sample and the beat across it, so that each system is compared where both photos show
    the same of the other one.
    """
    ends = match_threads(_threads(before.tracks.ends), _threads(after.tracks.ends))
    picks = match_threads(_threads(before.tracks.picks), _threads(after.tracks.picks))
    return CommonStretch(
        ends=ends,
        picks=picks,
        across=None if ends is None else _stretch(before, after, "ends", ends, picks),
        along=None if picks is None else _stretch(before, after, "picks", picks, ends),
    )


def _threads(track: SystemTrack) -> Threads:
    return Threads(positions=_middle(track), places=track.place_in_repeat)


def _middle(track: SystemTrack) -> Array:
    """Return the mean place of every thread; it varies less from picture to picture than one place along it."""
    places: Array = track.lines_px.mean(axis=1) if track.count else np.zeros(0)
    return places


def _stretch(
    before: SettMeasurement,
    after: SettMeasurement,
    system: str,
    match: ThreadMatch,
    across: ThreadMatch | None,
) -> Stretch:
    """Return the slope of the places after over the places before."""
    chosen = (
        (before, match.first, None if across is None else across.first),
        (after, match.second, None if across is None else across.second),
    )
    one, other = (_places_mm(m, system, threads, among) for m, threads, among in chosen)
    line = np.polyfit(one, other, 1)
    ratio = abs(float(line[0]))
    return Stretch(
        ratio=ratio,
        standard=ratio * math.hypot(_slope_doubt(one, other, line) / ratio, _placing_doubt(len(one))),
        threads=len(one),
        uneven=_unevenness(one, other, line),
    )


def _places_mm(
    measurement: SettMeasurement, system: str, threads: NDArray[np.intp], among: NDArray[np.intp] | None
) -> Array:
    """Return the threads' mean place between the outermost common threads that cross them, millimetres."""
    track, crossing = measurement.tracks.ends, measurement.tracks.picks
    if system == "picks":
        track, crossing = crossing, track
    lines, stations = track.lines_px[threads], track.stations_px[threads]
    if among is not None:
        span = _middle(crossing)[[among.min(), among.max()]]
        at = np.linspace(span[0], span[1], _PLACES)
        lines = np.stack([np.interp(at, s, line) for s, line in zip(stations, lines, strict=True)])
    factor = 1.0 if measurement.height is None else measurement.height.length_factor
    places: Array = lines.mean(axis=1) * factor / measurement.patch.px_per_mm
    return places


def _slope_doubt(one: Array, other: Array, line: Array) -> float:
    """Return the slope's standard error; neighbours that stray together count as fewer threads (Bartlett 1935)."""
    stray = other - np.polyval(line, one)
    spread = one - one.mean()
    variance = float(stray @ stray) / max(len(one) - 2, 1) / float(spread @ spread)
    together = float(stray[1:] @ stray[:-1]) / max(float(stray @ stray), 1e-12)
    together = min(max(together, 0.0), 0.9)
    return math.sqrt(variance * (1.0 + together) / (1.0 - together))


def _unevenness(one: Array, other: Array, line: Array) -> float:
    """Return how far the mean slope of the thirds may stand from that of more cloth, their own noise taken off.

    Three values tell little of a spread, so it is widened to give 95 % when doubled (GUM G.3.2).
    """
    stray = other - np.polyval(line, one)
    noise = float(np.var(np.diff(stray))) / 2.0
    slopes, own = [], []
    for part in np.array_split(np.arange(len(one)), _PARTS):
        spread = one[part] - one[part].mean()
        slopes.append(float(np.polyfit(one[part], other[part], 1)[0]))
        own.append(noise / float(spread @ spread))
    variance = max(0.0, float(np.var(slopes, ddof=1)) - float(np.mean(own)))
    return math.sqrt(variance / _PARTS) * _T95_OF_PARTS / COVERAGE_FACTOR


def _placing_doubt(threads: int) -> float:
    return math.sqrt(2.0) * _PLACING / (threads - 1)
