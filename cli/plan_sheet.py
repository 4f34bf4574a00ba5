"""The warping sheet: one page to print, fill in and hang beside the loom."""

from __future__ import annotations

import base64
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING, Any

from .plan_preview import face_png
from .plan_text import SAFETY, beat_on_loom, factor_rows

if TYPE_CHECKING:
    from ..measure.colour_order import Opening, WindingStep
    from ..measure.plan import WarpPlan
    from .plan_colours import Rgb
    from .plan_units import PlanUnits

__all__ = ["PAPERS", "warping_sheet"]

PAPERS = {"a4": "A4", "letter": "letter"}
_MAX_STEPS = 26  # more winding steps than this are written as running text
_MAX_CHART_ENDS = 224  # more ends than this go to the CSV only
_PER_LINE = 56
_MAX_FACE_ENDS = 90  # a wider face is drawn from its left edge
_PAPER_HEIGHT_MM = {"a4": 297.0, "letter": 279.4}  # ISO 216; ANSI
_MARGIN_MM = 9.0
_TITLE_LINE = 38  # letters of the title that fit on one line
_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Colour:
    name: str
    letter: str
    css: str
    dark: bool
    count: int


def warping_sheet(
    plan: WarpPlan,
    paints: Mapping[str, Rgb],
    *,
    units: PlanUnits,
    band: bool,
    title: str,
    paper: str,
    unsure_ends: Sequence[int] = (),
) -> bytes:
    """Return the sheet as one HTML file without anything to fetch."""
    from jinja2 import Environment, PackageLoader

    environment = Environment(
        loader=PackageLoader("pickglass.cli", "templates"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    # Two millimetres short of the page, so that rounding never starts a second one.
    height_mm = _PAPER_HEIGHT_MM[paper] - 2 * _MARGIN_MM - 2.0
    content = _page(plan, paints, units=units, band=band, unsure_ends=unsure_ends)
    page = environment.get_template("warping_sheet.html.j2").render(
        **_fitted(content, height_mm, title_lines=2 if len(title) > _TITLE_LINE else 1),
        title=title,
        paper=PAPERS[paper],
        margin_mm=_MARGIN_MM,
    )
    return page.encode()


def _page(
    plan: WarpPlan,
    paints: Mapping[str, Rgb],
    *,
    units: PlanUnits,
    band: bool,
    unsure_ends: Sequence[int],
) -> dict[str, Any]:
    """Return everything the template shows, as plain text and numbers."""
    from ..measure.colour_order import winding_steps, write_order

    colours = _colours(plan.ends, paints)
    steps = winding_steps(plan.ends)
    request = plan.request
    weft = request.weft_order.ends() if request.weft_order else ("weft",)
    shown = plan.ends[:_MAX_FACE_ENDS]
    picture = face_png(shown, weft, paints, band=band, picks=10 if band else 22)
    chart = _chart(plan, colours, unsure_ends)
    margin_from = plan.margin_shares[0] if plan.margin_shares else None
    return {
        "ends": len(plan.ends),
        "heddle": None
        if plan.heddle_width_mm is None
        else {
            "width": units.length(plan.heddle_width_mm),
            "sett": units.density(plan.heddle_sett_per_inch or 0.0),
        },
        "wind": units.length(plan.warp_length_with_margin_mm),
        "needed": units.length(plan.warp_length_mm),
        "margin": f"{plan.warp_margin_percent:z.1f}",
        "margin_from": units.name(margin_from.factor) if margin_from and margin_from.percent > 50.0 else "",
        "weave": units.length(plan.on_loom_length_mm),
        "picks": plan.picks_per_piece,
        "pieces": request.pieces,
        "beat": units.density(beat_on_loom(plan)),
        "finish": [
            units.ordered(*units.size_apart(size, u95))
            for size, u95 in (
                (plan.expected_width_mm, plan.expected_width_u95_mm),
                (plan.expected_length_mm, plan.expected_length_u95_mm),
            )
        ],
        "fringe": units.length(request.fringe_mm) if request.fringe_mm else "",
        "colours": colours,
        "steps": steps if len(steps) <= _MAX_STEPS else (),
        "openings": [_opening(step, request.first_opening) for step in steps],
        "two_columns": len(steps) > _MAX_STEPS // 2,
        "by_name": {colour.name: colour for colour in colours},
        "order": write_order(plan.ends),
        "yarn": [
            {
                "role": line.role,
                "colour": "" if line.colour == line.role else line.colour,
                "threads": line.threads,
                "length": units.yarn(line.length_with_margin_mm),
                "mass": units.mass(line.mass_with_margin_g),
            }
            for line in plan.yarn
        ],
        "chart": chart,
        "unsure": list(unsure_ends)[:20],
        "factors": factor_rows(plan, units),
        "face_cut": len(shown) if len(shown) < len(plan.ends) else 0,
        "face": base64.b64encode(picture).decode(),
        "ribbon": _ribbon(plan.ends, colours),
        "safety": SAFETY,
    }


def _fitted(content: dict[str, Any], height_mm: float, *, title_lines: int) -> dict[str, Any]:
    """Leave out what one page has no room for, least needed first; shrink the rest if it must be."""
    page = dict(content, zoom=1.0, height_mm=height_mm)
    for key in ("factors", "face", "chart"):
        if _height_mm(page, title_lines) <= height_mm:
            return page
        page[key] = ()
    needed = _height_mm(page, title_lines)
    if needed > height_mm:
        page["zoom"] = max(0.4, height_mm / needed)
        page["height_mm"] = height_mm / page["zoom"]
    return page


def _height_mm(page: dict[str, Any], title_lines: int) -> float:
    """Estimate the height of the page, in mm, on the safe side (measured on printed sheets)."""
    row, title = 4.9, 9.5
    lines = [_step_lines(step) for step in page["steps"]]
    winding = sum(lines) if not page["two_columns"] else max(sum(lines) / 2, max(lines, default=1)) + 2
    if not lines:
        winding = math.ceil(len(page["order"]) / 58)
    left = 2 * title + row * (winding + 1 + len(page["colours"]) + 1)
    right = 2 * title + row * (len(page["yarn"]) + 5) + (title + 31.0 if page["face"] else 0.0)
    chart = title + 11.0 * len(page["chart"]) + 5.0 if page["chart"] else 0.0
    factors = title + 4.3 * len(page["factors"]) if page["factors"] else 0.0
    return 9.0 * title_lines + 8.0 + 29.0 + max(left, right) + 3.0 + chart + factors + 46.0


def _step_lines(step: WindingStep) -> int:
    """Return the lines a winding step takes in the narrower of the two layouts."""
    letters = sum(len(colour) + 9 for _, colour in step.group)
    return max(1, math.ceil(letters / 52))


def _opening(step: WindingStep, first: Opening) -> Opening:
    """Return where the first end of a step goes in a two-shed heddle, slot and hole in turn."""
    other: Opening = "hole" if first == "slot" else "slot"
    return first if (step.total - step.ends) % 2 == 0 else other


def _colours(ends: Sequence[str], paints: Mapping[str, Rgb]) -> list[_Colour]:
    from ..measure.colour_order import count_colours

    found = []
    for i, (name, count) in enumerate(count_colours(ends).items()):
        red, green, blue = paints[name]
        letter = _LETTERS[i] if i < len(_LETTERS) else str(i + 1)
        # Relative luminance (ITU-R BT.709 weights) decides whether letters on the colour are white or black.
        dark = 0.2126 * red + 0.7152 * green + 0.0722 * blue < 120
        found.append(
            _Colour(name=name, letter=letter, css=f"#{red:02x}{green:02x}{blue:02x}", dark=dark, count=count)
        )
    return found


def _ribbon(ends: Sequence[str], colours: Sequence[_Colour]) -> list[dict[str, Any]]:
    """Return the runs of one colour as shares of the width, for the ribbon across the head of the page."""
    by_name = {colour.name: colour for colour in colours}
    runs, at = [], 0
    for name, run in groupby(ends):
        count = len(list(run))
        runs.append(
            {"x": 1000.0 * at / len(ends), "width": 1000.0 * count / len(ends), "colour": by_name[name]}
        )
        at += count
    return runs


def _chart(
    plan: WarpPlan, colours: Sequence[_Colour], unsure_ends: Sequence[int]
) -> list[list[dict[str, Any]]]:
    """Return the threading in lines of cells, or nothing when it would not fit the page."""
    from ..measure.colour_order import thread_two_sheds

    if len(plan.ends) > _MAX_CHART_ENDS:
        return []
    by_name = {colour.name: colour for colour in colours}
    unsure = set(unsure_ends)
    middle = len(plan.ends) // 2  # an even number has its centre after this end, an odd one on the next
    cells = [
        {
            "number": end.number,
            "colour": by_name[end.colour],
            "hole": end.opening == "hole",
            "unsure": end.number in unsure,
            "centre": ("on" if len(plan.ends) % 2 else "after")
            if end.number == (middle + 1 if len(plan.ends) % 2 else middle)
            else "",
        }
        for end in thread_two_sheds(plan.ends, plan.request.first_opening)
    ]
    lines = -(-len(cells) // _PER_LINE)
    per_line = -(-len(cells) // lines)
    return [cells[i : i + per_line] for i in range(0, len(cells), per_line)]
