"""From a number of ends on paper to whole ends: repeats of the colour order, selvedge ends, odd or even."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from ..calibration.notices import Notice
from .colour_order import ColourOrder
from .quantities import check_range

__all__ = ["Arrangement", "Parity", "arrange_ends"]

Parity = Literal["any", "odd", "even"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrangement:
    """Colour of every end, left to right, how often the repeat is woven, and remarks."""

    ends: tuple[str, ...]
    repeats: int
    notices: tuple[Notice, ...]


def arrange_ends(
    exact_ends: float,
    *,
    order: ColourOrder | None = None,
    selvedge_ends: int = 0,
    parity: Parity = "any",
    plain_colour: str = "warp",
    order_from_sample: bool = False,
) -> Arrangement:
    """Return whole ends for `exact_ends`.

    Without an order the number is rounded up. An order with a section in square brackets is filled with the whole
    number of repeats that comes nearest; an order without one is taken as it stands. An end is added at the right
    selvedge when the odd/even rule asks for it. `order_from_sample` says that nobody gave the order.
    """
    check_range("number of ends", exact_ends, 1.0, 10_000.0)
    notices: list[Notice] = []
    repeats = 1
    if order is None:
        # The last digits of a division must not add an end (2280.0000000001 stays 2280).
        body = (plain_colour,) * max(2, math.ceil(exact_ends - 1e-6))
    elif order.repeat:
        repeats = max(1, round((exact_ends - order.fixed_ends) / len(order.repeat)))
        body = order.ends(repeats)
    else:
        body = order.ends()
    if order is not None and abs(len(body) - exact_ends) >= 1.0:
        what = f"{repeats} whole repeats make" if order.repeat else "the colour order has"
        fill = "" if order.repeat else " What stands in [ ] is repeated until the width is full."
        if order_from_sample and not order.repeat:
            what, fill = "the sample's own colour order has", " Give --order to fill the width with another."
        text = f"The width alone asks for {exact_ends:.0f} ends; {what} {len(body)}.{fill}"
        notices.append(Notice("ends-from-order", text))
    ends = (body[0],) * selvedge_ends + body + (body[-1],) * selvedge_ends
    if parity != "any" and (len(ends) % 2 == 1) != (parity == "odd"):
        ends = (*ends, ends[-1])
        notices.append(
            Notice(
                "parity-end", f"One {ends[-1]} end added at the right selvedge to make the number {parity}."
            )
        )
    return Arrangement(ends=ends, repeats=repeats, notices=tuple(notices))
