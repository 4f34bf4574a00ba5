"""From the wished piece back to the warp: finished, off the loom, in the heddle, ends, warp length, yarn.

Each step divides by what is left after a loss (10 in that shrink by 20 % come from 10 / 0.8 = 12.5 in); percentages
are never added. Uncertainty goes along the chain the GUM way (JCGM 100:2008, 5.1): every factor is moved by its
standard uncertainty, the changes of each result are combined root-sum-square, and twice that is the margin.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal

from ..calibration.budget import COVERAGE_FACTOR
from ..calibration.errors import UsageError
from ..calibration.notices import Notice
from .colour_order import ColourOrder, Opening, count_colours
from .plan_ends import Arrangement, Parity, arrange_ends
from .quantities import Factor, check_range
from .results import MM_PER_INCH

__all__ = ["BeatChange", "PlanRequest", "SettState", "Share", "WarpPlan", "YarnLine", "make_plan"]

SettState = Literal["in the heddle", "off the loom", "finished"]
_MAX_WARP_MM = 200_000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanRequest:
    """What is wanted and what is known.

    Attributes
    ----------
    width_mm, length_mm : float
        Finished size of one piece.
    sett : Factor
        Ends per inch; its ``base`` is the state it belongs to (`SettState`).
    picks : Factor
        Picks per inch, ``base`` ``"off the loom"`` or ``"finished"``.
    shrink_width, shrink_length : Factor
        Percent of the off-loom size lost in finishing.
    take_up : Factor
        Percent of the warp length lost by weaving (warp used -> cloth off the loom).
    draw_in : Factor or None
        Percent of the width in the heddle lost by weaving; None for a band whose width no heddle sets.
    give : Factor
        Percent the cloth shortens when the loom's tension is let off.
    waste : Factor
        Warp that cannot be woven, mm.
    weft_crimp : Factor or None
        Percent of the woven width a pick is longer; None: a pick is as long as the width in the heddle.
    warp_yarn, weft_yarn : Factor or None
        tex, for weights.
    pieces : int
        How many pieces on one warp.
    fringe_mm, gap_mm, sampling_mm : float
        Fringe at each end of a piece; further space between pieces; warp set aside for a sampler.
    order, weft_order : ColourOrder or None
        Colours of warp and weft.
    selvedge_ends : int
        Extra ends at each selvedge.
    parity : str
        ``"any"``, ``"odd"`` or ``"even"`` number of ends.
    first_opening : str
        ``"slot"`` or ``"hole"``: where the leftmost end goes.
    """

    width_mm: float
    length_mm: float
    sett: Factor
    picks: Factor
    shrink_width: Factor
    shrink_length: Factor
    take_up: Factor
    draw_in: Factor | None
    give: Factor
    waste: Factor
    weft_crimp: Factor | None = None
    warp_yarn: Factor | None = None
    weft_yarn: Factor | None = None
    pieces: int = 1
    fringe_mm: float = 0.0
    gap_mm: float = 0.0
    sampling_mm: float = 0.0
    order: ColourOrder | None = None
    weft_order: ColourOrder | None = None
    selvedge_ends: int = 0
    parity: Parity = "any"
    first_opening: Opening = "slot"

    def __post_init__(self) -> None:
        """Check every number, so that nothing negative, non-finite or absurd passes."""
        check_range("finished width", self.width_mm, 3.0, 3000.0, "mm")
        check_range("finished length", self.length_mm, 20.0, 50_000.0, "mm")
        check_range("number of pieces", self.pieces, 1, 200)
        check_range("fringe", self.fringe_mm, 0.0, 1000.0, "mm")
        check_range("gap between pieces", self.gap_mm, 0.0, 1000.0, "mm")
        check_range("sampling allowance", self.sampling_mm, 0.0, 5000.0, "mm")
        check_range("number of extra selvedge ends", self.selvedge_ends, 0, 40)
        check_range("sett", self.sett.value, 1.0, 200.0, "per inch")
        check_range("number of picks", self.picks.value, 1.0, 200.0, "per inch")
        check_range("loom waste", self.waste.value, 0.0, 3000.0, "mm")
        for loss in (self.shrink_width, self.shrink_length, self.take_up, self.draw_in, self.give):
            if loss is not None:
                check_range(loss.name, loss.value, -20.0, 60.0, "%")
        if self.weft_crimp is not None:
            check_range("weft crimp", self.weft_crimp.value, 0.0, 60.0, "%")
        for yarn in (self.warp_yarn, self.weft_yarn):
            if yarn is not None:
                check_range(yarn.name, yarn.value, 1.0, 20_000.0, "tex")
        for factor in self.factors:
            most = 20.0 if factor.unit == "%" else max(1.0, factor.value)
            check_range(f"uncertainty of the {factor.name}", factor.standard, 0.0, most, factor.unit)
        if self.sett.base == "in the heddle" and self.draw_in is None:
            raise UsageError(
                "no-draw-in",
                "A sett in the heddle cannot be turned into a width without the draw-in.",
                "Give the sett of the finished cloth, or the draw-in.",
            )

    @property
    def factors(self) -> tuple[Factor, ...]:
        """The factors in use, in the order of the chain."""
        every = (
            self.sett,
            self.picks,
            self.shrink_width,
            self.shrink_length,
            self.draw_in,
            self.take_up,
            self.give,
            self.waste,
            self.weft_crimp,
            self.warp_yarn,
            self.weft_yarn,
        )
        return tuple(factor for factor in every if factor is not None)


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
class Share:
    """How much of a margin one factor causes, in percent of the variance."""

    factor: str
    percent: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BeatChange:
    """What another beat does: picks per inch, picks in all, weft length."""

    picks_per_inch: float
    picks_total: int
    weft_length_mm: float
    change_percent: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WarpPlan:
    """The warp to make. Lengths in mm; ``…_u95_…`` are expanded uncertainties (95 %).

    Attributes
    ----------
    off_loom_width_mm, heddle_width_mm : float, float or None
        Width just off the loom and in the heddle (None for a band without a set width).
    off_loom_length_mm, on_loom_length_mm : float
        Length of one piece off the loom, and measured on the loom under tension.
    expected_width_mm, expected_length_mm : float
        Finished size of the planned ends and length.
    exact_ends : float
        Ends before rounding to whole ends, repeats and parity.
    ends : tuple of str
        Colour of every end, left to right.
    warp_length_mm, warp_length_with_margin_mm : float
        Length of the warp as computed, and to wind.
    margin_shares : tuple of Share
        What the warp's margin comes from, largest first.
    """

    request: PlanRequest
    off_loom_width_mm: float
    heddle_width_mm: float | None
    off_loom_length_mm: float
    on_loom_length_mm: float
    expected_width_mm: float
    expected_width_u95_mm: float
    expected_length_mm: float
    expected_length_u95_mm: float
    exact_ends: float
    ends: tuple[str, ...]
    repeats: int
    heddle_sett_per_inch: float | None
    picks_per_piece: int
    picks_total: int
    warp_length_mm: float
    warp_length_u95_mm: float
    warp_length_with_margin_mm: float
    warp_margin_percent: float
    weft_margin_percent: float
    margin_shares: tuple[Share, ...]
    yarn: tuple[YarnLine, ...]
    beat: tuple[BeatChange, ...]
    notices: tuple[Notice, ...] = field(default=())


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sizes:
    """Everything that follows from one set of values of the factors."""

    off_width: float
    off_length: float
    on_length: float
    heddle_width: float | None
    ends: float
    warp: float
    picks_piece: float
    picks: float
    weft_pick: float


def _kept(values: Mapping[str, float], name: str) -> float:
    return 1.0 - values.get(name, 0.0) / 100.0


def _values(request: PlanRequest) -> dict[str, float]:
    return {key: factor.value for key, factor in _keyed(request).items()}


_KEYS = (
    "sett",
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


def _sizes(request: PlanRequest, values: Mapping[str, float]) -> _Sizes:
    off_width = request.width_mm / _kept(values, "shrink_width")
    off_length = request.length_mm / _kept(values, "shrink_length")
    heddle_width = off_width / _kept(values, "draw_in") if request.draw_in is not None else None
    state_width = {
        "in the heddle": heddle_width or off_width,
        "off the loom": off_width,
        "finished": request.width_mm,
    }[request.sett.base]
    sampled = request.sampling_mm * _kept(values, "take_up")
    pieces = request.pieces
    warp = pieces * (off_length / _kept(values, "take_up") + 2.0 * request.fringe_mm)
    warp += (pieces - 1) * request.gap_mm + request.sampling_mm + values["waste"]
    finished_picks = request.picks.base == "finished"
    picks_off = values["picks"] * (_kept(values, "shrink_length") if finished_picks else 1.0) / MM_PER_INCH
    weft_pick = heddle_width or off_width
    if request.weft_crimp is not None:
        weft_pick = off_width * (1.0 + values["weft_crimp"] / 100.0)
    return _Sizes(
        off_width=off_width,
        off_length=off_length,
        on_length=off_length / _kept(values, "give"),
        heddle_width=heddle_width,
        ends=values["sett"] * state_width / MM_PER_INCH,
        warp=warp,
        picks_piece=picks_off * off_length,
        picks=picks_off * (pieces * off_length + sampled),
        weft_pick=weft_pick,
    )


def _finished_width(request: PlanRequest, values: Mapping[str, float], ends: float) -> float:
    """Return the finished width that so many ends give."""
    width = MM_PER_INCH * ends / values["sett"]
    if request.sett.base == "in the heddle":
        width *= _kept(values, "draw_in")
    if request.sett.base != "finished":
        width *= _kept(values, "shrink_width")
    return width


def _u95(
    request: PlanRequest, result: Callable[[Mapping[str, float]], float]
) -> tuple[float, tuple[Share, ...]]:
    """Return the expanded uncertainty of `result` and the factors' shares of it."""
    values = _values(request)
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


def make_plan(request: PlanRequest) -> WarpPlan:
    """Work out the warp.

    Raises
    ------
    UsageError
        If the plan comes out absurd (fewer than 4 ends, more than 10 000, a warp above 200 m).
    """
    values = _values(request)
    sizes = _sizes(request, values)
    check_range("number of ends this plan comes to", sizes.ends, 2.0, 10_000.0)
    arrangement = arrange_ends(
        sizes.ends,
        order=request.order,
        selvedge_ends=request.selvedge_ends,
        parity=request.parity,
    )
    count = len(arrangement.ends)
    check_range("length of warp this plan comes to", sizes.warp, 1.0, _MAX_WARP_MM, "mm")
    # Extra selvedge ends sit doubled at the edge and add next to no width (common practice).
    body = count - 2 * request.selvedge_ends
    expected_width = _finished_width(request, values, body)
    width_u95, _ = _u95(request, lambda v: _finished_width(request, v, body))
    # The length comes out by what was measured on the loom, so only what happens after that counts.
    length_u95, _ = _u95(request, lambda v: sizes.on_length * _kept(v, "give") * _kept(v, "shrink_length"))
    warp_u95, shares = _u95(request, lambda v: _sizes(request, v).warp)
    weft_length = sizes.picks * sizes.weft_pick
    weft_u95, _ = _u95(request, lambda v: _sizes(request, v).picks * _sizes(request, v).weft_pick)
    heddle_sett = None
    heddle_width = sizes.heddle_width
    if heddle_width is not None:
        per_mm = (
            values["sett"] / MM_PER_INCH
            if request.sett.base == "in the heddle"
            else sizes.ends / heddle_width
        )
        heddle_sett = per_mm * MM_PER_INCH
        heddle_width = body / per_mm
    return WarpPlan(
        request=request,
        off_loom_width_mm=sizes.off_width,
        heddle_width_mm=heddle_width,
        off_loom_length_mm=sizes.off_length,
        on_loom_length_mm=sizes.on_length,
        expected_width_mm=expected_width,
        expected_width_u95_mm=width_u95,
        expected_length_mm=request.length_mm,
        expected_length_u95_mm=length_u95,
        exact_ends=sizes.ends,
        ends=arrangement.ends,
        repeats=arrangement.repeats,
        heddle_sett_per_inch=heddle_sett,
        picks_per_piece=round(sizes.picks_piece),
        picks_total=round(sizes.picks),
        warp_length_mm=sizes.warp,
        warp_length_u95_mm=warp_u95,
        warp_length_with_margin_mm=sizes.warp + warp_u95,
        warp_margin_percent=100.0 * warp_u95 / sizes.warp,
        weft_margin_percent=100.0 * weft_u95 / weft_length,
        margin_shares=shares,
        yarn=_yarn_lines(request, arrangement.ends, sizes, warp_u95, weft_u95),
        beat=_beat_changes(values["picks"], sizes),
        notices=_notices(request, arrangement, expected_width, width_u95),
    )


def _yarn_lines(
    request: PlanRequest, ends: tuple[str, ...], sizes: _Sizes, warp_u95: float, weft_u95: float
) -> tuple[YarnLine, ...]:
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


def _beat_changes(picks_per_inch: float, sizes: _Sizes) -> tuple[BeatChange, ...]:
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


def _notices(
    request: PlanRequest, arrangement: Arrangement, expected_width: float, width_u95: float
) -> tuple[Notice, ...]:
    notices = list(arrangement.notices)
    priors = [factor.name for factor in request.factors if factor.origin == "prior"]
    if priors:
        notices.append(
            Notice(
                "general-figures",
                f"General figures stand in for: {', '.join(priors)}. A washed sampler of this yarn replaces them.",
            )
        )
    off = expected_width - request.width_mm
    if abs(off) > max(width_u95, 0.02 * request.width_mm):
        side = "wider" if off > 0 else "narrower"
        notices.append(
            Notice(
                "width-differs",
                f"The planned ends finish {abs(off):.0f} mm {side} than the wish; change the colour order or the "
                "wish if that matters.",
            )
        )
    return tuple(notices)
