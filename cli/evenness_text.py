"""What `pickglass evenness` tells a weaver: a few figures, a table of stations, one sentence per finding."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

from .evenness_words import SAFETY, faults_words, finding_words
from .rounding import with_uncertainty
from .screen import paragraph, printable, shade, width

if TYPE_CHECKING:
    from ..measure.band_comparison import BandComparison
    from ..measure.evenness import Evenness
    from ..measure.rail_join import Placed

__all__ = [
    "CHANGES_WORDS",
    "PLACED_AS_GIVEN",
    "comparison_rows",
    "comparison_text",
    "evenness_text",
    "figure_rows",
    "joined_text",
    "no_station_words",
    "placed_rows",
    "safety_text",
    "station_rows",
]

CHANGES_WORDS = "No step, rhythm or fault stands out from the scatter of this band."

# Unit, decimals, and what the second band is when its figure is smaller or larger.
_COMPARED = {"picks per inch": ("", 2, ("fewer", "more")), "width": (" mm", 1, ("narrower", "wider"))}
PLACED_AS_GIVEN = (
    "The picks that two photos share do not settle how far they overlap, so what --start-at says was taken: the length and "
    "the number of picks of the whole are no surer than that. Overlap the photos more."
)
_SHADE = {"measured": "good", "unsure": "care", "refused": "bad"}


def evenness_text(evenness: Evenness, *, name: str, verdict: str, notes: Sequence[str] = ()) -> str:
    """Return the answer on one band as text for the screen; `safety_text` ends the whole."""
    columns = width(sys.stdout)
    blocks = [
        f"{printable(name)}: {shade(verdict, _SHADE[verdict], sys.stdout)}",
        "\n".join(
            paragraph(value, columns=columns, first=f"  {name.ljust(15)}", indent=" " * 17)
            for name, value in figure_rows(evenness)
        ),
        "\n".join(_stations(evenness, columns))
        if evenness.stations
        else paragraph(no_station_words(evenness), columns=columns, first="  ", indent="  "),
    ]
    said = [*finding_words(evenness), *faults_words(evenness.faults)]
    if not said:
        said = [CHANGES_WORDS]
    blocks.append("\n".join(paragraph(text, columns=columns, first="  - ", indent="    ") for text in said))
    if notes:
        blocks.append(
            "\n".join(paragraph(note, columns=columns, first="  Note: ", indent="        ") for note in notes)
        )
    return "\n\n".join(blocks)


def safety_text() -> str:
    """Return what evenness says nothing of, once for all bands."""
    return paragraph(SAFETY, columns=width(sys.stdout), first="  Safety: ", indent="          ")


def joined_text(placed: Sequence[Placed]) -> str:
    """Return where every photo was put along the band."""
    (photo, start, shared), *rows = placed_rows(placed)
    lines = [f"  {photo.ljust(29)}{start.rjust(12)}   {shared}"]
    lines += [f"  {name[:27].ljust(29)}{at.rjust(12)}   {words}" for name, at, words in rows]
    blocks = ["\n".join(lines)]
    if any(not photo.by_picks for photo in placed):
        blocks.append(
            paragraph(PLACED_AS_GIVEN, columns=width(sys.stdout), first="  Note: ", indent="        ")
        )
    return "\n\n".join(blocks)


def placed_rows(placed: Sequence[Placed]) -> list[tuple[str, str, str]]:
    """Return the headings, then a row for every photo of a joined band."""
    rows = [("photo", "starts at mm", "picks shared with the one before")]
    for photo in placed:
        shared = "–" if photo.overlap_picks is None else str(photo.overlap_picks)
        if not photo.by_picks:
            shared += " (placed as given)"
        rows.append((printable(photo.photo), f"{photo.start_mm:z.1f}", shared))
    return rows


def comparison_text(first: str, second: str, found: Sequence[BandComparison]) -> str:
    """Return what differs between two bands."""
    columns = width(sys.stdout)
    lines = [f"{printable(second)} against {printable(first)} (Welch's t test on the stations)"]
    for c in found:
        unit, decimals, ways = _COMPARED[c.of]
        told = f"{c.of} {c.second:z.{decimals}f} against {c.first:z.{decimals}f}{unit}: "
        if c.significant:
            size = with_uncertainty(abs(c.difference_percent), c.u95_percent)
            rare = "fewer than 1 of 1000" if c.p_value < 0.001 else f"{1000 * c.p_value:z.0f} of 1000"
            told += f"{size} % {ways[c.difference_percent > 0]}; chance alone does that in {rare} cases."
        else:
            told += "no difference that scatter and scale would not explain."
        lines.append(paragraph(told, columns=columns, first="  ", indent="    "))
    return "\n".join(lines)


def comparison_rows(found: Sequence[BandComparison]) -> list[tuple[str, str, str, str, str]]:
    """Return (of what, first, second, difference in percent, what it is worth) of two bands."""
    rows = []
    for c in found:
        unit, decimals, _ = _COMPARED[c.of]
        rows.append(
            (
                f"{c.of},{unit}" if unit else c.of,
                f"{c.first:z.{decimals}f}",
                f"{c.second:z.{decimals}f}",
                with_uncertainty(c.difference_percent, c.u95_percent),
                "differs" if c.significant else "does not differ more than scatter and scale leave in doubt",
            )
        )
    return rows


def figure_rows(evenness: Evenness) -> list[tuple[str, str]]:
    """Return the figures of a whole band: (name, value in words)."""
    picks = len(evenness.trace.pick_mm)
    rows = [
        ("length seen", f"{evenness.trace.length_mm:z.0f} mm from the first pick to the last, {picks} picks")
    ]
    inferred = int(evenness.trace.inferred.sum())
    if inferred:
        rows[0] = (rows[0][0], f"{rows[0][1]}, {inferred} of them only inferred")
    window = evenness.options.window_mm
    rows += [
        (
            "beat scatters",
            _by(evenness.beat_cv_percent, f"over stations of {window:g} mm (coefficient of variation)"),
        ),
        (
            "pick to pick",
            _by(evenness.pick_spacing_cv_percent, "smoothed over about three picks by the tracking"),
        ),
        ("width scatters", _by(evenness.width_cv_percent, "station to station")),
        ("end to end", _by(evenness.end_spacing_cv_percent, "across the width")),
    ]
    cover = [s.warp_share for s in evenness.stations if s.warp_share is not None]
    if cover:
        share = f"about {sum(cover) / len(cover):z.2f} of the surface, by colour (true to about 0.1)"
        rows.append(("warp seen", share))
    drift = evenness.drift
    if drift is not None:
        size = f"{drift.percent_per_100mm:+z.1f} ± {drift.u95_percent_per_100mm:z.1f} % per 100 mm"
        rows.append(("drift of beat", size if drift.significant else f"{size}: within the scatter"))
    if evenness.bow_percent is not None:
        way = "smile" if evenness.bow_percent > 0 else "frown"
        rows.append(
            ("bow", f"at most {abs(evenness.bow_percent):z.1f} % ({way}) at {evenness.bow_at_mm:z.0f} mm")
        )
    if evenness.skew_percent is not None:
        side = "right" if evenness.skew_percent > 0 else "left"
        rows.append(
            (
                "skew",
                f"at most {abs(evenness.skew_percent):z.1f} % ({side} side ahead) at {evenness.skew_at_mm:z.0f} mm",
            )
        )
    return rows


def _by(cv_percent: float | None, note: str) -> str:
    return "–" if cv_percent is None else f"by {cv_percent:z.1f} %, {note}"


def _stations(evenness: Evenness, columns: int) -> list[str]:
    widths = (9, 11, 10, 11, 8, 9, 12)
    if columns < sum(widths):  # a narrow terminal
        widths = (7, 9, 9, 10, 7, 8, 10)
    return [
        "".join(cell.rjust(columns) for cell, columns in zip(row, widths, strict=False))
        for row in station_rows(evenness)
    ]


def no_station_words(evenness: Evenness) -> str:
    """Return why there is no station and how to get some."""
    return (
        f"No station: the {evenness.options.window_mm:g} mm that each sums up are more than the "
        f"{evenness.trace.length_mm:z.0f} mm from the first pick to the last. Give a shorter --window."
    )


def station_rows(evenness: Evenness) -> list[tuple[str, ...]]:
    """Return the headings, then a row for every station."""
    heads: tuple[str, ...] = ("at mm", "picks/in", "ends/in", "width mm", "bow %", "skew %")
    covered = any(s.warp_share is not None for s in evenness.stations)
    rows = [(*heads, "warp seen") if covered else heads]
    for s in evenness.stations:
        shape = s.shape
        row = (
            f"{s.at_mm:z.0f}",
            f"{s.picks_per_inch:z.2f}",
            _number(s.ends_per_inch, 2),
            _number(s.width_mm, 1),
            _number(None if shape is None else shape.bow_percent, 1),
            _number(None if shape is None else shape.skew_percent, 1),
        )
        rows.append((*row, _number(s.warp_share, 2)) if covered else row)
    return rows


def _number(value: float | None, decimals: int) -> str:
    return "–" if value is None else f"{value:z.{decimals}f}"
