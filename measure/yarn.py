"""Yarn counts: every common system to tex and back, plies, and weighing a known length.

Constants: ASTM D2260, "Standard Tables of Conversion Factors and Equivalent Yarn Numbers", Table 1.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from ..calibration.budget import COVERAGE_FACTOR
from ..calibration.errors import UsageError
from .quantities import GRAMS_PER_OUNCE, GRAMS_PER_POUND, MM_PER_YARD, check_range

__all__ = [
    "SYSTEMS",
    "CountSystem",
    "Weighing",
    "Yarn",
    "count_to_tex",
    "mass_g",
    "parse_yarn",
    "tex_from_weighing",
    "tex_to_count",
]

# A label is good to about ±5 % (common practice of mills: ±3 to ±5 %), taken as rectangular.
_LABEL_PERCENT = 5.0 / math.sqrt(3.0)
_MM_PER = {
    **dict.fromkeys(("m", "metre", "metres", "meter", "meters"), 1000.0),
    **dict.fromkeys(("yd", "yds", "yard", "yards"), MM_PER_YARD),
}
_G_PER = {
    **dict.fromkeys(("g", "gram", "grams", "grammes"), 1.0),
    **dict.fromkeys(("kg", "kilo", "kilogram", "kilograms"), 1000.0),
    **dict.fromkeys(("oz", "ounce", "ounces"), GRAMS_PER_OUNCE),
    **dict.fromkeys(("lb", "lbs", "pound", "pounds"), GRAMS_PER_POUND),
}
_TEX_LOW, _TEX_HIGH = 1.0, 20_000.0  # finest silk singles to rug yarn


@dataclass(frozen=True, slots=True, kw_only=True)
class CountSystem:
    """One way of numbering yarn.

    Attributes
    ----------
    label : str
        Name for people.
    constant : float
        Indirect systems: ``tex = constant / count``. Direct systems: ``tex = count / constant``.
    direct : bool
        True when a higher number means a thicker yarn.
    resultant : bool
        True when the number of a plied yarn already describes the whole yarn, so plies do not divide it.
    words : tuple of str
        How the system is written in front of or behind the number.
    """

    label: str
    constant: float
    direct: bool = False
    resultant: bool = False
    words: tuple[str, ...] = ()


SYSTEMS: dict[str, CountSystem] = {
    "tex": CountSystem(label="tex", constant=1.0, direct=True, words=("tex", "r tex")),
    "decitex": CountSystem(label="decitex", constant=10.0, direct=True, words=("dtex", "decitex")),
    "denier": CountSystem(label="denier", constant=9.0, direct=True, words=("denier", "den", "td")),
    "cotton": CountSystem(label="cotton count", constant=590.541, words=("ne", "nec", "cotton", "cc")),
    # Folded spun silk is numbered by the finished yarn (from memory of the textile handbooks).
    "spun silk": CountSystem(
        label="spun silk count", constant=590.541, resultant=True, words=("silk", "spun silk")
    ),
    "worsted": CountSystem(label="worsted count", constant=885.812, words=("worsted", "new", "nk")),
    "woollen run": CountSystem(label="woollen run", constant=310.034, words=("run", "woollen run")),
    "linen lea": CountSystem(label="linen lea", constant=1653.52, words=("lea", "linen", "linen lea", "nel")),
    "metric": CountSystem(label="metric count", constant=1000.0, words=("nm", "metric")),
    "yards per pound": CountSystem(
        label="yards per pound", constant=496_055.0, resultant=True, words=("yd/lb", "ypp", "yards per pound")
    ),
    "metres per 100 g": CountSystem(
        label="metres per 100 g",
        constant=100_000.0,
        resultant=True,
        words=("m/100g", "m/100 g", "m per 100 g", "metres per 100 g"),
    ),
    "metres per 50 g": CountSystem(
        label="metres per 50 g", constant=50_000.0, resultant=True, words=("m/50g", "m/50 g", "m per 50 g")
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Yarn:
    """A yarn's size.

    Attributes
    ----------
    tex : float
        Grams per kilometre of the whole (plied) yarn.
    standard_percent : float
        Standard uncertainty of `tex`, in percent.
    reading : str
        How the size was understood, for the weaver to check.
    """

    tex: float
    standard_percent: float
    reading: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighing:
    """Yarn size from a weighed length: tex and its expanded uncertainty (95 %)."""

    tex: float
    u95_tex: float


def _system(name: str) -> CountSystem:
    if name not in SYSTEMS:
        raise UsageError(
            "unknown-count-system",
            f"The yarn count system “{name}” is not known.",
            f"Use one of: {', '.join(SYSTEMS)}.",
        )
    return SYSTEMS[name]


def count_to_tex(count: float, system: str, plies: int = 1) -> float:
    """Return tex of the whole yarn made of `plies` singles of `count`.

    In indirect systems plying divides the count (2/30s weighs as a 15s); in direct systems it multiplies.
    Ply twist take-up (a few percent) is left out, as in the tables.
    """
    found = _system(system)
    check_range(f"{found.label} of the yarn", count, 0.01, 1_000_000.0)
    check_range("number of plies", plies, 1, 24)
    single = count / found.constant if found.direct else found.constant / count
    tex = single if found.resultant else single * plies
    if not _TEX_LOW <= tex <= _TEX_HIGH:
        raise UsageError(
            "out-of-range",
            f"A yarn of {count:g} ({found.label}, {plies} plies) would be {tex:.3g} tex.",
            f"Give a yarn from {_TEX_LOW:g} to {_TEX_HIGH:g} tex; check the number and its system.",
        )
    return tex


def tex_to_count(tex: float, system: str) -> float:
    """Return the number of a whole yarn of `tex` in `system` (resultant count)."""
    found = _system(system)
    if not (math.isfinite(tex) and tex > 0):
        raise UsageError("out-of-range", f"The yarn size is {tex} tex.", "Give a number above 0 tex.")
    return tex * found.constant if found.direct else found.constant / tex


def parse_yarn(text: str) -> Yarn:
    """Read a yarn size such as ``"cotton 8/2"``, ``"2/24 worsted"``, ``"Nm 28/2"``, ``"30 tex x 2"``, ``"3360 yd/lb"``.

    Of two numbers with a stroke the larger is taken as the count and the smaller as the plies: cotton and linen
    are written count first (8/2), worsted plies first (2/24), and both fold few threads (common practice).
    ``x 2`` after the number gives the plies outright. Any length of the whole yarn to a weight will do, as labels of
    balls and cones give it: ``"210 m / 50 g"``, ``"1750 yd per lb"``.
    """
    tidy = re.sub(r"\s+", " ", text.strip().lower())
    number = r"(\d+(?:[.,]\d+)?)s?(?: ?/ ?(\d+(?:[.,]\d+)?)s?)?(?: ?[x×] ?(\d+))?"
    before = re.fullmatch(rf"([a-z][a-z /]*?)\.? ?{number}", tidy)
    after = re.fullmatch(rf"{number} ?([a-z][a-z0-9 /]*?)\.?(?: ?[x×] ?(\d+))?", tidy)
    if before:
        word, first, second, plies_text = before.groups()
    elif after:
        first, second, plies_text, word = after.group(1, 2, 3, 4)
        plies_text = plies_text or after[5]
    else:
        return _length_to_weight(text)
    name = next((key for key, system in SYSTEMS.items() if word.strip() in (*system.words, key)), None)
    if name is None:
        return _length_to_weight(text)
    count, plies = _count_and_plies(text, first, second, plies_text)
    tex = count_to_tex(count, name, plies)
    folded = f", {plies} plies" if plies > 1 else ""
    reading = f"{SYSTEMS[name].label} {count:g}{folded} = {tex:.4g} tex"
    return Yarn(tex=tex, standard_percent=_LABEL_PERCENT, reading=reading)


def _length_to_weight(text: str) -> Yarn:
    """Read a length and the weight it has."""
    tidy = re.sub(r"\s+", " ", text.strip().lower())
    number = r"(\d+(?:[.,]\d+)?)"
    match = re.fullmatch(rf"{number} ?([a-z]+)\.? ?(?:/|per|in|to|=) ?(?:{number} ?)?([a-z]+)\.?", tidy)
    if match is None or match[2] not in _MM_PER or match[4] not in _G_PER:
        raise _unreadable(text)
    length_mm = float(match[1].replace(",", ".")) * _MM_PER[match[2]]
    grams = float((match[3] or "1").replace(",", ".")) * _G_PER[match[4]]
    tex = grams / length_mm * 1e6 if length_mm > 0 else math.inf
    if not _TEX_LOW <= tex <= _TEX_HIGH:
        raise UsageError(
            "out-of-range",
            f"A yarn of “{text}” would be {tex:.3g} tex.",
            f"Check length and weight; a yarn lies from {_TEX_LOW:g} to {_TEX_HIGH:g} tex.",
        )
    return Yarn(tex=tex, standard_percent=_LABEL_PERCENT, reading=f"{tidy} = {tex:.4g} tex")


def _count_and_plies(text: str, first: str, second: str | None, plies_text: str | None) -> tuple[float, int]:
    count = float(first.replace(",", "."))
    if second is None:
        return count, int(plies_text or 1)
    other = float(second.replace(",", "."))
    plies = min(count, other)
    if plies_text or plies != int(plies) or plies < 1:
        raise _unreadable(text)
    return max(count, other), int(plies)


def _unreadable(text: str) -> UsageError:
    return UsageError(
        "unknown-yarn",
        f"The yarn “{text}” cannot be read.",
        "Write the number and its system: “cotton 8/2”, “2/24 worsted”, “Nm 28/2”, “lea 40/2”, “run 3”, "
        "“30 tex x 2”, “150 denier”, “3360 yd/lb”, “400 m/100g”, “210 m / 50 g”.",
    )


def tex_from_weighing(
    length_mm: float, mass_g: float, *, length_half_width_mm: float = 5.0, mass_half_width_g: float = 0.05
) -> Weighing:
    """Return the yarn's size from a measured length and its weight.

    The half-widths are how far off the tape and the scales can be (rectangular, GUM 4.3.7).
    """
    length_m = check_range("length weighed", length_mm / 1000.0, 0.1, 100_000.0, "m")
    mass = check_range("weight of the length", mass_g, 0.01, 100_000.0, "g")
    tex = 1000.0 * mass / length_m
    if not _TEX_LOW <= tex <= _TEX_HIGH:
        raise UsageError(
            "out-of-range",
            f"{length_m:g} m weighing {mass:g} g would be {tex:.3g} tex.",
            f"Check length and weight; a yarn lies from {_TEX_LOW:g} to {_TEX_HIGH:g} tex.",
        )
    relative = math.hypot(length_half_width_mm / length_mm, mass_half_width_g / mass) / math.sqrt(3.0)
    return Weighing(tex=tex, u95_tex=COVERAGE_FACTOR * relative * tex)


def mass_g(length_mm: float, tex: float) -> float:
    """Return the weight of a length of yarn."""
    return length_mm * tex / 1_000_000.0
