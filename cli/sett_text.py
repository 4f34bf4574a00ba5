"""What `pickglass sett` tells a weaver: a short table, plain warnings, what to check by eye."""

from __future__ import annotations

import math
import sys
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from ..calibration.budget import combine_percent
from .doubt_words import doubt_advice, doubt_codes, doubt_words
from .photo_words import best_advice, quality_text
from .rounding import plain, with_uncertainty
from .screen import paragraph, printable, shade, width

if TYPE_CHECKING:
    from ..calibration.budget import BudgetLine
    from ..calibration.plane import Plane
    from ..measure.photo_quality import PhotoQuality
    from ..measure.results import SampleReading, SettResult, ThreadReading

__all__ = [
    "SCALE_WORDS",
    "across_width_words",
    "caption_lines",
    "count_words",
    "density_words",
    "explain_text",
    "headline",
    "pixel_words",
    "relative_u95_percent",
    "scale_words",
    "sett_text",
    "warp_facts",
    "weave_words",
]

_SHADE = {"measured": "good", "unsure": "care", "refused": "bad"}
SCALE_WORDS = {
    "page-card": "printed page card",
    "pocket-card": "printed pocket card",
    "bank-card": "bank card",
    "rail": "printed rail",
    "rule": "rule in the photo",
    "given": "given by hand",
    "scan": "resolution of the scan",
}
_TWO_POINTS = "two points in the photo"
_WARP_ASSUMED = "taken to run down the photo; if it runs across, add --warp across"
_FACE_WORDS = {
    "balanced": "warp and weft both show",
    "warp-faced": "warp-faced: the ends cover the picks",
    "weft-faced": "weft-faced: the picks cover the ends",
}


def sett_text(
    result: SettResult, plane: Plane, *, picture: str | None = None, quality: PhotoQuality | None = None
) -> str:
    """Return the whole answer as text for the screen."""
    columns = width(sys.stdout)
    verdict = shade(result.verdict, _SHADE[result.verdict], sys.stdout)
    blocks = [f"{printable(result.photo)}: {verdict}", "\n".join(_table(result, plane))]
    if result.verdict == "unsure":
        blocks.append(_doubt(result, columns))
    told = doubt_codes(result)  # `_doubt` says these with their figures
    notices = dict.fromkeys(n for n in (*plane.notices, *result.notices) if n.code not in told)
    if notices:
        blocks.append(
            "\n".join(
                paragraph(notice.text, columns=columns, first="  Note: ", indent="        ")
                for notice in notices
            )
        )
    advice = None if quality is None else best_advice(quality, (*plane.notices, *result.notices))
    if advice is not None:
        blocks.append(paragraph(advice.text, columns=columns, first="  Next time: ", indent="             "))
    if result.verdict != "refused":
        blocks.append(
            paragraph(
                _check_by_eye(result, picture), columns=columns, first="  By eye: ", indent="          "
            )
        )
    return "\n\n".join(blocks)


def headline(result: SettResult) -> str:
    """Return the result in one line, as it stands under the picture."""
    parts = [_short(result.ends, "ends"), _short(result.picks, "picks")]
    if result.sample.width_mm is not None:
        parts.append(f"width {with_uncertainty(result.sample.width_mm, result.sample.width_u95_mm)} mm")
    text = ", ".join(parts)
    return text if result.verdict == "measured" else f"{result.verdict}: {text}"


def caption_lines(result: SettResult, plane: Plane) -> list[str]:
    """Return the words below the marked picture."""
    scale = f"scale: {scale_words(plane)}" if plane.source != "none" else "scale unknown"
    return [
        printable(result.photo),
        headline(result).replace(" ± ", "\u00a0±\u00a0"),
        f"{weave_words(result)}; {scale}",
        "Every tenth end and pick is marked: from 10 to 20 it must be ten steps, and so on.",
    ]


def explain_text(result: SettResult, plane: Plane, quality: PhotoQuality | None = None) -> str:
    """Return the uncertainty budgets as text, every source by name with its size, and what the photo was like."""
    blocks = []
    for title, lines, total in (
        ("scale", plane.budget, plane.u95_percent),
        ("ends", result.ends.budget, relative_u95_percent(result.ends)),
        ("picks", result.picks.budget, relative_u95_percent(result.picks)),
    ):
        if lines:
            blocks.append("\n".join(_budget_lines(title, lines, total, width(sys.stdout))))
    if not blocks:
        blocks.append("  No uncertainty budget: the scale is not known.")
    if quality is not None:
        blocks.append(quality_text(quality, width(sys.stdout)))
    return "\n\n".join(blocks)


def _table(result: SettResult, plane: Plane) -> list[str]:
    rows = _thread_rows(result) if plane.source != "none" else _pixel_rows(result)
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    lines = [
        "  "
        + "   ".join(
            [row[0].ljust(widths[0]), *(c.rjust(w) for c, w in zip(row[1:], widths[1:], strict=True))]
        )
        for row in rows
    ]
    lines.append("")
    columns = width(sys.stdout)
    lines.extend(
        paragraph(value, columns=columns, first=f"  {name.ljust(8)}", indent=" " * 10)
        for name, value in _facts(result, plane)
    )
    return lines


def _thread_rows(result: SettResult) -> list[list[str]]:
    rows = [["", "per inch", "per cm", "counted"]]
    for name, reading in (("ends (warp)", result.ends), ("picks (weft)", result.picks)):
        u95_cm = None if reading.u95_per_inch is None else reading.u95_per_inch / 2.54
        rows.append(
            [
                name,
                density_words(reading.per_inch, reading.u95_per_inch),
                density_words(reading.per_cm, u95_cm),
                count_words(reading),
            ]
        )
    return rows


def _pixel_rows(result: SettResult) -> list[list[str]]:
    rows = [["", "per 1000 px", "px per thread", "counted"]]
    for name, reading in (("ends (warp)", result.ends), ("picks (weft)", result.picks)):
        rows.append([name, *pixel_words(reading), count_words(reading)])
    return rows


def pixel_words(reading: ThreadReading) -> tuple[str, str]:
    """Return threads per 1000 pixels and pixels per thread of a photo without a scale, with what doubt the threads leave."""
    share = combine_percent(reading.budget) / 100.0 if reading.budget else None
    density, spacing = reading.per_1000_px, 1000.0 / reading.per_1000_px
    if share is None:
        return plain(density), plain(spacing)
    return with_uncertainty(density, share * density), with_uncertainty(spacing, share * spacing)


def across_width_words(result: SettResult) -> str:
    """Return all ends over the full width, per inch, with the doubt of their number and of the width."""
    return density_words(result.ends.across_width_per_inch, result.across_width_u95_per_inch)


def _facts(result: SettResult, plane: Plane) -> Iterable[tuple[str, str]]:
    sample = result.sample
    if sample.width_mm is not None:
        size = f"{with_uncertainty(sample.width_mm, sample.width_u95_mm)} mm"
        if result.ends.across_width_per_inch is not None:
            size += f"; all ends over the full width: {across_width_words(result)} per inch"
        yield "width", size
    if sample.length_mm is not None:
        yield "length", f"{sample.length_mm:z.0f} mm seen"
    yield "weave", weave_words(result)
    yield from warp_facts(sample)
    if plane.source == "none":
        yield "scale", "none, so nothing can be said per inch or per cm"
    else:
        tilt = "" if plane.tilt_deg is None else f", phone tilted by {plane.tilt_deg:z.0f}°"
        sure = f"sure to {plane.u95_percent:z.1f} %" if plane.budget else "how surely is not known"
        yield "scale", f"{scale_words(plane)}, {sure}{tilt}"


def warp_facts(sample: SampleReading) -> Iterable[tuple[str, str]]:
    """Yield what is said of the way of the warp: nothing where the weaver or a band's length told it."""
    if sample.warp_from == "photo":
        yield "warp", _WARP_ASSUMED
    elif sample.warp_from == "fringe":
        across = sample.warp_runs == "across"
        sides = "left and right" if across else "top and bottom"
        yield "warp", f"runs {sample.warp_runs} the photo, as the fringe at {sides} tells"


def scale_words(plane: Plane) -> str:
    """Return where the scale comes from; one given by hand has a budget only if two points were told."""
    return _TWO_POINTS if plane.source == "given" and plane.budget else SCALE_WORDS[plane.source]


def weave_words(result: SettResult) -> str:
    """Return the weave, its repeat and which system covers the face, in words."""
    weave = result.weave
    if weave.name == "unknown":
        return f"not recognised; {_FACE_WORDS[weave.face]}"
    repeat = (
        f", repeat {weave.repeat_ends} × {weave.repeat_picks}"
        if weave.repeat_ends and weave.repeat_picks
        else ""
    )
    return f"{weave.name}{repeat}; {_FACE_WORDS[weave.face]}"


def _doubt(result: SettResult, columns: int) -> str:
    """Return what is in doubt and what the weaver can do to settle the matter."""
    lines = [paragraph(text, columns=columns, indent="  ") for text in doubt_words(result)]
    advice = doubt_advice(result)
    if advice:
        lines.append(paragraph(advice, columns=columns, first="  What to do: ", indent="              "))
    return "\n".join(lines)


def _check_by_eye(result: SettResult, picture: str | None) -> str:
    if picture is not None:
        return (
            f"open {printable(picture)}; every tenth end and pick carries its number. Count from one number "
            "to the next, for example from 10 to 20: it must be ten steps."
        )
    return "add --picture marks.jpg to see every tenth end and pick marked on your photo, and count between the marks."


def _budget_lines(title: str, lines: Sequence[BudgetLine], total: float | None, columns: int) -> list[str]:
    name_width = max(len(line.name) for line in lines)
    out = [f"  Where the doubt in the {title} comes from (95 %, each source alone)"]
    for line in lines:
        first = f"    {line.name.ljust(name_width)}  {2 * line.standard_percent:z5.2f} %  "
        out.append(paragraph(line.origin, columns=columns, first=first, indent=" " * len(first)))
    if total is not None:
        out.append(f"    {'together'.ljust(name_width)}  {total:z5.2f} %")
    return out


def relative_u95_percent(reading: ThreadReading) -> float | None:
    """Return the expanded uncertainty of a density in percent of it; None without a scale."""
    if not reading.per_inch or reading.u95_per_inch is None:
        return None
    return 100.0 * reading.u95_per_inch / reading.per_inch


def density_words(value: float | None, u95: float | None) -> str:
    """Return a density with its uncertainty; a dash for what is not known."""
    return "–" if value is None else with_uncertainty(value, u95)


def count_words(reading: ThreadReading) -> str:
    """Return the count; a doubt of half a thread or more is said in whole threads, rounded up."""
    if reading.count is None:
        return "–"
    if reading.count_u95 is None or reading.count_u95 < 0.5:
        return str(reading.count)
    return f"{reading.count} ± {math.ceil(reading.count_u95)}"


def _short(reading: ThreadReading, name: str) -> str:
    if reading.per_inch is None:
        return f"{pixel_words(reading)[0]} {name} per 1000 px"
    return f"{with_uncertainty(reading.per_inch, reading.u95_per_inch)} {name} per inch"
