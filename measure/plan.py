"""From the wished piece back to the warp: finished, off the loom, in the heddle, ends, warp length, yarn.

The arithmetic is in `plan_chain`; here its results become whole ends, lengths with their margins, and remarks.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from ..calibration.notices import Notice
from ..calibration.units import MM_PER_INCH
from .plan_chain import Share, expanded, factor_values, finished_width, kept, size_chain
from .plan_ends import Arrangement, arrange_ends
from .plan_request import PlanRequest, SettState
from .plan_yarn import BeatChange, YarnLine, beat_changes, yarn_lines
from .quantities import check_range

__all__ = ["BeatChange", "PlanRequest", "SettState", "Share", "WarpPlan", "YarnLine", "make_plan"]

_MAX_WARP_MM = 200_000.0


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


def make_plan(request: PlanRequest) -> WarpPlan:
    """Work out the warp.

    Raises
    ------
    UsageError
        If the plan comes out absurd (fewer than 4 ends, more than 10 000, a warp above 200 m).
    """
    values = factor_values(request)
    sizes = size_chain(request, values)
    check_range("number of ends this plan comes to", sizes.ends, 2.0, 10_000.0)
    arrangement = arrange_ends(
        sizes.ends,
        order=request.order,
        selvedge_ends=request.selvedge_ends,
        parity=request.parity,
        order_from_sample=request.order_from_sample,
    )
    count = len(arrangement.ends)
    check_range("length of warp this plan comes to", sizes.warp, 1.0, _MAX_WARP_MM, "mm")
    # Extra selvedge ends sit doubled at the edge and add next to no width (common practice).
    body = count - 2 * request.selvedge_ends
    expected_width = finished_width(request, values, body)
    width_u95, _ = expanded(request, lambda v: finished_width(request, v, body))
    # The length comes out by what was measured on the loom, so only what happens after that counts.
    length_u95, _ = expanded(request, lambda v: sizes.on_length * kept(v, "give") * kept(v, "shrink_length"))
    warp_u95, shares = expanded(request, lambda v: size_chain(request, v).warp)
    weft_length = sizes.picks * sizes.weft_pick
    weft_u95, _ = expanded(request, lambda v: size_chain(request, v).picks * size_chain(request, v).weft_pick)
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
        yarn=yarn_lines(request, arrangement.ends, sizes, warp_u95, weft_u95),
        beat=beat_changes(values["picks"], sizes),
        notices=_notices(request, arrangement, expected_width, width_u95),
    )


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
                f"The planned ends finish {abs(off):.0f} mm ({abs(off) / MM_PER_INCH:.1f} in) {side} than the wish; change "
                "the colour order or the wish if that matters.",
            )
        )
    return tuple(notices)
