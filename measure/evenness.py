"""How even a band is: scatter, drift, rhythm and steps of beat and width along the warp."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from .beat_patterns import Drift, Rhythm, measure_drift, measure_rhythm
from .faults import Fault, find_faults
from .stations import BandTrace, Station, measure_stations
from .steps import Change, find_changes, find_possible_change

__all__ = ["Evenness", "EvennessOptions", "Step", "cv_percent", "measure_evenness"]

FloatArray = NDArray[np.float64]

LEAST_BEAT_STEP = 0.03  # smaller changes of the beat no weaver sees (common practice: 12 against 12.4)
LEAST_WIDTH_STEP = 0.015
USUAL_WIDTH_STEP = 0.035  # half that of the beat, as for the least
WIDTH_EVERY_MM = 5.0
WIDTH_END = 4  # values: the first and last 20 mm, where a weaver finds the width


@dataclass(frozen=True, slots=True, kw_only=True)
class EvennessOptions:
    """Spacing of the stations and length of cloth each sums up, millimetres."""

    spacing_mm: float = 10.0
    window_mm: float = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One sudden change of the beat (picks per inch) or the width.

    Attributes
    ----------
    of : str
        ``"beat"`` or ``"width"``.
    at_mm, at_u95_mm : float
        Place along the warp.
    change_percent, change_u95_percent : float
        Change of the picks per inch (of the width) towards growing places; plus means denser (wider).
    """

    of: str
    at_mm: float
    at_u95_mm: float
    change_percent: float
    change_u95_percent: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Evenness:
    """Everything `pickglass evenness` says about one band.

    Attributes
    ----------
    trace : BandTrace
    stations : tuple of Station
    beat_cv_percent, width_cv_percent : float or None
        Coefficient of variation of the picks per inch and of the width over the stations.
    pick_spacing_cv_percent, end_spacing_cv_percent : float or None
        The same of the distances from pick to pick and from end to end.
    drift : Drift or None
        Of the picks per inch.
    steps : tuple of Step
    possible_steps : tuple of Step
        Changes of the beat that may have come at once or over some picks; at most one.
    rhythms : tuple of Rhythm
    faults : tuple of Fault
    bow_percent, bow_at_mm, skew_percent, skew_at_mm : float or None
        The greatest of the stations with its sign (see `PickShape`) and its place: ASTM D3882 counts the maximum.
    """

    trace: BandTrace
    stations: tuple[Station, ...]
    beat_cv_percent: float | None
    width_cv_percent: float | None
    pick_spacing_cv_percent: float | None
    end_spacing_cv_percent: float | None
    drift: Drift | None
    steps: tuple[Step, ...] = ()
    possible_steps: tuple[Step, ...] = ()
    rhythms: tuple[Rhythm, ...] = ()
    faults: tuple[Fault, ...] = ()
    bow_percent: float | None = None
    bow_at_mm: float | None = None
    skew_percent: float | None = None
    skew_at_mm: float | None = None
    options: EvennessOptions = field(default_factory=EvennessOptions)


def measure_evenness(trace: BandTrace, options: EvennessOptions | None = None) -> Evenness:
    """Measure how even one band is.

    Parameters
    ----------
    trace : BandTrace
        The band as it was followed.
    options : EvennessOptions, optional
        Stations.
    """
    options = options or EvennessOptions()
    stations = measure_stations(trace, spacing_mm=options.spacing_mm, window_mm=options.window_mm)
    faults = find_faults(trace)
    spacings = _spacings_without(trace, faults)
    beat_steps: tuple[Change, ...] = ()
    perhaps = None
    if len(spacings) >= 12:
        beat_steps = find_changes(np.log(spacings), least_size=LEAST_BEAT_STEP)
        perhaps = find_possible_change(np.log(spacings), beat_steps, least_size=LEAST_BEAT_STEP)
    pitch = float(np.median(spacings))
    steps = [*(_beat_step(c, trace, pitch) for c in beat_steps), *_width_steps(trace)]
    places = tuple(c.index for c in beat_steps)
    shapes = [s for s in stations if s.shape is not None]
    bow = max(shapes, key=lambda s: abs(s.shape.bow_percent if s.shape else 0), default=None)
    skew = max(shapes, key=lambda s: abs(s.shape.skew_percent if s.shape else 0), default=None)
    return Evenness(
        trace=trace,
        stations=stations,
        beat_cv_percent=cv_percent([s.picks_per_inch for s in stations]),
        width_cv_percent=cv_percent([s.width_mm for s in stations if s.width_mm is not None]),
        pick_spacing_cv_percent=cv_percent(trace.spacings_mm),
        end_spacing_cv_percent=_end_spacing_cv(trace),
        drift=measure_drift(spacings, trace.pick_mm, places),
        steps=tuple(sorted(steps, key=lambda s: s.at_mm)),
        possible_steps=() if perhaps is None else (_beat_step(perhaps, trace, pitch),),
        rhythms=measure_rhythm(spacings, places),
        faults=faults,
        bow_percent=bow.shape.bow_percent if bow and bow.shape else None,
        bow_at_mm=bow.at_mm if bow else None,
        skew_percent=skew.shape.skew_percent if skew and skew.shape else None,
        skew_at_mm=skew.at_mm if skew else None,
        options=options,
    )


def _beat_step(change: Change, trace: BandTrace, pitch_mm: float) -> Step:
    return Step(
        of="beat",
        at_mm=float(trace.pick_mm[change.index]),
        at_u95_mm=change.index_u95 * pitch_mm,
        change_percent=100 * (np.exp(-change.size) - 1),
        change_u95_percent=100 * np.exp(-change.size) * change.size_u95,
    )


def cv_percent(values: FloatArray | list[float]) -> float | None:
    """Return the coefficient of variation, percent: sample standard deviation (N - 1) over the mean; None below two."""
    values = np.asarray(values, dtype=np.float64)
    return None if len(values) < 2 else float(100 * values.std(ddof=1) / values.mean())


def _spacings_without(trace: BandTrace, faults: tuple[Fault, ...]) -> FloatArray:
    """Distances from pick to pick with those at missed and doubled picks evened out: they are faults, not beat."""
    spacings = trace.spacings_mm.copy()
    middle = (trace.pick_mm[1:] + trace.pick_mm[:-1]) / 2
    usual = np.array([np.median(spacings[max(0, k - 7) : k + 8]) for k in range(len(spacings))])
    for fault in faults:
        if fault.kind in ("missed-pick", "doubled-pick"):
            near = np.abs(middle - fault.at_mm) < 1.3 * float(np.median(usual))
            spacings[near] = usual[near]
    return np.maximum(spacings, 0.2 * usual)


def _end_spacing_cv(trace: BandTrace) -> float | None:
    if len(trace.end_u_mm) < 5:
        return None
    return cv_percent(np.diff(np.median(trace.end_u_mm, axis=1)))


def _width_steps(trace: BandTrace) -> list[Step]:
    """Find changes of the width, on values every `WIDTH_EVERY_MM`."""
    if len(trace.edge_mm) < 2:
        return []
    low, high = max(trace.edge_mm[0], 0.0), min(trace.edge_mm[-1], trace.pick_mm[-1])
    where = np.arange(low, high, WIDTH_EVERY_MM)
    if len(where) < 12:
        return []
    width = np.interp(where, trace.edge_mm, trace.right_mm - trace.left_mm)
    return [
        Step(
            of="width",
            at_mm=float(where[c.index]) - WIDTH_EVERY_MM / 2,
            at_u95_mm=c.index_u95 * WIDTH_EVERY_MM,
            change_percent=100 * (np.exp(c.size) - 1),
            change_u95_percent=100 * np.exp(c.size) * c.size_u95,
        )
        for c in find_changes(
            np.log(np.maximum(width, 1e-6)),
            end_segment=WIDTH_END,
            least_size=LEAST_WIDTH_STEP,
            usual_size=USUAL_WIDTH_STEP,
        )
    ]
