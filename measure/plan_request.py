"""What a plan starts from: the wished piece and every number it rests on, each checked."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from ..calibration.errors import UsageError
from .colour_order import ColourOrder, Opening
from .plan_ends import Parity
from .quantities import Factor, check_range

__all__ = ["PlanRequest", "SettState"]

SettState = Literal["in the heddle", "off the loom", "finished"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanRequest:
    """What is wanted and what is known.

    Attributes
    ----------
    width_mm, length_mm : float
        Finished size of one piece.
    sett : Factor
        Ends per inch; its ``base`` is the state it belongs to (`SettState`).
    edges : Factor or None
        How much wider the cloth is than its ends times their spacing, mm, in the same state as `sett`: the outer halves
        and weft turns of the selvedges, less their crowding. It stays the same however many ends there are.
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
    order_from_sample : bool
        The colours of the warp were read from the sample; nobody gave them.
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
    edges: Factor | None = None
    weft_crimp: Factor | None = None
    warp_yarn: Factor | None = None
    weft_yarn: Factor | None = None
    pieces: int = 1
    fringe_mm: float = 0.0
    gap_mm: float = 0.0
    sampling_mm: float = 0.0
    order: ColourOrder | None = None
    order_from_sample: bool = False
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
            most = 20.0 if factor.unit in ("%", "mm") else max(1.0, factor.value)
            if factor is self.waste:
                most = max(1.0, factor.value)
            check_range(f"uncertainty of the {factor.name}", factor.standard, 0.0, most, factor.unit)
        if self.edges is not None:
            check_range(self.edges.name, self.edges.value, -30.0, 30.0, "mm")
            if self.edges.base != self.sett.base:
                raise ValueError("the edges must belong to the cloth whose sett is known")
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
            self.edges,
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
