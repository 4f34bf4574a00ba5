"""Amounts as weavers write them: lengths, weights, densities and percentages, each checked for its range."""

from __future__ import annotations

import math
import re
import unicodedata
from dataclasses import dataclass
from typing import Literal

from ..calibration.budget import COVERAGE_FACTOR
from ..calibration.errors import UsageError
from ..calibration.units import MM_PER_INCH

__all__ = [
    "GRAMS_PER_OUNCE",
    "GRAMS_PER_POUND",
    "MM_PER_YARD",
    "Factor",
    "Origin",
    "check_range",
    "is_metric",
    "parse_change",
    "parse_density_per_inch",
    "parse_length_mm",
    "parse_mass_g",
]

Origin = Literal["measured", "given", "prior"]

MM_PER_YARD = 914.4  # exact (international yard and pound agreement, 1959)
GRAMS_PER_POUND = 453.59237  # exact (same agreement)
GRAMS_PER_OUNCE = GRAMS_PER_POUND / 16

_MM_PER_UNIT = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": MM_PER_INCH, "ft": 304.8, "yd": MM_PER_YARD}
_METRIC = ("mm", "cm", "m")
_G_PER_UNIT = {"g": 1.0, "kg": 1000.0, "mg": 0.001, "gr": GRAMS_PER_POUND / 7000}
_G_PER_UNIT |= {"oz": GRAMS_PER_OUNCE, "lb": GRAMS_PER_POUND}
_WORDS = {
    **dict.fromkeys(("inch", "inches", '"', "”", "″"), "in"),
    **dict.fromkeys(("foot", "feet", "'", "’", "′"), "ft"),
    **dict.fromkeys(("yard", "yards", "yds"), "yd"),
    **dict.fromkeys(("metre", "metres", "meter", "meters"), "m"),
    **dict.fromkeys(("gram", "grams", "grammes"), "g"),
    **dict.fromkeys(("grain", "grains"), "gr"),
    **dict.fromkeys(("ounce", "ounces"), "oz"),
    **dict.fromkeys(("pound", "pounds", "lbs"), "lb"),
}
_NUMBER = r"(?:\d+\s+\d+/\d+|\d+/\d+|\d+(?:[.,]\d+)?|[.,]\d+)"
# A tape or rule is read to the nearest division at best; half of 1/16 inch either way (common practice).
_RULE_HALF_WIDTH_MM = 0.8
# One record of a percentage, written without its spread: repeats of the same sampler by the same hands differ by
# about this much (common practice; not a published figure).
_GIVEN_HALF_WIDTH_POINTS = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Factor:
    """One number a plan rests on, with where it came from.

    Attributes
    ----------
    name : str
        Plain name, e.g. ``"shrinkage of the length"``.
    value : float
        The number, in `unit`.
    unit : str
        ``"%"``, ``"mm"``, ``"per inch"``, ``"tex"``.
    standard : float
        Standard uncertainty in the same unit.
    origin : str
        ``"measured"``, ``"given"`` or ``"prior"``.
    base : str
        What a percentage is a percentage of, or the state a density belongs to.
    note : str
        Where exactly it came from.
    """

    name: str
    value: float
    unit: str
    standard: float
    origin: Origin
    base: str = ""
    note: str = ""

    @property
    def u95(self) -> float:
        """Expanded uncertainty (95 %), in `unit`."""
        return COVERAGE_FACTOR * self.standard


def check_range(name: str, value: float, low: float, high: float, unit: str = "") -> float:
    """Return `value` if it is finite and lies from `low` to `high`.

    Raises
    ------
    UsageError
        Code ``"out-of-range"``, with the accepted range.
    """
    if math.isfinite(value) and low <= value <= high:
        return value
    unit = f" {unit}" if unit else ""
    shown = f"{value:.6g}{unit}" if math.isfinite(value) else "not a finite number"
    raise UsageError(
        "out-of-range", f"The {name} is {shown}.", f"Give a number from {low:g} to {high:g}{unit}."
    )


def _tidy(text: str) -> str:
    """Return `text` in lower case with vulgar fractions spelled out and one kind of dash."""
    spaced = re.sub(r"([¼-¾⅐-⅞])", r" \1", text)
    plain = unicodedata.normalize("NFKC", spaced).replace("⁄", "/")
    return re.sub(r"\s+", " ", plain.replace("–", "-").replace("−", "-")).strip().lower()


def _number(text: str) -> float:
    whole = 0.0
    if " " in text:
        first, text = text.split()
        whole = float(first)
    if "/" in text:
        over, under = text.split("/")
        if float(under) == 0:
            return math.inf
        return whole + float(over) / float(under)
    return whole + float(text.replace(",", "."))


def _number_and_unit(text: str) -> tuple[str, str] | None:
    """Split "1 1/2 yards" into number and unit, or return None."""
    match = re.fullmatch(rf"({_NUMBER})\s*([a-z\"'”″’′]+)", _tidy(text))
    return None if match is None else (match[1], _WORDS.get(match[2], match[2]))


def is_metric(text: str) -> bool:
    """Tell whether a length such as ``"50 cm"`` is written in a metric unit."""
    found = _number_and_unit(text)
    return found is not None and found[1] in _METRIC


def _parse_with_unit(text: str, name: str, units: dict[str, float], example: str) -> float:
    found = _number_and_unit(text)
    if found is None or found[1] not in units:
        raise UsageError(
            "not-an-amount",
            f"The {name} “{text}” is not a number with a unit.",
            f"Write it like {example}; units: {', '.join(units)}.",
        )
    return _number(found[0]) * units[found[1]]


def parse_length_mm(text: str, name: str, low_mm: float, high_mm: float) -> float:
    """Read a length such as ``"20 in"``, ``"1 1/2 yd"`` or ``"62,5 cm"`` and return millimetres.

    Raises
    ------
    UsageError
        If it is no length or lies outside `low_mm` to `high_mm`.
    """
    value_mm = _parse_with_unit(text, name, _MM_PER_UNIT, "“20 in” or “50 cm”")
    if low_mm <= value_mm <= high_mm:
        return value_mm
    low, high = _length_text(low_mm), _length_text(high_mm)
    raise UsageError("out-of-range", f"The {name} “{text}” is out of range.", f"Give {low} to {high}.")


def _length_text(value_mm: float) -> str:
    metric = f"{value_mm / 1000:g} m" if value_mm >= 1000 else f"{value_mm:g} mm"
    return f"{metric} ({value_mm / MM_PER_INCH:.3g} in)"


def parse_mass_g(text: str, name: str, low_g: float = 0.01, high_g: float = 100_000.0) -> float:
    """Read a weight such as ``"2.05 g"`` or ``"20 grains"`` and return grams."""
    value = _parse_with_unit(text, name, _G_PER_UNIT, "“50 g” or “1 3/4 oz”")
    return check_range(name, value, low_g, high_g, "g")


def parse_density_per_inch(text: str, name: str, low: float = 1.0, high: float = 200.0) -> float:
    """Read threads over a length, ``"20/in"``, ``"40/10cm"`` or ``"33/15mm"``, and return threads per inch."""
    match = re.fullmatch(rf"({_NUMBER}) ?(?:/|per) ?({_NUMBER})? ?([a-z\"'”″’′]+)", _tidy(text))
    unit = _WORDS.get(match[3], match[3]) if match else ""
    length_mm = _number(match[2] or "1") * _MM_PER_UNIT.get(unit, 0.0) if match else 0.0
    if match is None or not 0.0 < length_mm < math.inf:
        raise UsageError(
            "not-a-density",
            f"The {name} “{text}” is not a number of threads over a length.",
            "Write it like “20/in”, “8/cm”, “40/10cm” or “33/15mm”.",
        )
    return check_range(name, _number(match[1]) * MM_PER_INCH / length_mm, low, high, "per inch")


def parse_change(text: str, name: str, base: str, low: float = 0.0, high: float = 60.0) -> Factor:
    """Read a loss in percent of the earlier length, or the two lengths it follows from.

    Accepts ``"8%"``, ``"8% ± 2"``, a range ``"10-25%"``, or lengths before and after: ``"14 in to 12.75 in"``.

    Returns
    -------
    Factor
        In percent of `base` (the length before), origin ``"given"``.
    """
    tidy = _tidy(text)
    if " to " in tidy and "%" not in tidy:
        return _change_from_lengths(text, tidy, name, base, low, high)
    spread = re.fullmatch(rf"({_NUMBER}) ?%?(?: ?(?:±|\+-|\+/-) ?({_NUMBER}) ?%?)?", tidy)
    window = re.fullmatch(rf"({_NUMBER}) ?%? ?(?:-|to) ?({_NUMBER}) ?%", tidy)
    if spread and "%" in tidy:
        value = check_range(name, _number(spread[1]), low, high, "%")
        half = _GIVEN_HALF_WIDTH_POINTS
        note = f"±{_GIVEN_HALF_WIDTH_POINTS:g} point"
        if spread[2]:
            half = check_range(f"spread of the {name}", _number(spread[2]), 0.0, 30.0, "points")
            note = f"±{half:g} points"
    elif window:
        first = check_range(name, _number(window[1]), low, high, "%")
        last = check_range(name, _number(window[2]), low, high, "%")
        value, half, note = (first + last) / 2, abs(last - first) / 2, f"range {first:g}–{last:g} %"
    else:
        raise UsageError(
            "not-a-percentage",
            f"The {name} “{text}” cannot be read.",
            "Write “8%”, “8% ± 2”, “10-25%”, or the lengths before and after: “14 in to 12.75 in”.",
        )
    standard = half / math.sqrt(3.0)
    return Factor(name=name, value=value, unit="%", standard=standard, origin="given", base=base, note=note)


def _change_from_lengths(text: str, tidy: str, name: str, base: str, low: float, high: float) -> Factor:
    parts = tidy.split(" to ")
    if len(parts) != 2:
        raise UsageError(
            "not-a-percentage",
            f"The {name} “{text}” has more than two lengths.",
            "Write the length before and the length after: “14 in to 12.75 in”.",
        )
    before, after = (parse_length_mm(part, name, 1.0, 1_000_000.0) for part in parts)
    value = check_range(name, 100.0 * (1.0 - after / before), low, high, "%")
    # d(after/before), both read with the same rule; rectangular half-width -> standard (GUM 4.3.7).
    step = _RULE_HALF_WIDTH_MM / math.sqrt(3.0)
    standard = 100.0 * after / before * math.hypot(step / before, step / after)
    return Factor(
        name=name, value=value, unit="%", standard=standard, origin="given", base=base, note=f"from {text}"
    )
