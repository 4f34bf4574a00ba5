"""The files of `pickglass plan`: sheet, table and picture, each checked before anything is worked out."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from ..calibration.errors import UsageError
from ..calibration.notices import Notice
from .files import check_targets, write_whole

if TYPE_CHECKING:
    from ..measure.plan import WarpPlan
    from ..measure.sett_advice import Substitution
    from .plan_colours import Rgb
    from .plan_request import Prepared

__all__ = ["Wanted", "check_outputs", "write_outputs"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """The files asked for, and how the sheet is to look."""

    sheet: Path | None
    csv: Path | None
    preview: Path | None
    report: Path | None
    overwrite: bool
    title: str
    paper: str


def check_outputs(wanted: Wanted) -> None:
    """Refuse targets that cannot be written, and two that are the same file."""
    targets = (
        (wanted.sheet, "--sheet", (".html", ".htm")),
        (wanted.csv, "--csv", (".csv",)),
        (wanted.preview, "--preview", (".png",)),
    )
    for path, flag, endings in targets:
        if path is not None and path.suffix.lower() not in endings:
            raise UsageError(
                "bad-file-name", f"{flag} {path} does not end in {endings[0]}.", f"End it in {endings[0]}."
            )
    named = {flag: path for path, flag, _ in targets} | {"--report": wanted.report}
    check_targets(named, overwrite=wanted.overwrite)
    if not wanted.title.strip() or len(wanted.title) > 80 or not wanted.title.isprintable():
        what = "too long" if len(wanted.title) > 80 else "no line of words"
        raise UsageError(
            "bad-title", f"The title is {what}.", "Give 1 to 80 letters on one line with --title."
        )


def write_outputs(
    wanted: Wanted,
    plan: WarpPlan,
    prepared: Prepared,
    paint: Mapping[str, str],
    substitutions: Sequence[Substitution] = (),
) -> tuple[WarpPlan, tuple[str, ...]]:
    """Write the files asked for; return the plan with any further remarks, and the names written."""
    from .plan_colours import paint_for

    weft = plan.request.weft_order.ends() if plan.request.weft_order else ("weft",)
    # In a warp-faced band the weft shows only at the selvedges, where it had best be the outermost end's colour.
    if plan.request.weft_order is None and prepared.band:
        paint = {"weft": _hex(plan.ends[0], prepared.palette, paint), **paint}
    paints, unknown = paint_for([*plan.ends, *weft], {**prepared.palette, **paint})
    painted = bool(wanted.sheet or wanted.preview or wanted.report)
    notices = _colour_notices(unknown if painted else (), prepared.unsure_ends)
    plan = replace(plan, notices=(*plan.notices, *notices))
    # Numbers of the sample's ends say nothing of a warp that repeats its order more or less often.
    marked = prepared.unsure_ends if plan.ends == prepared.sample_order else ()
    files: tuple[tuple[Path | None, Callable[[], bytes], str], ...] = (
        (
            wanted.sheet,
            lambda: _sheet(wanted, plan, prepared, paints, marked),
            " (open it in a browser and print it)",
        ),
        (wanted.csv, lambda: _threading(plan, marked), ""),
        (wanted.preview, lambda: _face(plan, weft, paints, prepared), ""),
        (
            wanted.report,
            lambda: _report(wanted, plan, prepared, paints, substitutions),
            " (open it in a browser)",
        ),
    )
    written = []
    for target, content, hint in files:
        if target is not None:
            write_whole(target, content(), overwrite=wanted.overwrite)
            written.append(f"{target}{hint}")
    return plan, tuple(written)


def _colour_notices(unknown: Sequence[str], unsure_ends: Sequence[int]) -> list[Notice]:
    """Return remarks on colours without a known paint, and on ends whose colour the photo left open."""
    notices = []
    if unknown:
        notices.append(
            Notice(
                "colour-unknown",
                f"Painted in grey for want of a known name: {', '.join(unknown)}. Give --colour {unknown[0]}=#rrggbb.",
            )
        )
    if unsure_ends:
        shown = ", ".join(str(n) for n in unsure_ends[:20])
        notices.append(
            Notice(
                "colours-unsure",
                f"The photo left these ends of the sample unsure, in colour or at the edges as ends at all: {shown}. "
                "Look at the sample.",
            )
        )
    return notices


def _sheet(
    wanted: Wanted, plan: WarpPlan, prepared: Prepared, paints: Mapping[str, Rgb], marked: Sequence[int]
) -> bytes:
    from .plan_sheet import warping_sheet

    return warping_sheet(
        plan,
        paints,
        units=prepared.units,
        band=prepared.band,
        title=wanted.title,
        paper=wanted.paper,
        unsure_ends=marked,
    )


def _threading(plan: WarpPlan, marked: Sequence[int]) -> bytes:
    from ..measure.colour_order import thread_two_sheds
    from .plan_csv import threading_csv

    return threading_csv(thread_two_sheds(plan.ends, plan.request.first_opening), marked)


def _face(plan: WarpPlan, weft: Sequence[str], paints: Mapping[str, Rgb], prepared: Prepared) -> bytes:
    from .plan_preview import face_png

    return face_png(plan.ends, weft, paints, band=prepared.band, picks=32)


def _report(
    wanted: Wanted,
    plan: WarpPlan,
    prepared: Prepared,
    paints: Mapping[str, Rgb],
    substitutions: Sequence[Substitution],
) -> bytes:
    from .report_plan import plan_report

    return plan_report(
        plan,
        paints,
        units=prepared.units,
        band=prepared.band,
        title=wanted.title,
        sources=prepared.sources,
        advice=prepared.advice,
        substitutions=substitutions,
    )


def _hex(name: str, palette: Mapping[str, str], paint: Mapping[str, str]) -> str:
    from .plan_colours import paint_for

    red, green, blue = paint_for([name], {**palette, **paint})[0][name]
    return f"#{red:02x}{green:02x}{blue:02x}"
