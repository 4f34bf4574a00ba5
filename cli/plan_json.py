"""The JSON document of `pickglass plan`: lengths in mm, densities per inch and per cm, units in the names."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from ..measure.plan import WarpPlan
    from ..measure.sett_advice import SettAdvice, Substitution

__all__ = ["SCHEMA", "plan_document"]

SCHEMA = "pickglass.plan/1"


def plan_document(
    plan: WarpPlan, *, advice: SettAdvice | None, substitutions: Sequence[Substitution]
) -> dict[str, Any]:
    """Return the document of one plan."""
    from ..measure.colour_order import find_symmetry, thread_two_sheds, write_order

    request = plan.request
    sett = plan.heddle_sett_per_inch
    symmetry = find_symmetry(plan.ends)
    return {
        "schema": SCHEMA,
        "messages": [{"code": notice.code, "text": notice.text} for notice in plan.notices],
        "wanted": {"width_mm": request.width_mm, "length_mm": request.length_mm, "pieces": request.pieces},
        "factors": [
            {
                "name": factor.name,
                "value": factor.value,
                "u95": factor.u95,
                "unit": factor.unit,
                "base": factor.base,
                "origin": factor.origin,
                "note": factor.note,
            }
            for factor in request.factors
        ],
        "finished": {
            "width_mm": plan.expected_width_mm,
            "width_u95_mm": plan.expected_width_u95_mm,
            "length_mm": plan.expected_length_mm,
            "length_u95_mm": plan.expected_length_u95_mm,
        },
        "off_loom": {"width_mm": plan.off_loom_width_mm, "length_mm": plan.off_loom_length_mm},
        "on_loom": {
            "length_under_tension_mm": plan.on_loom_length_mm,
            "picks_per_piece": plan.picks_per_piece,
        },
        "heddle": {
            "width_mm": plan.heddle_width_mm,
            "per_inch": sett,
            "per_cm": None if sett is None else sett / 2.54,
        },
        "ends": {
            "count": len(plan.ends),
            "exact": plan.exact_ends,
            "repeats": plan.repeats,
            "order": write_order(plan.ends),
            "symmetry": symmetry.kind,
            "threading": [asdict(end) for end in thread_two_sheds(plan.ends, request.first_opening)],
        },
        "warp": {
            "length_mm": plan.warp_length_mm,
            "length_u95_mm": plan.warp_length_u95_mm,
            "length_with_margin_mm": plan.warp_length_with_margin_mm,
            "margin_percent": plan.warp_margin_percent,
            "margin_comes_from": [asdict(share) for share in plan.margin_shares],
        },
        "weft": {"picks": plan.picks_total, "margin_percent": plan.weft_margin_percent},
        "yarn": [asdict(line) for line in plan.yarn],
        "other_beats": [asdict(change) for change in plan.beat],
        "heddles_on_hand": [asdict(choice) for choice in substitutions],
        "sett_to_sample": None if advice is None else asdict(advice),
    }
