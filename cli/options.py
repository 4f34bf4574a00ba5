"""Reading the values of options: every wrong one gets a sentence that names what is accepted."""

import math
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from ..calibration.errors import UsageError

__all__ = ["Rectangle", "Span", "area", "choice", "file_path", "integer", "number", "picture_path", "span"]

PICTURE_SUFFIXES = (".png", ".jpg", ".jpeg")


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
                f"{option} {text!r} cannot be used.",
                f"Give {what}: a number from {low:g} to {high:g}.",
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
                f"{option} {text!r} cannot be used.",
                f"Give {what}: a whole number from {low} to {high}.",
            )
        return int(value)

    return parse


def span(option: str, low: float, high: float, what: str) -> Callable[[str], Span]:
    """Return a parser for a range written LO..HI, such as 20..30."""

    def parse(text: str) -> Span:
        first, dots, last = text.partition("..")
        bottom, top = _finite(first), _finite(last)
        if not dots or bottom is None or top is None or not low <= bottom < top <= high:
            raise UsageError(
                "bad-option",
                f"{option} {text!r} cannot be used.",
                f"Give {what} as two numbers with two dots between, the smaller first, "
                f"from {low:g} to {high:g}: {option} 20..30",
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
            f"{option} {text!r} is not known.{hint}",
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
            f"--area {text!r} cannot be used.",
            "Give left, top, width and height in whole pixels of the upright photo, width and height at least "
            "32: --area 400,300,1200,900",
        )
    return Rectangle(*whole)


def picture_path(option: str) -> Callable[[str], Path]:
    """Return a parser for the name of a picture to write."""

    def parse(text: str) -> Path:
        path = Path(text)
        if path.suffix.lower() not in PICTURE_SUFFIXES:
            raise UsageError(
                "bad-picture-name",
                f"{option} {text!r} does not end in a picture format that pickglass writes.",
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
                f"{option} {text!r} does not end in {' or '.join(suffixes)}.",
                f"End the name in {suffixes[0]}: {option} {path.stem or 'result'}{suffixes[0]}",
            )
        return path

    return parse


def _finite(text: str) -> float | None:
    """Return the number in `text`, or None when it holds none that is finite."""
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) else None
