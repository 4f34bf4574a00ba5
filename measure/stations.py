"""What is seen along the band: every pick, the selvedges, and stations at which they are summed up."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ..calibration.units import MM_PER_INCH
from .bow_skew import PickShape, pick_shape
from .cover import warp_cover
from .crossing_faults import crossing_faults
from .crossings import read_crossings
from .fault import Fault
from .floats import Of
from .mending import followed_picks, sheds_of, woven_picks
from .sett import SettMeasurement
from .streaks import find_streaks

__all__ = ["BandTrace", "Station", "measure_stations", "read_trace"]

FloatArray = NDArray[np.float64]

OUTER_POINTS = 2  # of the 24 of a line
LEAST_SLOPE_MM = 24.0  # of the ends, over which their direction is taken
# Along the warp; ends are followed in strips, the outermost of which end before the cloth does.
END_REACH_MM = 10.0
HIDDEN: dict[str, Of] = {"warp-faced": "pick", "weft-faced": "end"}
MIDDLE_SHARE = 0.6  # of the ends: away from the crowded selvedges


@dataclass(frozen=True, slots=True, kw_only=True)
class BandTrace:
    """One band as it was followed; lengths in millimetres of cloth, counted along the warp from the first pick.

    Attributes
    ----------
    photo : str
    pick_mm : ndarray of shape (P,)
        Place of every pick at mid width; the first is 0.
    inferred : ndarray of bool, shape (P,)
        Picks that were not followed themselves but must lie there, for their shed shows.
    pick_u_mm, pick_v_mm : ndarray of shape (P, S)
        Every pick as a line: across the warp, and along it on the same count as `pick_mm`.
    end_u_mm, end_v_mm : ndarray of shape (E, S)
        Every end as a line.
    edge_mm, left_mm, right_mm : ndarray of shape (T,)
        Selvedges: place along the warp, and across it; empty where a selvedge is not seen.
    shed_edge_mm, shed_strength : ndarray of shape (R + 1,) and (R,)
        Where the shed changes, and how clearly; empty where the weave does not show it.
    shed_support : ndarray of shape (K, R)
        What other features say about the sheds (see `ShedRuns`).
    streaks : ndarray of shape (K, 4)
        Streaks along single ends: first and last place along the warp, place across it, clearness.
    spots : tuple of Fault
        Floats, holes, knots and slubs.
    cover_mm, cover_share : ndarray of shape (C,)
        Places and the share of the surface that shows warp there; NaN where the colours do not tell, empty where they
        tell nowhere.
    origin_v_mm, length_factor : float
        Cloth coordinate of the first pick, and what its millimetres were multiplied by for the cloth's height.
    """

    photo: str
    pick_mm: FloatArray
    inferred: NDArray[np.bool_]
    pick_u_mm: FloatArray
    pick_v_mm: FloatArray
    end_u_mm: FloatArray
    end_v_mm: FloatArray
    edge_mm: FloatArray
    left_mm: FloatArray
    right_mm: FloatArray
    shed_edge_mm: FloatArray
    shed_strength: FloatArray
    shed_support: FloatArray
    streaks: FloatArray
    origin_v_mm: float
    length_factor: float
    spots: tuple[Fault, ...] = ()
    cover_mm: FloatArray = field(default_factory=lambda: np.zeros(0))
    cover_share: FloatArray = field(default_factory=lambda: np.zeros(0))

    @property
    def length_mm(self) -> float:
        """Distance from the first to the last pick."""
        return float(self.pick_mm[-1] - self.pick_mm[0])

    @property
    def spacings_mm(self) -> FloatArray:
        """Distance of every pick from the one before, shape (P - 1,)."""
        return np.diff(self.pick_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class Station:
    """One place along the band, summed up over a window.

    Attributes
    ----------
    at_mm : float
        Middle of the window.
    picks_per_inch : float
    ends_per_inch : float or None
        Of the middle six tenths of the ends.
    width_mm, left_mm, right_mm : float or None
        Distance of the selvedges and their places across the warp.
    shape : PickShape or None
        Bow and skew of the picks there (mean over the window).
    warp_share : float or None
        Share of the yarn surface that shows warp, read from the colours and true to about 0.1; None where they do not
        tell.
    """

    at_mm: float
    picks_per_inch: float
    ends_per_inch: float | None
    width_mm: float | None
    left_mm: float | None
    right_mm: float | None
    shape: PickShape | None
    warp_share: float | None = None


def read_trace(measurement: SettMeasurement) -> BandTrace:
    """Turn the tracks of one measured photo into millimetres along the band.

    Parameters
    ----------
    measurement : SettMeasurement
        With a scale; without one the "millimetres" are pixels.
    """
    patch, sample, tracks = measurement.patch, measurement.sample, measurement.tracks
    factor = 1.0 if measurement.height is None else measurement.height.length_factor
    unit = factor / patch.px_per_mm
    origin_px = float(tracks.picks.positions_px[0])
    origin_v = patch.v0_mm + origin_px / patch.px_per_mm
    u0 = patch.u0_mm * factor
    weave = measurement.result.weave
    sheds = sheds_of(tracks, weave)
    crossings = read_crossings(tracks)
    woven = followed_picks(tracks) if sample.all_cloth else woven_picks(tracks, crossings, sheds)
    picks_px, lines_px, stations_px, inferred = woven
    # Where one system covers the other its light follows the floats and not the tension.
    streaks = find_streaks(tracks) if weave.face == "balanced" else ()
    at_px = tracks.picks.positions_px
    spots: tuple[Fault, ...] = ()
    if crossings is not None:
        spots, streaks = crossing_faults(
            tracks,
            crossings,
            origin_px=origin_px,
            u0_mm=u0,
            mm_per_px=unit,
            streaks=streaks,
            hidden=HIDDEN.get(weave.face),
        )
    # Where one system covers the other, the hidden one's colour is not seen.
    cover = warp_cover(tracks) if weave.face == "balanced" else None
    edges_seen = sample.width_mm is not None
    nothing = np.zeros(0)
    return BandTrace(
        photo=measurement.result.photo,
        pick_mm=(picks_px - origin_px) * unit,
        inferred=inferred,
        pick_u_mm=u0 + stations_px * unit,
        pick_v_mm=(straight_on(stations_px, lines_px) - origin_px) * unit,
        end_u_mm=u0 + tracks.ends.lines_px * unit,
        end_v_mm=(tracks.ends.stations_px - origin_px) * unit,
        edge_mm=(sample.station_v_mm - origin_v) * factor if edges_seen else nothing,
        left_mm=sample.left_u_mm * factor if edges_seen else nothing,
        right_mm=sample.right_u_mm * factor if edges_seen else nothing,
        shed_edge_mm=nothing if sheds is None else (sheds.edges_px - origin_px) * unit,
        shed_strength=nothing if sheds is None else sheds.strength,
        shed_support=np.zeros((0, 0)) if sheds is None else sheds.support,
        streaks=np.array(
            [
                (
                    (at_px[s.first_pick] - origin_px) * unit,
                    (at_px[s.last_pick] - origin_px) * unit,
                    u0 + float(np.median(tracks.ends.lines_px[s.end])) * unit,
                    s.clearness,
                )
                for s in streaks
            ]
        ).reshape(-1, 4),
        origin_v_mm=origin_v,
        length_factor=factor,
        spots=spots,
        cover_mm=nothing if cover is None else (at_px - origin_px) * unit,
        cover_share=nothing if cover is None else cover,
    )


def straight_on(across: FloatArray, along: FloatArray) -> FloatArray:
    """Return lines of shape (P, S) with their outermost points put where their neighbours lead.

    The phase is averaged over a few threads, and beyond a selvedge there are none: the last points of a followed pick lie
    too flat. They are taken from a parabola through the eight points next to them.
    """
    out = along.copy()
    for lines, places in ((out, across), (out[:, ::-1], across[:, ::-1])):
        for line, place in zip(lines, places, strict=True):
            if len(line) < OUTER_POINTS + 8:
                continue
            x = (place - place[0]) / (place[-1] - place[0])
            near = slice(OUTER_POINTS, OUTER_POINTS + 8)
            line[:OUTER_POINTS] = np.polyval(np.polyfit(x[near], line[near], 2), x[:OUTER_POINTS])
    return out


def measure_stations(trace: BandTrace, *, spacing_mm: float, window_mm: float) -> tuple[Station, ...]:
    """Sum up the band at stations along the warp.

    Parameters
    ----------
    trace : BandTrace
        The band.
    spacing_mm : float
        From the middle of one station to the next.
    window_mm : float
        Length of cloth that each station sums up; at least two picks long.

    Returns
    -------
    tuple of Station
        Those whose window lies wholly between the first and the last pick.

    Notes
    -----
    Picks per inch are the picks (interpolated) between both ends of the window over its length, so a local map is the
    true density averaged over the window.
    """
    first, last = float(trace.pick_mm[0]), float(trace.pick_mm[-1])
    centres = np.arange(first + window_mm / 2, last - window_mm / 2 + 1e-6, spacing_mm)
    index = np.arange(len(trace.pick_mm), dtype=np.float64)
    return tuple(_station(trace, index, float(at), window_mm) for at in centres)


def _station(trace: BandTrace, index: FloatArray, at: float, window: float) -> Station:
    low, high = at - window / 2, at + window / 2
    picks = float(np.interp(high, trace.pick_mm, index) - np.interp(low, trace.pick_mm, index))
    inside = (trace.pick_mm >= low) & (trace.pick_mm <= high)
    left = right = None
    if len(trace.edge_mm) and trace.edge_mm[0] - window < at < trace.edge_mm[-1] + window:
        where = np.linspace(low, high, 9)
        left = float(np.interp(where, trace.edge_mm, trace.left_mm).mean())
        right = float(np.interp(where, trace.edge_mm, trace.right_mm).mean())
    return Station(
        at_mm=at,
        picks_per_inch=MM_PER_INCH * picks / window,
        ends_per_inch=_ends_per_inch(trace, at),
        width_mm=None if left is None or right is None else right - left,
        left_mm=left,
        right_mm=right,
        shape=_shape(trace, inside, at, window) if inside.any() else None,
        warp_share=_warp_share(trace, low, high),
    )


def _shape(trace: BandTrace, inside: NDArray[np.bool_], at: float, window: float) -> PickShape:
    """Bow and skew of the picks against the ends, which run as the selvedges do.

    The axis of a band is a smooth line through its middle and at the band's ends a degree off; the ends know better.
    """
    shape = pick_shape(trace.pick_u_mm[inside], trace.pick_v_mm[inside])
    reach = max(window, LEAST_SLOPE_MM) / 2
    slopes = []
    for u, v in zip(trace.end_u_mm, trace.end_v_mm, strict=True):
        low, high = max(at - reach, float(v[0])), min(at + reach, float(v[-1]))
        if high - low > reach / 2:
            slopes.append(float(np.interp(high, v, u) - np.interp(low, v, u)) / (high - low))
    lean = 100.0 * float(np.median(slopes)) if slopes else 0.0
    return PickShape(bow_percent=shape.bow_percent, skew_percent=shape.skew_percent + lean)


def _warp_share(trace: BandTrace, low: float, high: float) -> float | None:
    here = trace.cover_share[(trace.cover_mm >= low) & (trace.cover_mm <= high)]
    here = here[np.isfinite(here)]
    return float(here.mean()) if len(here) else None


def _ends_per_inch(trace: BandTrace, at: float) -> float | None:
    count = len(trace.end_u_mm)
    if count < 5:
        return None
    # Where a photo joined to this one shows another number of ends they are not followed, and nothing is known of them.
    seen = np.median(trace.end_v_mm, axis=0)
    if not seen[0] - END_REACH_MM <= at <= seen[-1] + END_REACH_MM:
        return None
    here = np.array([np.interp(at, v, u) for u, v in zip(trace.end_u_mm, trace.end_v_mm, strict=True)])
    cut = round((1 - MIDDLE_SHARE) / 2 * count)
    middle = here[cut : count - cut]
    span = float(middle[-1] - middle[0])
    return MM_PER_INCH * (len(middle) - 1) / span if len(middle) > 2 and span > 0 else None
