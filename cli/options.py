"""Reading the values of options: every wrong one gets a sentence that names what is accepted.

The second half declares the options that several commands share, so that they read alike everywhere.
"""

import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, NamedTuple

import typer

from ..calibration.errors import UsageError

__all__ = [
    "Book",
    "Chart",
    "Explain",
    "Json",
    "KnownDistance",
    "Overwrite",
    "Rectangle",
    "Report",
    "Span",
    "area",
    "choice",
    "dpi",
    "file_path",
    "integer",
    "needs_scale",
    "number",
    "one_scale",
    "picture_path",
    "points",
    "px_per_mm",
    "span",
]

PICTURE_SUFFIXES = (".png", ".jpg", ".jpeg")
CHART_SUFFIXES = (".png", ".svg")
PAGE_SUFFIXES = (".html", ".htm")
WEAVES = ("plain", "basket", "twill", "satin")
WARPS = ("auto", "down", "across")
CARDS = ("auto", "bank", "printed")
RULES = ("mm", "inch16")
_BETWEEN = re.compile(r"(\.\.+|…|(?<=[\d\s])-|–|\bto\b)")


class Span(NamedTuple):
    """A range of densities, threads per inch."""

    low: float
    high: float


class Rectangle(NamedTuple):
    """Left, top, width and height in pixels of the upright photo."""

    x: int
    y: int
    width: int
    height: int


def number(option: str, low: float, high: float, what: str) -> Callable[[str], float]:
    """Return a parser for a number from `low` to `high`; `what` names it with its unit."""

    def parse(text: str) -> float:
        value = _finite(text)
        if value is None or not low <= value <= high:
            raise UsageError(
                "bad-option",
                f"{option} “{text}” cannot be used.",
                f"Give {what}: a number from {low:g} to {high:g}{_point(text)}.",
            )
        return value

    return parse


def integer(option: str, low: int, high: int, what: str) -> Callable[[str], int]:
    """Return a parser for a whole number from `low` to `high`."""

    def parse(text: str) -> int:
        value = _finite(text)
        if value is None or value != int(value) or not low <= value <= high:
            raise UsageError(
                "bad-option",
                f"{option} “{text}” cannot be used.",
                f"Give {what}: a whole number from {low} to {high}{_point(text)}.",
            )
        return int(value)

    return parse


def span(option: str, low: float, high: float, what: str) -> Callable[[str], Span]:
    """Return a parser for a range written LO..HI, such as 20..30; a dash or "to" between the two will do, too."""

    def parse(text: str) -> Span:
        first, between, last = (
            _BETWEEN.split(text.strip(), maxsplit=1) if _BETWEEN.search(text) else (text, "", "")
        )
        bottom, top = _finite(first), _finite(last)
        if not between or bottom is None or top is None or not low <= bottom < top <= high:
            raise UsageError(
                "bad-option",
                f"{option} “{text}” cannot be used.",
                f"Give {what} as two numbers with two dots between, the smaller first, "
                f"from {low:g} to {high:g}{_point(text)}: {option} 20..30",
            )
        return Span(bottom, top)

    return parse


def choice(option: str, names: tuple[str, ...]) -> Callable[[str], str]:
    """Return a parser that accepts one of `names` and suggests the nearest one otherwise."""

    def parse(text: str) -> str:
        word = text.strip().lower()
        if word in names:
            return word
        from difflib import get_close_matches

        near = get_close_matches(word, names, n=1, cutoff=0.7)
        hint = f" Did you mean {near[0]}?" if near else ""
        raise UsageError(
            "bad-option",
            f"{option} “{text}” is not known.{hint}",
            f"Use one of: {', '.join(names)}.",
        )

    return parse


def area(text: str) -> Rectangle:
    """Parse X,Y,W,H: a rectangle in pixels of the upright photo."""
    values = [_finite(part) for part in text.split(",")]
    whole = [int(value) for value in values if value is not None and value == int(value)]
    if len(values) != 4 or len(whole) != 4 or min(whole[:2]) < 0 or min(whole[2:]) < 32:
        raise UsageError(
            "bad-option",
            f"--area “{text}” cannot be used.",
            "Give left, top, width and height in whole pixels of the upright photo, width and height at least "
            "32: --area 400,300,1200,900",
        )
    return Rectangle(*whole)


class KnownDistance(NamedTuple):
    """Two points in pixels of the upright photo, and the distance between them in millimetres."""

    x1: float
    y1: float
    x2: float
    y2: float
    mm: float


def points(text: str) -> KnownDistance:
    """Parse X1,Y1,X2,Y2=MM: two points of the upright photo and the distance between them."""
    places, equals, distance = text.partition("=")
    distance = distance.strip().lower().removesuffix("mm")
    values = [_finite(part) for part in (*places.split(","), distance)]
    good = [value for value in values if value is not None and value >= 0]
    if not equals or len(values) != 5 or len(good) != 5 or good[4] <= 0:
        raise UsageError(
            "bad-option",
            f"--points “{text}” cannot be used.",
            "Give x and y of both points in pixels of the upright photo, and their distance in millimetres: "
            "--points 410,820,2630,845=150",
        )
    return KnownDistance(*good)


def picture_path(option: str) -> Callable[[str], Path]:
    """Return a parser for the name of a picture to write."""

    def parse(text: str) -> Path:
        path = Path(text)
        if path.suffix.lower() not in PICTURE_SUFFIXES:
            raise UsageError(
                "bad-picture-name",
                f"{option} “{text}” does not end in a picture format that pickglass writes.",
                f"End the name in one of: {', '.join(PICTURE_SUFFIXES)}.",
            )
        return path

    return parse


def file_path(option: str, suffixes: tuple[str, ...]) -> Callable[[str], Path]:
    """Return a parser for the name of a file to write that must end in one of `suffixes`."""

    def parse(text: str) -> Path:
        path = Path(text)
        if path.suffix.lower() not in suffixes:
            raise UsageError(
                "bad-file-name",
                f"{option} “{text}” does not end in {' or '.join(suffixes)}.",
                f"End the name in {suffixes[0]}: {option} {path.stem or 'result'}{suffixes[0]}",
            )
        return path

    return parse


def _point(text: str) -> str:
    """Return a reminder where a decimal comma was typed."""
    return ", written with a point and not a comma" if "," in text else ""


def _finite(text: str) -> float | None:
    """Return the number in `text`, or None when it holds none that is finite."""
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


px_per_mm = number("--px-per-mm", 0.5, 2000, "pixels of the photo per millimetre of cloth")
dpi = number("--dpi", 50, 12800, "the resolution of the scan in dots per inch")

Json = Annotated[bool, typer.Option("--json", help="Print one JSON document instead of the words.")]
Overwrite = Annotated[bool, typer.Option("--overwrite", help="Replace files that are already there.")]
Explain = Annotated[bool, typer.Option("--explain", help="Say where the uncertainty comes from.")]
Report = Annotated[
    Path | None,
    typer.Option(
        "--report",
        parser=file_path("--report", PAGE_SUFFIXES),
        metavar="FILE",
        help="Write a report to read, print and keep: pictures, charts, tables (.html).",
    ),
]
Book = Annotated[
    Path | None,
    typer.Option("--book", metavar="FILE", help="Another book than your usual one.", show_default=False),
]
Chart = Annotated[
    Path | None,
    typer.Option(
        "--picture",
        parser=file_path("--picture", CHART_SUFFIXES),
        metavar="FILE",
        help="Draw a chart of what was found (.png or .svg).",
    ),
]


def one_scale(
    *,
    px_per_mm: float | None,
    scan: bool,
    dpi: float | None,
    no_scale: bool,
    card_on_cloth: bool,
    card: str = "auto",
    points: tuple[float, float, float, float, float] | None = None,
    rule: str | None = None,
) -> None:
    """Refuse options about the scale that contradict each other; two words about the card do not."""
    of_card = [
        name for name, present in (("--card", card != "auto"), ("--card-on-cloth", card_on_cloth)) if present
    ]
    given = [
        name
        for name, present in (
            ("--px-per-mm", px_per_mm is not None),
            ("--points", points is not None),
            ("--rule", rule is not None),
            ("--scan or --dpi", scan or dpi is not None),
            ("--no-scale", no_scale),
            (of_card[0] if of_card else "", bool(of_card)),
        )
        if present
    ]
    if len(given) > 1:
        raise UsageError(
            "two-scales",
            f"{' and '.join(given)} contradict each other.",
            "Give one way to fix the scale; with none of them a card is looked for.",
        )


def needs_scale(no_scale: bool, what: str) -> None:
    """Refuse to go without a scale where the result is a matter of millimetres."""
    if no_scale:
        raise UsageError(
            "needs-scale",
            f"Without a scale pickglass cannot tell {what}.",
            "Lay a card beside the sample, or give the scale by --rule, --points, --scan, --dpi or --px-per-mm; "
            "pickglass sett --no-scale counts threads per 1000 pixels.",
        )
