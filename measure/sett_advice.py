"""Sett for a yarn that has not been sampled yet, firmness of a cloth, and what another heddle makes of it.

Everything here is a starting point for a sampler, never a measurement.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from ..calibration.errors import UsageError
from ..calibration.units import MM_PER_INCH
from .quantities import check_range
from .yarn import tex_to_count

__all__ = [
    "ASHENHURST_FIRM",
    "ASHENHURST_SOFT_WOOLLEN",
    "INTERLACINGS",
    "ORDINARY_FRACTION",
    "TAYLOR_COTTON",
    "SettAdvice",
    "Substitution",
    "advise_sett",
    "cloth_mass_g_per_m2",
    "cover_fraction",
    "cover_peirce",
    "cover_si",
    "diameters_per_inch",
    "ends_for_width",
    "greatest_sett",
    "interlacings",
    "jammed_square_plain",
    "same_firmness_sett",
    "sett_from_wraps",
    "substitute_heddle",
    "warp_contraction_percent",
]

# Diameters per inch = constant * sqrt(yards per pound).
ASHENHURST_FIRM = 0.9  # Ashenhurst, firm yarns (quoted in a 1999 handout on Ashenhurst's rule)
ASHENHURST_SOFT_WOOLLEN = 0.84  # Ashenhurst, soft woollen yarns (same)
TAYLOR_COTTON = 0.95  # J. T. Taylor, Cotton Weaving and Designing, 6th ed. 1909, pp. 453, 458
ORDINARY_FRACTION = 0.8  # of the greatest sett, for ordinary cloth (teaching pages; common practice)

# Ends in the weave's repeat and how often one pick crosses between face and back in it.
INTERLACINGS: dict[str, tuple[int, int]] = {
    "plain": (2, 2),
    "basket 2/2": (4, 2),
    "twill 2/1": (3, 2),
    "twill 2/2": (4, 2),
    "twill 3/1": (4, 2),
    "satin 5": (5, 2),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SettAdvice:
    """A first sett to sample.

    Attributes
    ----------
    rule : str
        The rule and its author.
    greatest_per_inch : float
        The closest sett the rule allows in this weave.
    start_per_inch : float
        Where to start the sampler.
    caution : str
        Always says that this is a starting point.
    """

    rule: str
    greatest_per_inch: float
    start_per_inch: float
    caution: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Substitution:
    """What one heddle or reed on hand would make of the planned warp.

    Attributes
    ----------
    heddle_per_inch : float
        Ends per inch as threaded (one end in each opening, or `ends_per_opening`).
    ends_per_opening : int
        1, or 2 where two ends share an opening.
    change_percent : float
        Change of the sett against the wish, in percent.
    width_in_heddle_mm : float
        Width the planned ends take up.
    ends_for_same_width : int
        Ends that keep the planned width instead.
    effect : str
        One sentence on the cloth.
    """

    heddle_per_inch: float
    ends_per_opening: int
    change_percent: float
    width_in_heddle_mm: float
    ends_for_same_width: int
    effect: str


def interlacings(weave: str) -> tuple[int, int]:
    """Return (ends in the repeat, interlacings of a pick in it); twills may be written ``"twill 5/2/1/2"``."""
    if weave in INTERLACINGS:
        return INTERLACINGS[weave]
    kind, _, floats_text = weave.partition(" ")
    floats = floats_text.split("/")
    if kind == "twill" and len(floats) % 2 == 0 and all(f.isdecimal() and 0 < int(f) < 20 for f in floats):
        return sum(map(int, floats)), len(floats)
    if kind == "satin" and floats_text.isdecimal() and 5 <= int(floats_text) <= 24:
        return int(floats_text), 2
    raise UsageError(
        "unknown-weave",
        f"The weave “{weave}” is not known.",
        f"Use one of: {', '.join(INTERLACINGS)}, or a twill by its floats such as “twill 5/2/1/2”.",
    )


def diameters_per_inch(yards_per_pound: float, constant: float = ASHENHURST_FIRM) -> float:
    """Return how many yarn diameters lie side by side in an inch (Ashenhurst's rule)."""
    check_range("yarn size", yards_per_pound, 25.0, 500_000.0, "yards per pound")
    check_range("constant of the rule", constant, 0.5, 1.2)
    return constant * math.sqrt(yards_per_pound)


def greatest_sett(diameters: float, weave: str) -> float:
    """Return the closest sett per inch: D * w / (w + i), w ends and i interlacings in the repeat (Ashenhurst)."""
    check_range("number of diameters per inch", diameters, 1.0, 1000.0)
    ends, crossings = interlacings(weave)
    return diameters * ends / (ends + crossings)


def sett_from_wraps(wraps_per_inch: float, weave: str) -> float:
    """Return the sett at which wraps around a rule stand for diameters: w / (w + i) of them."""
    return greatest_sett(check_range("number of wraps per inch", wraps_per_inch, 2.0, 300.0), weave)


def same_firmness_sett(sett_per_inch: float, weave: str, new_weave: str) -> float:
    """Return the sett in `new_weave` that is as firm as `sett_per_inch` in `weave` (Taylor 1909, p. 464)."""
    old = greatest_sett(100.0, weave)
    return check_range("sett", sett_per_inch, 1.0, 400.0, "per inch") * greatest_sett(100.0, new_weave) / old


def advise_sett(
    *, weave: str, tex: float | None = None, wraps_per_inch: float | None = None, soft: bool = False
) -> SettAdvice:
    """Return a first sett from the yarn's size or, failing that, its wraps per inch."""
    if wraps_per_inch is not None:
        greatest = sett_from_wraps(wraps_per_inch, weave)
        # Wraps lie loosely beside each other, so the result is used as it is (common practice).
        return _advice("wraps per inch (common practice)", greatest, greatest)
    if tex is None:
        raise UsageError(
            "no-yarn",
            "No yarn was given to advise a sett for.",
            "Give the yarn's size or its wraps per inch.",
        )
    constant = ASHENHURST_SOFT_WOOLLEN if soft else ASHENHURST_FIRM
    kind = "soft woollen" if soft else "firm yarn"
    diameters = diameters_per_inch(tex_to_count(tex, "yards per pound"), constant)
    greatest = greatest_sett(diameters, weave)
    rule = (
        f"Ashenhurst, constant {constant:g} for {kind}, {100 * ORDINARY_FRACTION:.0f} % of the greatest sett"
    )
    return _advice(rule, greatest, ORDINARY_FRACTION * greatest)


def _advice(rule: str, greatest: float, start: float) -> SettAdvice:
    caution = (
        "A starting point for a sampler, not a measurement: weave, wash and measure before you plan with it."
    )
    return SettAdvice(rule=rule, greatest_per_inch=greatest, start_per_inch=start, caution=caution)


def ends_for_width(sampler_ends: int, sampler_width_mm: float, width_mm: float) -> float:
    """Return the ends a warp-faced band of `width_mm` needs, from the weaver's own ends over width.

    No rule of yarn size holds for warp-faced bands: how far the ends are pushed together is the weaver's hand.
    """
    check_range("number of ends of the sampler", sampler_ends, 4, 10_000)
    check_range("width of the sampler", sampler_width_mm, 1.0, 3000.0, "mm")
    check_range("width of the band", width_mm, 1.0, 3000.0, "mm")
    return sampler_ends / sampler_width_mm * width_mm


def substitute_heddle(
    *, wanted_per_inch: float, on_hand_per_inch: Sequence[float], ends: int
) -> tuple[Substitution, ...]:
    """Compare heddles or reeds on hand with the wished sett, nearest first.

    Each size is tried with one and with two ends in an opening; those further off than a third are left out,
    unless nothing else is there.
    """
    check_range("wished sett", wanted_per_inch, 1.0, 200.0, "per inch")
    check_range("number of ends", ends, 1, 20_000)
    choices = []
    for size in on_hand_per_inch:
        check_range("size of the heddle or reed", size, 1.0, 100.0, "per inch")
        for per_opening in (1, 2):
            sett = size * per_opening
            change = 100.0 * (sett / wanted_per_inch - 1.0)
            choices.append(
                Substitution(
                    heddle_per_inch=sett,
                    ends_per_opening=per_opening,
                    change_percent=change,
                    width_in_heddle_mm=MM_PER_INCH * ends / sett,
                    ends_for_same_width=round(ends * sett / wanted_per_inch),
                    effect=_effect(change),
                )
            )
    choices.sort(key=lambda s: (abs(s.change_percent), s.ends_per_opening))
    near = [choice for choice in choices if abs(choice.change_percent) <= 100.0 / 3.0]
    return tuple(near or choices[:1])


def _effect(change_percent: float) -> str:
    if abs(change_percent) < 3.0:
        return "about the same cloth"
    size = "a little" if abs(change_percent) < 10.0 else "clearly"
    if change_percent > 0:
        return f"{size} closer warp: firmer, shows more warp, fewer picks go in with the same beat"
    return f"{size} more open warp: softer, shows more weft, more picks go in with the same beat"


def cover_si(ends_per_cm: float, tex: float) -> float:
    """Return the SI cover factor n * sqrt(tex) / 10 (Peirce 1937, SI form)."""
    return ends_per_cm * math.sqrt(tex) / 10.0


def cover_peirce(ends_per_inch: float, tex: float) -> float:
    """Return Peirce's cover factor n / sqrt(cotton count) (Peirce 1937)."""
    return ends_per_inch / math.sqrt(tex_to_count(tex, "cotton"))


def cover_fraction(ends_per_inch: float, tex: float) -> float:
    """Return the part of the surface one thread system covers: n * d with d = 1 / (28 sqrt Ne) inch (Peirce)."""
    return cover_peirce(ends_per_inch, tex) / 28.0


def jammed_square_plain() -> tuple[float, float]:
    """Return (spacing / diameter sum, crimp) of plain cloth that can go no closer (Peirce 1937).

    The same yarn both ways: each wave rises half the sum of the diameters, D (1 - cos t) = D / 2, so t is 60 degrees.
    """
    angle = math.acos(0.5)
    spacing = math.sin(angle)
    return spacing, angle / spacing - 1.0


def cloth_mass_g_per_m2(
    *,
    ends_per_inch: float,
    picks_per_inch: float,
    warp_tex: float,
    weft_tex: float,
    warp_crimp: float,
    weft_crimp: float,
) -> float:
    """Return the weight of the cloth: thread length per area times its tex; crimps are fractions of the cloth."""
    warp = ends_per_inch * (1.0 + warp_crimp) * warp_tex
    weft = picks_per_inch * (1.0 + weft_crimp) * weft_tex
    return (warp + weft) / MM_PER_INCH  # (1/in -> 1/mm) * g/km = g/m2


def warp_contraction_percent(
    intersections_per_inch: float, weft_count: float, constant: float = 4.0
) -> float:
    """Return Taylor's rule for warp take-up in percent: k * intersections per inch / cotton count of the weft.

    k is 4 for heavy and 3 for medium cloth (Taylor, Cotton Weaving and Designing, 1909, pp. 427-429).
    """
    check_range("number of intersections per inch", intersections_per_inch, 1.0, 400.0)
    check_range("cotton count of the weft", weft_count, 1.0, 400.0)
    check_range("constant of Taylor's rule", constant, 1.0, 6.0)
    return constant * intersections_per_inch / weft_count
