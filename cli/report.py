"""The report of `pickglass sett`: one self-contained page to read on a phone, to print, and to keep."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from ..calibration.units import MM_PER_INCH
from .charts import RUN, Spacings, spacing_chart, stretches
from .doubt_words import doubt_advice, doubt_codes, doubt_words
from .photo_words import GOOD_ENOUGH, quality_rows
from .report_blocks import Figure, Grid, cautions_of, page, program_fact, verdict_words
from .report_pictures import PhotoView, close_view, flat_pieces, is_long, photo_view, repeat_picture, ribbon
from .report_quality import BETTER
from .request_text import options_text
from .rounding import plain, with_uncertainty
from .screen import printable
from .sett_text import (
    across_width_words,
    count_words,
    density_words,
    pixel_words,
    relative_u95_percent,
    scale_words,
    warp_facts,
    weave_words,
)

if TYPE_CHECKING:
    from ..calibration.photo import Photo
    from ..measure.results import SettResult, ThreadReading
    from ..measure.sett import SettMeasurement
    from ..measure.tracks import SystemTrack
    from .pipeline import Request

__all__ = ["LEAST_SPACINGS", "density_figure", "method_rows", "sett_report"]

STRETCH_DIGITS = 3  # of a fifth of the threads: their placing leaves some tenths of a percent
LEAST_SPACINGS = 5  # fewer make no chart


def sett_report(photo: Photo, measurement: SettMeasurement, request: Request) -> bytes:
    """Return the report as an HTML file in UTF-8.

    Parameters
    ----------
    photo, measurement
        What was measured.
    request : Request
        What was asked for, to be told under how it was measured.
    """
    result, plane = measurement.result, measurement.plane
    view = photo_view(photo, measurement)
    context: dict[str, Any] = {
        "kind": "ends and picks of one photo",
        "made_from": "one photo; nothing was sent anywhere",
        "title": printable(result.photo),
        "ribbon": ribbon(measurement),
        "verdict": result.verdict,
        **_verdict_words(result),
        "figures": _figures(result),
        "doubts": doubt_words(result),
        "doubt_advice": doubt_advice(result),
        "checks": _checks(result),
        "photo": view.marked,
        "flat": flat_pieces(measurement),
        "flat_words": _flat_words(measurement),
        "close": close_view(measurement),
        "repeat": repeat_picture(measurement),
        "repeat_words": _repeat_words(measurement),
        "run": RUN,
        "charts": _charts(measurement),
        "threads": _table(measurement),
        "facts": _facts(measurement),
        "cautions": _cautions(measurement),
        "quality": [] if measurement.quality is None else quality_rows(measurement.quality),
        "advice": [] if measurement.quality is None else [a.text for a in measurement.quality.advice],
        "better": BETTER if measurement.quality is not None and measurement.quality.advice else GOOD_ENOUGH,
        "method": method_rows(view, measurement, request),
        "budgets": [
            (name, lines, total)
            for name, lines, total in (
                ("scale", plane.budget, plane.u95_percent),
                ("ends", result.ends.budget, relative_u95_percent(result.ends)),
                ("picks", result.picks.budget, relative_u95_percent(result.picks)),
            )
            if lines
        ],
    }
    return page("report_sett.html.j2", context)


def _verdict_words(result: SettResult) -> dict[str, str]:
    if result.verdict == "measured":
        return {
            "verdict_words": verdict_words(result.verdict),
            "verdict_sentence": "The threads show clearly enough to work from these numbers. Count a stretch by eye "
            "before you warp.",
        }
    return {
        "verdict_words": verdict_words(result.verdict),
        "verdict_sentence": "Do not warp by these numbers before you have counted a stretch by eye.",
    }


def _figures(result: SettResult) -> list[Figure]:
    """Return the headline figures."""
    figures = [density_figure("Ends", result.ends), density_figure("Picks", result.picks)]
    sample = result.sample
    if sample.width_mm is not None:
        more = [f"{sample.width_mm / MM_PER_INCH:z.2f} inches"]
        if sample.length_mm is not None:
            more.append(f"{sample.length_mm:z.0f} mm of length seen")
        value, _, doubt = with_uncertainty(sample.width_mm, sample.width_u95_mm).partition(" ± ")
        figures.append(Figure(title="Width", value=value, doubt=doubt, unit="mm", more=more))
    name, _, rest = weave_words(result).partition(", repeat ")
    repeat, _, face = (f"repeat {rest}" if rest else name).partition("; ")
    word = result.weave.name if result.weave.name != "unknown" else "?"
    more = [part for part in (repeat if rest else "not recognised", face) if part]
    figures.append(Figure(title="Weave", value=word, more=more))
    return figures


def density_figure(name: str, reading: ThreadReading) -> Figure:
    """Return a density as a headline figure."""
    more = [] if reading.count is None else [f"{count_words(reading)} counted"]
    if reading.per_inch is None or reading.per_cm is None:
        value, _, doubt = pixel_words(reading)[0].partition(" ± ")
        more = ["no scale: nothing can be said per inch", *more]
        return Figure(title=f"{name} per 1000 pixels", value=value, doubt=doubt, more=more)
    u95 = reading.u95_per_inch
    value, _, doubt = with_uncertainty(reading.per_inch, u95).partition(" ± ")
    per_cm = density_words(reading.per_cm, None if u95 is None else u95 / 2.54)
    return Figure(title=f"{name} per inch", value=value, doubt=doubt, more=[f"{per_cm} per cm", *more])


def _checks(result: SettResult) -> list[str]:
    checks = [
        "On the photo below, count from one number to the next, for example from 10 to 20: it must be ten steps.",
        "Do that once for the ends and once for the picks, where the cloth looks least even.",
        "Look at both selvedges: the first and the last end must carry a line, and no line may lie beside the cloth.",
        "Look at the enlarged view: one line on every thread, none between two. A ply is not a thread.",
    ]
    if result.ends.count is not None:
        checks.append(f"If you know how many ends you warped: {count_words(result.ends)} were counted here.")
    return checks


def _flat_words(measurement: SettMeasurement) -> str:
    words = (
        "The cloth, laid flat and straight by calculation: a line on every end and on every pick, every tenth one "
        "stronger and numbered."
    )
    if is_long(measurement):
        words += " The warp runs from left to right, first pick at the left, end 1 below."
    missing = [
        name
        for name, track in (("ends", measurement.tracks.ends), ("picks", measurement.tracks.picks))
        if track.count == 0
    ]
    if missing:
        words += f" The {' and '.join(missing)} could not be followed one by one and carry no lines."
    return words


def _repeat_words(measurement: SettMeasurement) -> str:
    repeat = measurement.repeat
    cells = f"averaged over {repeat.cells} places" if repeat.cells > 1 else "from one place"
    return (
        f"The repeat of {repeat.ends} ends and {repeat.picks} picks, {cells} and shown twice each way. "
        "It must look like your draft."
    )


def _charts(measurement: SettMeasurement) -> list[dict[str, Any]]:
    from markupsafe import Markup

    charts = []
    for name, track in (("ends", measurement.tracks.ends), ("picks", measurement.tracks.picks)):
        spacings = _spacings(name, track, measurement)
        if spacings is None:
            continue
        unit = "mm" if spacings.scaled else "px"
        density = f"{name} per inch" if spacings.scaled else f"{name} per 1000 px"
        where = "across the width" if name == "ends" else "along the warp"
        rows = stretches(spacings)
        values = [value for _, _, value in rows]
        description = (
            f"{len(spacings.spacing) + 1} {name}; mean spacing {spacings.spacing.mean():.3g} {unit}. In five stretches "
            f"from the first: {', '.join(plain(value, digits=STRETCH_DIGITS) for value in values)} {density}."
        )
        title = f"Spacing of the {name} {where}"
        charts.append(
            {
                "heading": title,
                "svg": Markup(
                    spacing_chart(spacings, title=title, description=description)
                ),  # our own, escaped
                "caption": f"{name.capitalize()} in five stretches {where}",
                "unit": unit,
                "density": density,
                "rows": [
                    (f"{low:z.0f} to {high:z.0f}", plain(value, digits=STRETCH_DIGITS))
                    for low, high, value in rows
                ],
            }
        )
    return charts


def _spacings(name: str, track: SystemTrack, measurement: SettMeasurement) -> Spacings | None:
    if track.count < LEAST_SPACINGS + 1:
        return None
    scaled = measurement.plane.source != "none"
    factor = 1.0 if measurement.height is None else measurement.height.length_factor
    at = (track.positions_px - track.positions_px[0]) / measurement.patch.px_per_mm * factor
    spacing = np.diff(at)
    return Spacings(name=name, at=at[:-1] + spacing / 2, spacing=spacing, scaled=scaled)


def _table(measurement: SettMeasurement) -> Grid:
    result = measurement.result
    names = (("ends (warp)", result.ends), ("picks (weft)", result.picks))
    if measurement.plane.source == "none":
        rows = [(name, *pixel_words(r), count_words(r)) for name, r in names]
        return Grid(columns=["threads", "per 1000 px", "px per thread", "counted"], rows=rows)
    full = [
        (
            name,
            density_words(r.per_inch, r.u95_per_inch),
            density_words(r.per_cm, None if r.u95_per_inch is None else r.u95_per_inch / 2.54),
            "–" if r.per_cm is None else f"{10.0 / r.per_cm:.3g} mm",
            count_words(r),
        )
        for name, r in names
    ]
    return Grid(columns=["threads", "per inch", "per cm", "spacing", "counted"], rows=full)


def _facts(measurement: SettMeasurement) -> list[tuple[str, str]]:
    result, sample = measurement.result, measurement.result.sample
    rows = [("weave", weave_words(result))]
    if sample.width_mm is not None:
        rows.append(("width", f"{with_uncertainty(sample.width_mm, sample.width_u95_mm)} mm"))
    if result.ends.across_width_per_inch is not None:
        rows.append(
            (
                "over full width",
                f"{across_width_words(result)} ends per inch, selvedges included",
            )
        )
    if sample.length_mm is not None:
        rows.append(("length seen", f"{sample.length_mm:z.0f} mm"))
    rows.extend(warp_facts(sample))
    return rows


def _cautions(measurement: SettMeasurement) -> list[str]:
    """Remarks that do not stand among the doubts already."""
    told = doubt_codes(measurement.result)
    notices = (*measurement.plane.notices, *measurement.result.notices)
    return cautions_of(notice for notice in notices if notice.code not in told)


def method_rows(view: PhotoView, measurement: SettMeasurement, request: Request) -> list[tuple[str, str]]:
    """Return how one photo was measured; where the phone stood and pixels per thread stand with what the photo was like."""
    plane, result = measurement.plane, measurement.result
    out = [
        ("photo", f"{printable(result.photo)}, {view.columns} × {view.rows} pixels"),
        ("camera", printable(view.camera) if view.camera else "the file does not say"),
        ("scale from", "no scale" if plane.source == "none" else scale_words(plane)),
    ]
    if plane.card_code:
        out.append(("card", printable(plane.card_code)))
    if plane.source != "none":
        sure = f"sure to {plane.u95_percent:z.2f} %" if plane.budget else "taken as exact, for it was given"
        out.append(("scale", f"{measurement.patch.px_per_mm:z.1f} pixels per mm, {sure}"))
    if measurement.height is not None:
        lift = 100.0 * (1.0 - measurement.height.length_factor)
        out.append(
            ("height of the cloth", f"lengths taken {lift:z.2f} % shorter than in the plane of the card")
        )
    out += [
        (
            "a thread, not its half or double",
            f"ends {_share(result.ends.probability)}, picks {_share(result.picks.probability)}",
        ),
        ("what was told", options_text(request) or "nothing beyond the photo"),
        program_fact(),
    ]
    return out


def _share(probability: float) -> str:
    return "over 99 %" if probability > 0.99 else f"{100 * probability:z.0f} %"
