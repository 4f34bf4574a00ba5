"""What `pickglass evenness` tells a weaver: a few figures, a table of stations, one sentence per finding."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

from .evenness_words import SAFETY, fault_words, finding_words
from .rounding import plain, with_uncertainty
from .screen import paragraph, printable, shade, width

if TYPE_CHECKING:
    from ..measure.evenness import BandComparison, Evenness
    from ..measure.rail_join import Placed

__all__ = [
    "CHANGES_WORDS",
    "comparison_rows",
    "comparison_text",
    "evenness_text",
    "figure_rows",
    "joined_text",
    "placed_rows",
    "station_rows",
]

CHANGES_WORDS = "No step, rhythm or fault stands out from the scatter of this band."

_SHADE = {"measured": "good", "unsure": "care", "refused": "bad"}


def evenness_text(evenness: Evenness, *, name: str, verdict: str, notes: Sequence[str] = ()) -> str:
    """Return the whole answer on one band as text for the screen."""
    columns = width(sys.stdout)
    blocks = [
        f"{printable(name)}: {shade(verdict, _SHADE[verdict], sys.stdout)}",
        "\n".join(f"  {name.ljust(15)}{value}" for name, value in figure_rows(evenness)),
        "\n".join(_stations(evenness)),
    ]
    said = [*finding_words(evenness), *(fault_words(fault) for fault in evenness.faults)]
    if not said:
        said = [CHANGES_WORDS]
    blocks.append("\n".join(paragraph(text, columns=columns, first="  - ", indent="    ") for text in said))
    if notes:
        blocks.append(
            "\n".join(paragraph(note, columns=columns, first="  Note: ", indent="        ") for note in notes)
        )
    blocks.append(paragraph(SAFETY, columns=columns, first="  Safety: ", indent="          "))
    return "\n\n".join(blocks)


def joined_text(placed: Sequence[Placed]) -> str:
    """Return where every photo was put along the band."""
    (photo, start, shared), *rows = placed_rows(placed)
    lines = [f"  {photo.ljust(29)}{start.rjust(12)}   {shared}"]
    lines += [f"  {name[:27].ljust(29)}{at.rjust(12)}   {words}" for name, at, words in rows]
    return "\n".join(lines)


def placed_rows(placed: Sequence[Placed]) -> list[tuple[str, str, str]]:
    """Return the headings, then a row for every photo of a joined band."""
    rows = [("photo", "starts at mm", "picks shared with the one before")]
    for photo in placed:
        shared = "–" if photo.overlap_picks is None else str(photo.overlap_picks)
        if not photo.by_picks:
            shared += "  (place as given: the shared picks do not settle it; overlap the photos more)"
        rows.append((printable(photo.photo), f"{photo.start_mm:z.1f}", shared))
    return rows


def comparison_text(first: str, second: str, found: Sequence[BandComparison]) -> str:
    """Return what differs between two bands."""
    columns = width(sys.stdout)
    lines = [f"{printable(second)} against {printable(first)}"]
    for c, (of, one, two, size, told) in zip(found, comparison_rows(found), strict=True):
        chance = "below 0.001" if c.p_value < 0.001 else f"{c.p_value:z.3f}"
        lines.append(
            paragraph(
                f"{of}: {one} and {two}, {size} %: {told} (Welch's t test, p {chance}; the "
                f"stations count as {c.effective_first:z.0f} and {c.effective_second:z.0f} independent ones).",
                columns=columns,
                first="  ",
                indent="    ",
            )
        )
    return "\n".join(lines)


def comparison_rows(found: Sequence[BandComparison]) -> list[tuple[str, str, str, str, str]]:
    """Return (of what, first, second, difference in percent, what it is worth) of two bands."""
    return [
        (
            c.of,
            plain(c.first),
            plain(c.second),
            with_uncertainty(c.difference_percent, c.u95_percent),
            "differs" if c.significant else "does not differ more than scatter and scale leave in doubt",
        )
        for c in found
    ]


def figure_rows(evenness: Evenness) -> list[tuple[str, str]]:
    """Return the figures of a whole band: (name, value in words)."""
    rows = [("length seen", f"{evenness.trace.length_mm:z.0f} mm, {len(evenness.trace.pick_mm)} picks")]
    inferred = int(evenness.trace.inferred.sum())
    if inferred:
        rows[0] = (rows[0][0], f"{rows[0][1]}, {inferred} of them only inferred")
    window = evenness.options.window_mm
    rows += [
        ("beat scatters", _cv(evenness.beat_cv_percent, f"over stations of {window:g} mm")),
        (
            "pick to pick",
            _cv(evenness.pick_spacing_cv_percent, "smoothed over about three picks by the tracking"),
        ),
        ("width scatters", _cv(evenness.width_cv_percent, "")),
        ("end to end", _cv(evenness.end_spacing_cv_percent, "across the width")),
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


def _cv(value: float | None, note: str) -> str:
    if value is None:
        return "–"
    return f"CV {value:z.1f} %" + (f", {note}" if note else "")


def _stations(evenness: Evenness) -> list[str]:
    widths = (9, 11, 10, 11, 8, 9, 12)
    return [
        "".join(cell.rjust(columns) for cell, columns in zip(row, widths, strict=False))
        for row in station_rows(evenness)
    ]


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
