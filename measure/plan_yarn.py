"""Yarn a planned warp and its weft take, colour by colour, and what another beat does to the weft."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from .colour_order import count_colours
from .plan_chain import Sizes
from .plan_request import PlanRequest
from .quantities import Factor

__all__ = ["BeatChange", "YarnLine", "beat_changes", "yarn_lines"]


@dataclass(frozen=True, slots=True, kw_only=True)
class YarnLine:
    """Yarn of one colour: ends or picks, length and weight as computed and with the margin."""

    role: Literal["warp", "weft"]
    colour: str
    threads: int
    length_mm: float
    length_with_margin_mm: float
    mass_g: float | None
    mass_with_margin_g: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class BeatChange:
    """What another beat does: picks per inch, picks in all, weft length."""

    picks_per_inch: float
    picks_total: int
    weft_length_mm: float
    change_percent: float


def yarn_lines(
    request: PlanRequest, ends: tuple[str, ...], sizes: Sizes, warp_u95: float, weft_u95: float
) -> tuple[YarnLine, ...]:
    """Return length and weight of every colour of warp and weft; the margins are those of the lengths, in mm."""
    lines = []
    for colour, count in count_colours(ends).items():
        needed = count * sizes.warp
        lines.append(_line("warp", colour, count, needed, warp_u95 / sizes.warp, request.warp_yarn))
    weft_length = sizes.picks * sizes.weft_pick
    weft = request.weft_order.ends() if request.weft_order else ("weft",)
    for colour, count in count_colours(weft).items():
        share = count / len(weft)
        needed = share * weft_length
        lines.append(
            _line(
                "weft", colour, round(share * sizes.picks), needed, weft_u95 / weft_length, request.weft_yarn
            )
        )
    return tuple(lines)


def _line(
    role: Literal["warp", "weft"],
    colour: str,
    threads: int,
    length_mm: float,
    margin: float,
    yarn: Factor | None,
) -> YarnLine:
    mass = with_margin = None
    if yarn is not None:
        mass = length_mm * yarn.value / 1_000_000.0
        # Length and tex are independent, so their relative margins combine root-sum-square.
        with_margin = mass * (1.0 + math.hypot(margin, yarn.u95 / yarn.value))
    return YarnLine(
        role=role,
        colour=colour,
        threads=threads,
        length_mm=length_mm,
        length_with_margin_mm=length_mm * (1.0 + margin),
        mass_g=mass,
        mass_with_margin_g=with_margin,
    )


def beat_changes(picks_per_inch: float, sizes: Sizes) -> tuple[BeatChange, ...]:
    """Return what a beat a tenth more open or closer does."""
    changes = []
    for percent in (-10.0, 10.0):
        factor = 1.0 + percent / 100.0
        changes.append(
            BeatChange(
                picks_per_inch=picks_per_inch * factor,
                picks_total=round(sizes.picks * factor),
                weft_length_mm=sizes.picks * factor * sizes.weft_pick,
                change_percent=percent,
            )
        )
    return tuple(changes)
