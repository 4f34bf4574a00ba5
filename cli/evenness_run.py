"""From photos to what is known along the band, and to the files that were asked for."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from ..calibration.errors import PickglassError, SampleError, UsageError
from .files import write_whole
from .photo_words import naming
from .pipeline import Request, measure_photo
from .screen import written_text

if TYPE_CHECKING:
    from ..measure.band_comparison import BandComparison
    from ..measure.evenness import Evenness, EvennessOptions
    from ..measure.rail_join import Placed
    from ..measure.results import Verdict
    from ..measure.sett import SettMeasurement
    from .report_pictures import PhotoView

__all__ = ["Part", "Run", "Targets", "run_evenness", "write_targets"]

FEWEST_PICKS = 12
_RAIL_DOUBT_MM = 3.0  # a rail tells the place to less than a pick; the picks settle the rest


@dataclass(frozen=True, slots=True, kw_only=True)
class Targets:
    """Files to write."""

    picture: Path | None = None
    csv: Path | None = None
    crops: Path | None = None
    report: Path | None = None
    overwrite: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One photo and what it shows; `view` is what a report keeps of it, where one was asked for."""

    measurement: SettMeasurement
    evenness: Evenness
    view: PhotoView | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """Everything that was found.

    `joined` is set when the photos show one band; `comparisons` holds (first, second, what differs) for bands set beside
    each other, of which those in `failed` (name and reason) could not be measured.
    """

    parts: tuple[Part, ...]
    verdict: Verdict
    joined: Evenness | None = None
    placed: tuple[Placed, ...] = ()
    comparisons: tuple[tuple[int, int, tuple[BandComparison, ...]], ...] = ()
    failed: tuple[tuple[str, PickglassError], ...] = ()


def run_evenness(
    photos: Sequence[Path],
    request: Request,
    options: EvennessOptions,
    *,
    starts_mm: Sequence[float] | None = None,
    compare: bool = False,
    with_views: bool = False,
    on_step: Callable[[str], None],
) -> Run:
    """Measure every photo, then join or compare them; `with_views` keeps what a report shows of each.

    Bands that are compared stand for themselves, and one that cannot be measured does not stop the rest.
    """
    parts: list[Part] = []
    failed: list[tuple[str, PickglassError]] = []
    for path in photos:
        try:
            with naming(path.name if len(photos) > 1 else ""):
                parts.append(_part(path, request, options, on_step, with_view=with_views))
        except PickglassError as error:
            failed.append((path.name, error))
            if len(photos) == 1 or starts_mm is not None:
                raise
    on_rail = all(p.measurement.plane.source == "rail" for p in parts)
    if not parts or (failed and on_rail and not compare):
        raise failed[0][1]
    verdicts = [p.measurement.result.verdict for p in parts]
    verdict: Verdict = "unsure" if "unsure" in verdicts else "measured"
    if len(parts) == 1:
        return Run(parts=tuple(parts), verdict=verdict, failed=tuple(failed))
    on_step("Setting the photos beside each other")
    if starts_mm is None and (compare or not on_rail):
        found = _comparisons(parts)
        return Run(parts=tuple(parts), verdict=verdict, comparisons=found, failed=tuple(failed))
    doubt_mm = 10.0
    if starts_mm is None:
        starts_mm, doubt_mm = _starts_on_rail(parts), _RAIL_DOUBT_MM
    return _join(parts, starts_mm, doubt_mm, options, verdict)


def _comparisons(parts: Sequence[Part]) -> tuple[tuple[int, int, tuple[BandComparison, ...]], ...]:
    """Return what differs between the first band and every other."""
    from ..measure.band_comparison import compare_bands

    doubt = [_scale_u95_percent(p.measurement) for p in parts]
    first = parts[0].evenness
    return tuple(
        (0, k, compare_bands(first, parts[k].evenness, scale_u95_percent=(doubt[0], doubt[k])))
        for k in range(1, len(parts))
    )


def _starts_on_rail(parts: Sequence[Part]) -> list[float]:
    """Return where along the rail each photo's first pick lies, in millimetres."""
    from ..measure.rail_join import rail_start_mm

    rail = [rail_start_mm(p.measurement, p.evenness.trace) for p in parts]
    if len({way for _, way in rail}) > 1:
        raise UsageError(
            "photos-turned",
            "Some photos show the rail the other way round.",
            "Turn the photos so that the band runs the same way in all of them.",
        )
    return [way * at for at, way in rail]


def _join(
    parts: Sequence[Part],
    starts_mm: Sequence[float],
    doubt_mm: float,
    options: EvennessOptions,
    verdict: Verdict,
) -> Run:
    """Join photos of one band whose starts are known to `doubt_mm`, refusing those that show another band."""
    from ..measure.evenness import measure_evenness
    from ..measure.rail_join import join_traces, refuse_another_band

    whole, placed = join_traces([p.evenness.trace for p in parts], starts_mm, doubt_mm=doubt_mm)
    order = sorted(range(len(parts)), key=lambda k: (starts_mm[k], k))
    for before, here, place in zip(order, order[1:], placed[1:], strict=False):
        refuse_another_band(parts[before].measurement, parts[here].measurement, place)
    joined = measure_evenness(whole, options)
    return Run(parts=tuple(parts[k] for k in order), verdict=verdict, joined=joined, placed=placed)


def _scale_u95_percent(measurement: SettMeasurement) -> float:
    """Return the doubt in all lengths of one photo: scale and height of the cloth together."""
    height = 0.0 if measurement.height is None else 2 * measurement.height.line.standard_percent
    return math.hypot(measurement.plane.u95_percent, height)


def _part(
    path: Path,
    request: Request,
    options: EvennessOptions,
    on_step: Callable[[str], None],
    *,
    with_view: bool,
) -> Part:
    photo, measurement = measure_photo(path, request, on_step=lambda step: on_step(f"{path.name}: {step}"))
    on_step(f"{path.name}: Following the band")
    from ..measure.evenness import measure_evenness
    from ..measure.stations import read_trace

    if measurement.tracks.picks.count < FEWEST_PICKS or measurement.tracks.ends.count < 4:
        raise SampleError(
            "too-few-picks",
            f"Only {measurement.tracks.picks.count} picks could be followed in {path.name}; {FEWEST_PICKS} are the least.",
            "Photograph a longer piece of the band, sharply and with light from the side.",
        )
    view = None
    if with_view:
        from .report_pictures import photo_view

        view = photo_view(photo, measurement)
    evenness = measure_evenness(read_trace(measurement), options)
    return Part(measurement=measurement, evenness=evenness, view=view)


def write_targets(found: Run, targets: Targets, request: Request, *, on_step: Callable[[str], None]) -> str:
    """Write the files that were asked for, and return a line on each for the screen."""
    if found.joined is not None:
        bands = [("joined", found.joined)]
    else:
        bands = [(p.measurement.result.photo, p.evenness) for p in found.parts]
    stations: Path | None = None
    folders: tuple[str, ...] = ()
    if targets.csv is not None:
        from .evenness_csv import picks_csv, stations_csv, stations_path

        stations = stations_path(targets.csv)
        write_whole(targets.csv, picks_csv(bands), overwrite=targets.overwrite)
        write_whole(stations, stations_csv(bands), overwrite=targets.overwrite)
    if targets.picture is not None:
        on_step("Drawing the chart")
        from .evenness_chart import draw_chart

        content = draw_chart(found, targets.picture.suffix.lower())
        write_whole(targets.picture, content, overwrite=targets.overwrite)
    if targets.crops is not None:
        from .evenness_chart import fault_crops

        targets.crops.mkdir(exist_ok=True)
        crops = 0
        for name, content in fault_crops(found):
            write_whole(targets.crops / name, content, overwrite=targets.overwrite)
            crops += 1
        pictures = "1 picture of a fault" if crops == 1 else f"{crops or 'no'} pictures of faults"
        folders = (f"{targets.crops} ({pictures})",)
    if targets.report is not None:
        on_step("Writing the report")
        from .report_evenness import evenness_report

        write_whole(targets.report, evenness_report(found, request), overwrite=targets.overwrite)
    return written_text((targets.picture, targets.csv, stations, targets.report), *folders)
