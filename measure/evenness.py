"""How even a band is: scatter, drift, rhythm and steps of beat and width along the warp."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from .faults import Fault, find_faults
from .stations import BandTrace, Station, measure_stations
from .steps import find_changes, long_run_variance, surrogates

__all__ = [
    "BandComparison",
    "Drift",
    "Evenness",
    "EvennessOptions",
    "Rhythm",
    "Step",
    "compare_bands",
    "cv_percent",
    "measure_drift",
    "measure_evenness",
    "measure_rhythm",
]

FloatArray = NDArray[np.float64]

LEAST_BEAT_STEP = 0.03  # smaller changes of the beat no weaver sees (common practice: 12 against 12.4)
LEAST_WIDTH_STEP = 0.015
USUAL_WIDTH_STEP = 0.035  # half that of the beat, as for the least
WIDTH_EVERY_MM = 5.0
WIDTH_END = 4  # values: the first and last 20 mm, where a weaver finds the width
RHYTHM_LEVEL = 0.01
LEAST_ALTERNATION_PERCENT = 3.5  # sheds look a little different to the tracker: below, it may be their looks
NEARLY = 0.75  # of the loudest echo
SHORTEST_BAR = 8  # picks; a warp is not advanced more often


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
class Drift:
    """Slow change per 100 mm, percent, beside any steps, with its expanded uncertainty."""

    percent_per_100mm: float
    u95_percent_per_100mm: float

    @property
    def significant(self) -> bool:
        """Whether the drift is larger than its uncertainty."""
        return abs(self.percent_per_100mm) > self.u95_percent_per_100mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Rhythm:
    """A pattern that comes back.

    Attributes
    ----------
    kind : str
        ``"alternate"``: every second pick is beaten differently; ``"bars"``: dense or open bars at equal distances.
    every_mm : float
        Distance of one repeat along the warp.
    size_percent : float
        Half the swing of the pick spacing.
    p_value : float
        Chance of so clear a pattern in a band with the same scatter and no pattern.
    """

    kind: str
    every_mm: float
    size_percent: float
    p_value: float


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
    rhythms: tuple[Rhythm, ...] = ()
    faults: tuple[Fault, ...] = ()
    bow_percent: float | None = None
    bow_at_mm: float | None = None
    skew_percent: float | None = None
    skew_at_mm: float | None = None
    options: EvennessOptions = field(default_factory=EvennessOptions)


@dataclass(frozen=True, slots=True, kw_only=True)
class BandComparison:
    """Two bands beside each other: Welch's t test on their stations, each band with its effective number of them.

    Attributes
    ----------
    of : str
        ``"picks per inch"`` or ``"width"``.
    first, second : float
        Means, per inch or millimetres.
    difference_percent, u95_percent : float
        Second minus first, over the first.
    p_value : float
    effective_first, effective_second : float
        Independent stations that the scatter along each band is worth.
    """

    of: str
    first: float
    second: float
    difference_percent: float
    u95_percent: float
    p_value: float
    effective_first: float
    effective_second: float

    @property
    def significant(self) -> bool:
        """Whether chance alone would show such a difference in fewer than five of a hundred cases."""
        return self.p_value < 0.05


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
    beat_steps = find_changes(np.log(spacings), least_size=LEAST_BEAT_STEP) if len(spacings) >= 12 else ()
    pitch = float(np.median(spacings))
    steps = [
        Step(
            of="beat",
            at_mm=float(trace.pick_mm[c.index]),
            at_u95_mm=c.index_u95 * pitch,
            change_percent=100 * (np.exp(-c.size) - 1),
            change_u95_percent=100 * np.exp(-c.size) * c.size_u95,
        )
        for c in beat_steps
    ]
    steps += _width_steps(trace)
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
        rhythms=measure_rhythm(spacings, places),
        faults=faults,
        bow_percent=bow.shape.bow_percent if bow and bow.shape else None,
        bow_at_mm=bow.at_mm if bow else None,
        skew_percent=skew.shape.skew_percent if skew and skew.shape else None,
        skew_at_mm=skew.at_mm if skew else None,
        options=options,
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


def measure_drift(spacings_mm: FloatArray, pick_mm: FloatArray, places: tuple[int, ...] = ()) -> Drift | None:
    """Fit the slow change of the picks per inch along the band.

    Parameters
    ----------
    spacings_mm : ndarray of shape (N,)
        From pick to pick.
    pick_mm : ndarray of shape (N + 1,)
        The picks.
    places : tuple of int
        Spacings at which a step begins; the levels of the steps are fitted together with the drift.

    Returns
    -------
    Drift or None
        None for fewer than 12 spacings. The uncertainty counts scatter with a memory by its long-run variance and uses
        Student's t with the number of independent values that leaves.
    """
    n = len(spacings_mm)
    if n < 12:
        return None
    from scipy.special import stdtrit

    y = -np.log(np.asarray(spacings_mm, dtype=np.float64))
    x = (pick_mm[1 : n + 1] + pick_mm[:n]) / 200.0
    columns = [np.ones(n), x - x.mean(), *(np.where(np.arange(n) >= p, 1.0, 0.0) for p in places)]
    design = np.column_stack(columns)
    solution, *_ = np.linalg.lstsq(design, y, rcond=None)
    rest = y - design @ solution
    variance = long_run_variance(rest, design.shape[1])
    memory = max(1.0, variance / max(float(rest @ rest) / n, 1e-300))
    inverse = np.linalg.inv(design.T @ design)
    freedom = max(n / memory - design.shape[1], 2.0)
    spread = float(np.sqrt(variance * inverse[1, 1])) * float(stdtrit(freedom, 0.975))
    return Drift(percent_per_100mm=100 * float(solution[1]), u95_percent_per_100mm=100 * spread)


def measure_rhythm(spacings_mm: FloatArray, places: tuple[int, ...] = ()) -> tuple[Rhythm, ...]:
    """Look for patterns that come back in the distances from pick to pick.

    Parameters
    ----------
    spacings_mm : ndarray of shape (N,)
        From pick to pick.
    places : tuple of int
        Spacings at which a step begins; levels are taken out first.

    Notes
    -----
    The autocorrelation at lag two less the mean of its neighbours shows alternate picks, its greatest value at lags of
    `SHORTEST_BAR` picks and more shows bars. Both are judged against surrogate series with the same short memory.
    """
    n = len(spacings_mm)
    if n < 24:
        return ()
    y = np.log(np.asarray(spacings_mm, dtype=np.float64))
    for part in np.split(np.arange(n), list(places)):
        y[part] -= y[part].mean()
    y -= np.polyval(np.polyfit(np.arange(n), y, 1), np.arange(n))
    pitch = float(np.mean(spacings_mm))
    by_chance = surrogates(y, 499, parameters=2 + len(places))
    found = []
    turn = np.where(np.arange(n) % 2 == 0, 1.0, -1.0)

    def swing(rows: FloatArray) -> FloatArray:
        return np.asarray(np.abs(rows @ turn) / n / rows.std(axis=-1))

    here = float(swing(y))
    p_value = float((1 + np.sum(swing(by_chance) >= here)) / (1 + len(by_chance)))
    size = 100 * abs(float(y @ turn)) / n
    if p_value < RHYTHM_LEVEL and size > LEAST_ALTERNATION_PERCENT:
        found.append(Rhythm(kind="alternate", every_mm=2 * pitch, size_percent=size, p_value=p_value))
        y = y - float(y @ turn) / n * turn  # it would come back at every even lag
    lags = np.arange(SHORTEST_BAR, int(n / 2.5) + 1)
    mine, theirs = _autocorrelation(y[None], lags), _autocorrelation(by_chance, lags)
    top = float(mine[0].max())
    p_value = float((1 + np.sum(theirs.max(axis=1) >= top)) / (1 + len(by_chance)))
    if p_value < RHYTHM_LEVEL and top > 0.2:
        # Twice and three times the distance answer as loudly: the shortest lag that nearly does is the repeat.
        loud = int(np.flatnonzero(mine[0] >= NEARLY * top)[0])
        near = slice(loud, min(loud + 3, len(lags)))
        lag = int(lags[near][np.argmax(mine[0][near])])
        phase = np.array([y[k::lag].mean() for k in range(lag)])
        size = 50 * float(np.ptp(phase))
        found.append(Rhythm(kind="bars", every_mm=lag * pitch, size_percent=size, p_value=p_value))
    return tuple(found)


def _autocorrelation(rows: FloatArray, lags: NDArray[np.int_]) -> FloatArray:
    """Autocorrelation of every row at the lags, unbiased in the number of products."""
    e = rows - rows.mean(axis=1, keepdims=True)
    n = e.shape[1]
    variance = (e**2).mean(axis=1)
    return np.stack(
        [(e[:, lag:] * e[:, : n - lag]).sum(axis=1) / (n - lag) / variance for lag in lags], axis=1
    )


def compare_bands(
    first: Evenness, second: Evenness, *, scale_u95_percent: tuple[float, float] = (0.0, 0.0)
) -> tuple[BandComparison, ...]:
    """Compare the picks per inch and the width of two bands.

    Parameters
    ----------
    first, second : Evenness
        The bands.
    scale_u95_percent : tuple of float
        Expanded uncertainty of the scale of each photo; it moves all stations of a photo together, so it comes on top of
        their scatter.

    Returns
    -------
    tuple of BandComparison
        Welch's unequal variances t test (Biometrika 34, 1947, 28-35) on the stations; each band's number of stations is
        reduced to what its scatter along the band is worth.
    """
    scale = float(np.hypot(*scale_u95_percent)) / 200.0  # standard, relative
    pairs: list[tuple[str, list[float], list[float]]] = [
        (
            "picks per inch",
            [s.picks_per_inch for s in first.stations],
            [s.picks_per_inch for s in second.stations],
        ),
        (
            "width",
            [s.width_mm for s in first.stations if s.width_mm is not None],
            [s.width_mm for s in second.stations if s.width_mm is not None],
        ),
    ]
    return tuple(
        _welch(name, np.array(a), np.array(b), scale) for name, a, b in pairs if len(a) >= 4 and len(b) >= 4
    )


def _welch(of: str, a: FloatArray, b: FloatArray, scale: float) -> BandComparison:
    from scipy.special import stdtr, stdtrit

    means, errors, effective = [], [], []
    for values in (a, b):
        variance = float(values.var(ddof=1))
        memory = max(1.0, long_run_variance(values, 1) / max(variance, 1e-300))
        number = max(len(values) / memory, 2.0)
        means.append(float(values.mean()))
        errors.append(variance / number)
        effective.append(number)
    total = max(sum(errors), 1e-300)
    freedom = total**2 / max(sum(e**2 / (n - 1) for e, n in zip(errors, effective, strict=True)), 1e-300)
    difference = means[1] - means[0]
    spread = float(np.hypot(np.sqrt(total), scale * means[0]))
    t = difference / spread
    return BandComparison(
        of=of,
        first=means[0],
        second=means[1],
        difference_percent=100 * difference / means[0],
        u95_percent=100 * float(stdtrit(freedom, 0.975)) * spread / means[0],
        p_value=float(2 * stdtr(freedom, -abs(t))),
        effective_first=effective[0],
        effective_second=effective[1],
    )
