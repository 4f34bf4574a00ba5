"""The report of `pickglass evenness`: what changed along the band, where to look, and every station."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from ..calibration.units import MM_PER_INCH
from .charts_band import band_chart
from .evenness_chart import fault_views, views_of
from .evenness_text import (
    CHANGES_WORDS,
    PLACED_AS_GIVEN,
    comparison_rows,
    figure_rows,
    no_station_words,
    placed_rows,
    station_rows,
)
from .evenness_words import FAULT_NAMES, faults_words, finding_words
from .report import method_rows
from .report_blocks import (
    Block,
    Budget,
    Chart,
    Facts,
    Figure,
    Grid,
    Page,
    Pair,
    Picture,
    Points,
    Section,
    Words,
    cautions_of,
    render,
)
from .report_pictures import inlay_of, ribbon
from .report_quality import quality_section
from .rounding import plain, with_uncertainty
from .screen import printable

if TYPE_CHECKING:
    from ..measure.evenness import Evenness
    from ..measure.photo_quality import PhotoQuality
    from .evenness_chart import View
    from .evenness_run import Run
    from .pipeline import Request

__all__ = ["evenness_report"]

HOW_TO_READ = (
    "Places count along the warp from the first pick seen. Above lies the cloth; below it the beat, each dot a station and "
    "the thin line from pick to pick, and the width. Broken lines are steps, numbered marks are faults."
)
STRIP_PX = 1300  # longest side of the band's picture in the chart
FAULT_BYTES = 60_000
SENTENCES = {
    "measured": "The picks could be followed. Look at the places named below before you believe a finding.",
    "unsure": "The picks could be followed, but not surely: take places and sizes below as hints and look at the cloth.",
}


def evenness_report(found: Run, request: Request) -> bytes:
    """Return the report as an HTML file in UTF-8.

    Parameters
    ----------
    found : Run
        Every part with its `view`.
    request : Request
        What was asked for.
    """
    bands = views_of(found, longest_px=STRIP_PX)
    several = len(bands) > 1
    sections = []
    if several:
        sections.append(_comparison(found))
    for number, (name, evenness, views) in enumerate(bands, 1):
        sections += _band(number, printable(name) if several else "", evenness, views)
    sections.append(_checks(bands))
    sections.append(_faults(found))
    sections.append(_stations(bands))
    sections.append(_photos(found))
    sections.append(Section("Please mind", [Points(_cautions(found))]))
    sections.append(quality_section(_judged(found)))
    sections.append(_method(found, request))
    names = [printable(p.measurement.result.photo) for p in found.parts]
    report = Page(
        kind="evenness along the band" if not several else "evenness of several bands",
        title=names[0]
        if len(names) == 1
        else f"{names[0]} to {names[-1]}"
        if found.joined
        else ", ".join(names),
        made_from=f"{_photos_words(len(names))}; nothing was sent anywhere",
        verdict=found.verdict,
        sentence=SENTENCES[found.verdict],
        figures=[] if several else _figures(found),
        ribbon=ribbon(found.parts[0].measurement),
        sections=sections,
    )
    return render(report)


def _figures(found: Run) -> list[Figure]:
    evenness = found.joined or found.parts[0].evenness
    figures = [_beat_figure(found, evenness)]
    for title, value, note in (
        ("Beat scatters by", evenness.beat_cv_percent, f"over stations of {evenness.options.window_mm:g} mm"),
        ("Width scatters by", evenness.width_cv_percent, "station to station"),
    ):
        shown = "–" if value is None else f"{value:z.1f} %"
        figures.append(Figure(title=title, value=shown, more=["coefficient of variation", note]))
    drift = evenness.drift
    if drift is not None:
        figures.append(
            Figure(
                title="The beat drifts by",
                value=f"{drift.percent_per_100mm:+z.1f}",
                doubt=f"{drift.u95_percent_per_100mm:z.1f}",
                unit="%",
                more=["per 100 mm", "more than the scatter" if drift.significant else "within the scatter"],
            )
        )
    return figures


def _beat_figure(found: Run, evenness: Evenness) -> Figure:
    """Return the mean beat; its doubt is that of the one photo's picks, and of joined photos not worked out."""
    trace = evenness.trace
    per_inch = MM_PER_INCH * (len(trace.pick_mm) - 1) / trace.length_mm
    picks = found.parts[0].measurement.result.picks
    if found.joined is None and picks.per_inch and picks.u95_per_inch is not None:
        share = picks.u95_per_inch / picks.per_inch
        value, _, doubt = with_uncertainty(per_inch, share * per_inch).partition(" ± ")
        per_cm = with_uncertainty(per_inch / 2.54, share * per_inch / 2.54)
    else:
        value, doubt, per_cm = plain(per_inch, digits=3), "", plain(per_inch / 2.54, digits=3)
    return Figure(
        title="Beat, picks per inch",
        value=value,
        doubt=doubt,
        more=[f"{per_cm} per cm", f"{len(trace.pick_mm)} picks over {trace.length_mm:z.0f} mm"],
    )


def _band(number: int, name: str, evenness: Evenness, views: Sequence[View]) -> list[Section]:
    """Return what is told of one band; `name` is given where there are several."""
    prefix = f"{number}. {name}: " if name else ""
    findings = [*finding_words(evenness), *faults_words(evenness.faults)]
    blocks: list[Block] = [Points(findings)] if findings else [Words(CHANGES_WORDS)]
    values = ", ".join(f"{s.at_mm:z.0f} mm {plain(s.picks_per_inch)}" for s in evenness.stations)
    chart = band_chart(
        f"band{number}",
        evenness,
        views,
        title="The band with beat and width along the warp",
        description=f"Picks per inch: {values}.",
    )
    return [
        Section(f"{prefix}What changes along the band" if not prefix else f"{prefix}what changes", blocks),
        Section(
            "The band to scale" if not prefix else f"{prefix}to scale",
            [
                *([Words(HOW_TO_READ)] if number == 1 else []),
                Chart(chart, wide=True),
                Facts(figure_rows(evenness)),
            ],
        ),
    ]


def _checks(bands: Sequence[tuple[str, Evenness, Sequence[View]]]) -> Section:
    checks = []
    if any((*evenness.steps, *evenness.possible_steps) for _, evenness, _ in bands):
        checks.append(
            "At each step: lay a rule along the band and count the picks over the same length before and behind it."
        )
    if any(evenness.faults for _, evenness, _ in bands):
        checks.append(
            "At each fault: find the place on the band with a rule; the pictures show what to look for."
        )
    checks += [
        (
            "On the photo below, count from one number to the next: it must be ten picks. A pick left out or counted twice "
            "looks like a fault."
        ),
        "Turn the band over: what shows on both faces is in the cloth, what shows on one may be light or lint.",
        "Pull the band gently square and look again: a skew that goes away came from how it lay.",
    ]
    return Section("Check by eye", [Points(checks, ordered=True)])


def _faults(found: Run) -> Section:
    columns: list[list[Block]] = []
    for band, number, fault, view in fault_views(found):
        name = FAULT_NAMES[fault.kind]
        which = f"Band {band}, f" if band else "F"
        alt = f"The cloth around a suspected {name}, with a tick at each side"
        caption = f"{which}ault {number}: perhaps a {name} at {fault.at_mm:z.0f} mm. The ticks point at it."
        columns.append([Picture(inlay_of(view, alt, most_bytes=FAULT_BYTES), caption)])
    return Section("Faults, to be looked at", [Pair(columns)] if columns else [])


def _stations(bands: Sequence[tuple[str, Evenness, Sequence[View]]]) -> Section:
    grids: list[Block] = []
    for name, evenness, _ in bands:
        if not evenness.stations:
            grids.append(Words(no_station_words(evenness)))
            continue
        columns, *rows = station_rows(evenness)
        caption = f"Stations of {printable(name)}" if len(bands) > 1 else ""
        grids.append(Grid(columns=columns, rows=rows, caption=caption, dense=True))
    return Section("Every station", grids)


def _comparison(found: Run) -> Section:
    blocks: list[Block] = []
    for a, b, compared in found.comparisons:
        names = [printable(found.parts[k].measurement.result.photo) for k in (a, b)]
        if not compared:
            blocks.append(Words(f"{names[1]} against {names[0]}: too few stations for a comparison."))
            continue
        blocks.append(
            Grid(
                columns=("", "first", "second", "difference, %", "what it is worth"),
                rows=comparison_rows(compared),
                caption=f"First: {names[0]}; second: {names[1]}",
                numbers=False,
            )
        )
    if blocks:
        blocks.append(
            Words(
                "The difference counts the doubt of both scales and the scatter along each band (Welch's t test on stations, "
                "their number reduced to what they are worth as independent ones)."
            )
        )
    return Section("Side by side", blocks)


def _photos(found: Run) -> Section:
    blocks: list[Block] = []
    for part in found.parts:
        if part.view is not None:
            caption = (
                f"{printable(part.measurement.result.photo)}: every tenth end and pick carries its number."
            )
            blocks.append(Picture(part.view.marked, caption, "photo"))
    if found.placed:
        columns, *rows = placed_rows(found.placed)
        blocks.append(Grid(columns=columns, rows=rows, caption="Where each photo lies along the band"))
        if any(not photo.by_picks for photo in found.placed):
            blocks.append(Words(PLACED_AS_GIVEN))
    return Section("The photo" if len(found.parts) == 1 else "The photos", blocks)


def _cautions(found: Run) -> list[str]:
    notices = [n for p in found.parts for n in (*p.measurement.plane.notices, *p.measurement.result.notices)]
    return [
        *cautions_of(notices),
        "Each likely cause is common practice, never certain: the photo shows what lies where, not why.",
    ]


def _judged(found: Run) -> list[tuple[str, PhotoQuality | None]]:
    return [(printable(p.measurement.result.photo), p.measurement.quality) for p in found.parts]


def _method(found: Run, request: Request) -> Section:
    blocks: list[Block] = []
    for part in found.parts:
        measurement = part.measurement
        if part.view is not None:
            blocks.append(Facts(method_rows(part.view, measurement, request)))
        lines, total = measurement.plane.budget, measurement.plane.u95_percent
        if lines:
            blocks.append(Budget(f"scale of {printable(measurement.result.photo)}", lines, total))
    options = found.parts[0].evenness.options
    blocks.append(
        Facts([("stations", f"every {options.spacing_mm:g} mm, each over {options.window_mm:g} mm of cloth")])
    )
    return Section("How it was measured", blocks)


def _photos_words(count: int) -> str:
    return "one photo" if count == 1 else f"{count} photos"
