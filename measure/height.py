"""The cloth lies above or below the card's plane; a camera sees what is nearer larger.

At camera distance Z a length that lies h above the plane reads too large by Z / (Z - h) (similar triangles of the pinhole
camera). The height of the visible threads is estimated from the thread pitch unless the weaver gives the cloth's thickness.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from ..calibration.budget import BudgetLine, rectangular_percent
from .results import Face

__all__ = ["CARD_THICKNESS_MM", "HeightCorrection", "estimate_height"]

CARD_THICKNESS_MM = 0.76
"""Thickness of a bank-sized card, ISO/IEC 7810 ID-1 (0.76 +/- 0.08 mm)."""

_PAPER_MM = 0.1  # a printed card lies flat on the table

# Common practice: a yarn fills about 0.5 to 0.7 of the pitch of a balanced cloth (balanced sett is half the wraps per inch),
# and two yarns lie on each other. In a faced cloth the covering system lies on both sides of the hidden one.
_THICKNESS_PER_PITCH = {"balanced": 1.25, "warp-faced": 2.0, "weft-faced": 2.0}
_THICKNESS_DOUBT = 0.4  # share of the estimate: open gauze and jammed rug lie that far apart
_LIFT_MM = 0.15  # cloth is never quite flat on the table
_GIVEN_DOUBT = 0.1
_NEAREST_DISTANCE_MM = 220.0  # phone photos of a sampler and a card are not taken nearer; only for the budget


@dataclass(frozen=True, slots=True, kw_only=True)
class HeightCorrection:
    """What the cloth's height does to lengths measured in the card's plane.

    Attributes
    ----------
    length_factor : float
        Multiply lengths read in the card's plane by this.
    height_mm : float
        Height of the middle of the cloth above the plane (negative when the card lies on the cloth).
    line : BudgetLine
        What remains in doubt.
    """

    length_factor: float
    height_mm: float
    line: BudgetLine


def estimate_height(
    *,
    pitch_mm: tuple[float, float],
    face: Face,
    camera_distance_mm: float | None,
    bank_card: bool,
    card_on_cloth: bool,
    thickness_mm: float | None,
) -> HeightCorrection:
    """Estimate the height of the visible threads over the card's plane and what it does to lengths.

    Parameters
    ----------
    pitch_mm : tuple of float
        Spacing of ends and picks.
    face : str
        Which system covers the cloth.
    camera_distance_mm : float or None
        Distance of the lens from the plane; without it nothing is corrected and the doubt grows.
    bank_card : bool
        Whether the plane is the top of a thick card instead of paper.
    card_on_cloth : bool
        Whether the card lies on the cloth.
    thickness_mm : float or None
        Thickness of the cloth as the weaver measured it.
    """
    card = CARD_THICKNESS_MM if bank_card else _PAPER_MM
    if thickness_mm is None:
        thickness = _THICKNESS_PER_PITCH[face] * math.sqrt(pitch_mm[0] * pitch_mm[1])
        doubt = _THICKNESS_DOUBT * thickness / 2 + _LIFT_MM
        origin = "thickness estimated from the thread spacing"
    else:
        thickness = thickness_mm
        doubt = _GIVEN_DOUBT * thickness / 2 + _LIFT_MM
        origin = "thickness as given"
    if card_on_cloth:
        # The card rests on the crowns of the cloth, whose middle lies half a thickness lower.
        height = -(card + thickness / 2)
    else:
        height = thickness / 2 + _LIFT_MM - card
    if camera_distance_mm is None:
        nearest = _NEAREST_DISTANCE_MM
        spread = 100 * (abs(height) + doubt) / nearest
        line = _line(spread, f"{origin}; camera distance unknown, so nothing is corrected")
        return HeightCorrection(length_factor=1.0, height_mm=height, line=line)
    factor = (camera_distance_mm - height) / camera_distance_mm
    spread = 100 * math.hypot(doubt / camera_distance_mm, 0.1 * height / camera_distance_mm)
    return HeightCorrection(length_factor=factor, height_mm=height, line=_line(spread, origin))


def _line(half_width_percent: float, origin: str) -> BudgetLine:
    return BudgetLine(
        name="height of the cloth over the card",
        standard_percent=rectangular_percent(half_width_percent),
        kind="B",
        origin=origin,
    )
