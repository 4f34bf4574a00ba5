"""The chain from the finished piece back to the warp, as a function of its factors, and what their doubts do to it.

Each step divides by what is left after a loss (10 in that shrink by 20 % come from 10 / 0.8 = 12.5 in); percentages
are never added. Uncertainty goes along the chain the GUM way (JCGM 100:2008, 5.1): every factor is moved by its
standard uncertainty, the changes of each result are combined root-sum-square, and twice that is the margin.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from ..calibration.budget import COVERAGE_FACTOR
from ..calibration.units import MM_PER_INCH
from .plan_request import PlanRequest
from .quantities import Factor

__all__ = ["Share", "Sizes", "expanded", "factor_values", "finished_width", "kept", "size_chain"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """How much of a margin one factor causes, in percent of the variance."""

    factor: str
    percent: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Sizes:
    """Everything that follows from one set of values of the factors: mm, threads; `picks` over all pieces."""

    off_width: float
    off_length: float
    on_length: float
    heddle_width: float | None
    ends: float
    warp: float
    picks_piece: float
    picks: float
    weft_pick: float


def kept(values: Mapping[str, float], name: str) -> float:
    """Return what is left of 1 after the loss `name` (percent); a loss that is not in use takes nothing."""
    return 1.0 - values.get(name, 0.0) / 100.0


def factor_values(request: PlanRequest) -> dict[str, float]:
    """Return the factors in use as plain numbers, by their field's name."""
    return {key: factor.value for key, factor in _keyed(request).items()}


_KEYS = (
    "sett",
    "edges",
    "picks",
    "shrink_width",
    "shrink_length",
    "draw_in",
    "take_up",
    "give",
    "waste",
    "weft_crimp",
    "warp_yarn",
    "weft_yarn",
)


def _keyed(request: PlanRequest) -> dict[str, Factor]:
    found = {key: getattr(request, key) for key in _KEYS}
    return {key: factor for key, factor in found.items() if factor is not None}


def size_chain(request: PlanRequest, values: Mapping[str, float]) -> Sizes:
    """Work out every size from one set of values of the factors."""
    off_width = request.width_mm / kept(values, "shrink_width")
    off_length = request.length_mm / kept(values, "shrink_length")
    heddle_width = off_width / kept(values, "draw_in") if request.draw_in is not None else None
    state_width = {
        "in the heddle": heddle_width or off_width,
        "off the loom": off_width,
        "finished": request.width_mm,
    }[request.sett.base]
    sampled = request.sampling_mm * kept(values, "take_up")
    pieces = request.pieces
    warp = pieces * (off_length / kept(values, "take_up") + 2.0 * request.fringe_mm)
    warp += (pieces - 1) * request.gap_mm + request.sampling_mm + values["waste"]
    finished_picks = request.picks.base == "finished"
    picks_off = values["picks"] * (kept(values, "shrink_length") if finished_picks else 1.0) / MM_PER_INCH
    weft_pick = heddle_width or off_width
    if request.weft_crimp is not None:
        weft_pick = off_width * (1.0 + values["weft_crimp"] / 100.0)
    return Sizes(
        off_width=off_width,
        off_length=off_length,
        on_length=off_length / kept(values, "give"),
        heddle_width=heddle_width,
        ends=values["sett"] * (state_width - values.get("edges", 0.0)) / MM_PER_INCH,
        warp=warp,
        picks_piece=picks_off * off_length,
        picks=picks_off * (pieces * off_length + sampled),
        weft_pick=weft_pick,
    )


def finished_width(request: PlanRequest, values: Mapping[str, float], ends: float) -> float:
    """Return the finished width that so many ends give."""
    width = MM_PER_INCH * ends / values["sett"] + values.get("edges", 0.0)
    if request.sett.base == "in the heddle":
        width *= kept(values, "draw_in")
    if request.sett.base != "finished":
        width *= kept(values, "shrink_width")
    return width


def expanded(
    request: PlanRequest, result: Callable[[Mapping[str, float]], float]
) -> tuple[float, tuple[Share, ...]]:
    """Return the expanded uncertainty of `result` and the factors' shares of it."""
    values = factor_values(request)
    variances: dict[str, float] = {}
    for key, factor in _keyed(request).items():
        if factor.standard > 0:
            up = result({**values, key: factor.value + factor.standard})
            down = result({**values, key: factor.value - factor.standard})
            variances[factor.name] = ((up - down) / 2.0) ** 2
    total = math.fsum(variances.values())
    ordered = sorted(variances.items(), key=lambda item: -item[1])
    shares = tuple(Share(factor=name, percent=100.0 * v / total) for name, v in ordered if v > 0.005 * total)
    return COVERAGE_FACTOR * math.sqrt(total), shares
