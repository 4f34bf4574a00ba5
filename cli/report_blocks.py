"""What a report is put together from: a head, sections, and a few kinds of blocks that the template knows.

A report says what it shows in these; how it looks is the template's matter alone.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import TYPE_CHECKING, Any, ClassVar

from .screen import printable

if TYPE_CHECKING:
    from jinja2 import Environment

    from ..calibration.budget import BudgetLine
    from ..calibration.notices import Notice
    from .report_pictures import Inlay

__all__ = [
    "Block",
    "Budget",
    "Chart",
    "Command",
    "Facts",
    "Figure",
    "Grid",
    "Page",
    "Pair",
    "Picture",
    "Points",
    "Section",
    "Swatches",
    "Words",
    "cautions_of",
    "page",
    "program_fact",
    "render",
    "verdict_words",
]


@dataclass(frozen=True, slots=True)
class Words:
    """A paragraph."""

    text: str
    name: ClassVar[str] = "words"


@dataclass(frozen=True, slots=True)
class Points:
    """Sentences below each other: numbered when they are to be done, with boxes to tick when `boxes`."""

    texts: Sequence[str]
    ordered: bool = False
    boxes: bool = False
    name: ClassVar[str] = "points"


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture with what it shows; `kind` is ``""``, ``"photo"``, ``"flat"``, ``"tall"`` or ``"small"``."""

    inlay: Inlay
    caption: str = ""
    kind: str = ""
    name: ClassVar[str] = "picture"


@dataclass(frozen=True, slots=True)
class Chart:
    """An SVG of our own making, already escaped."""

    svg: str
    heading: str = ""
    wide: bool = False
    name: ClassVar[str] = "chart"


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """A table; the first cell of a row names it.

    Attributes
    ----------
    columns : sequence of str
        Headings, the first over the rows' names.
    rows : sequence of sequence of str
        Cells, as many as columns.
    caption : str
        What the table shows.
    numbers : bool
        All cells but the first are numbers, set to the right.
    dense : bool
        Keep the table a table on a phone; otherwise its rows become small blocks there.
    """

    columns: Sequence[str]
    rows: Sequence[Sequence[str]]
    caption: str = ""
    numbers: bool = True
    dense: bool = False
    name: ClassVar[str] = "grid"


@dataclass(frozen=True, slots=True)
class Facts:
    """Names and what belongs to them."""

    rows: Sequence[tuple[str, str]]
    name: ClassVar[str] = "facts"


@dataclass(frozen=True, slots=True)
class Budget:
    """Where the doubt of one quantity comes from."""

    of: str
    lines: Sequence[BudgetLine]
    total_percent: float | None
    name: ClassVar[str] = "budget"


@dataclass(frozen=True, slots=True)
class Command:
    """A line to type."""

    text: str
    name: ClassVar[str] = "command"


@dataclass(frozen=True, slots=True)
class Swatches:
    """Colours with their names: (name, ``#rrggbb``, what is said of it)."""

    rows: Sequence[tuple[str, str, str]]
    name: ClassVar[str] = "swatches"


@dataclass(frozen=True, slots=True)
class Pair:
    """Blocks that stand side by side where there is room; each item is a column."""

    columns: Sequence[Sequence[Block]]
    name: ClassVar[str] = "pair"


Block = Words | Points | Picture | Chart | Grid | Facts | Budget | Command | Swatches | Pair


@dataclass(frozen=True, slots=True)
class Section:
    """A part with a heading of its own."""

    heading: str
    blocks: Sequence[Block]


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A headline figure."""

    title: str
    value: str
    doubt: str = ""
    unit: str = ""
    more: Sequence[str] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """A whole report.

    Attributes
    ----------
    kind : str
        What sort of report this is, in the line above the title.
    title : str
        Most often the names of the photos.
    made_from : str
        Completes the sentence “Made by pickglass … from”.
    verdict : str
        ``"measured"``, ``"unsure"`` or ``""`` where nothing was judged.
    sentence : str
        What to make of it.
    figures, sections
        What was found.
    doubts : sequence of str
        Told before everything else.
    ribbon : str
        Data URI of a narrow picture along the head, or nothing.
    notes : sequence of str
        Lines to fill in on paper.
    """

    kind: str
    title: str
    made_from: str
    sentence: str = ""
    verdict: str = ""
    figures: Sequence[Figure] = ()
    doubts: Sequence[str] = ()
    sections: Sequence[Section] = ()
    ribbon: str = ""
    notes: Sequence[str] = field(
        default=("Date, who", "Yarn of warp and weft", "Heddle or reed", "What to do differently", "")
    )


def render(report: Page) -> bytes:
    """Return the report as an HTML file in UTF-8."""
    words = verdict_words(report.verdict) if report.verdict else ""
    kept = [section for section in report.sections if section.blocks]
    return page(
        "report_blocks.html.j2",
        {
            "report": report,
            "sections": kept,
            "verdict_words": words,
            "kind": report.kind,
            "title": report.title,
            "ribbon": report.ribbon,
            "made_from": report.made_from,
        },
    )


def page(template: str, context: dict[str, Any]) -> bytes:
    """Fill a report's template; everything in `context` that is not marked as safe is escaped."""
    from importlib.metadata import version

    text = _environment().get_template(template).render(version=version("pickglass"), **context)
    return _together(text).encode("utf-8", errors="replace")


def _together(text: str) -> str:
    """Keep a number, its doubt and its unit on one line, however narrow the screen."""
    text = text.replace(" ± ", "\u00a0±\u00a0")
    return re.sub(r"(?<=\d) (?=(?:%|mm|cm|m|px)(?![\w.-]))", "\u00a0", text)


def verdict_words(verdict: str) -> str:
    """Return a verdict with its sign, for colour must not be the only one."""
    return {"measured": "✓ measured", "unsure": "? unsure"}[verdict]


def cautions_of(notices: Iterable[Notice]) -> list[str]:
    """Return each remark once, fit to be shown."""
    return list(dict.fromkeys(printable(notice.text) for notice in notices))


def program_fact() -> tuple[str, str]:
    """Return the row that names the program."""
    from importlib.metadata import version

    return "program", f"pickglass {version('pickglass')}"


@cache
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("pickglass.cli"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["typed"] = _keep_options_whole
    return environment


def _keep_options_whole(text: str) -> str:
    """Keep a line from ending between the dashes of an option, which would then be typed wrongly."""
    from markupsafe import Markup, escape

    parts = re.split(r"((?<!\S)--[a-z][a-z-]*)", text)
    return Markup("").join(
        Markup('<span class="option">{}</span>').format(part) if k % 2 else escape(part)
        for k, part in enumerate(parts)
    )
