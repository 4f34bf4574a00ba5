"""The uncertainty budget of a printed card's scale, and what a weaver should know about it."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from .budget import BudgetLine, rectangular_percent
from .card_choice import RULE_READING_MM, ChosenFit, FocalOrigin
from .card_design import CHECK_BAR_MM, PAPER_SIZE_MM
from .card_fit import CameraFit
from .card_sighting import CardSighting
from .notices import Notice
from .photo import Photo
from .plane import Plane

__all__ = ["LENS_ORIGINS", "card_budget", "card_notices"]

# "Fit to page" leaves the unprintable rim of a home printer, commonly 4.2 mm: 2 x 4.2 mm of 210 mm are 4 %.
UNCONFIRMED_HALF_WIDTH_PERCENT = 100.0 * 2 * 4.2 / PAPER_SIZE_MM["a4"][0]
# Paper lying on a table stands up by half a millimetre here and there: common practice.
PAPER_FLATNESS_MM = 0.5
JOINT_MM = 0.7  # a misfit of a glued joint that is worth saying

LENS_ORIGINS: dict[FocalOrigin, str] = {
    "learned": "lens learned from photos of the page card",
    "exif": "35 mm equivalent in the file, rounded; distortion that phones leave, common practice",
    "unknown": "no focal length in the file; lenses of phones and cameras, common practice",
}
CURLED_MM = 1.0  # smallest rise of the paper that is called curled


def _where_wanted_mm(photo: Photo, sighting: CardSighting, fit: CameraFit) -> NDArray[np.float64]:
    """Return points on the card's plane where the scale will be used: the empty middle, or all over the photo."""
    share = np.array([[x, y] for x in (-0.25, 0.0, 0.25) for y in (-0.25, 0.0, 0.25)])
    blank = sighting.layout.blank
    if blank is not None:
        low, high = blank.min(axis=0), blank.max(axis=0)
        points: NDArray[np.float64] = ((low + high) / 2 + share * (high - low)) * np.array(
            sighting.print_scale
        )
        return points
    height, width = photo.bgr.shape[:2]
    size = np.array([width - 1.0, height - 1.0])
    plane = Plane(px_from_mm=fit.px_from_card_mm, source="pocket-card", lens=fit.lens)
    return plane.to_mm(size / 2 + share * size)


def card_budget(
    photo: Photo, sighting: CardSighting, chosen: ChosenFit, distance_mm: float, origin: FocalOrigin
) -> tuple[BudgetLine, ...]:
    """Return every source of uncertainty of the scale as a named line.

    Parameters
    ----------
    photo : Photo
        For its size.
    sighting : CardSighting
        The markers seen.
    chosen : ChosenFit
        Camera and card fitted to them.
    distance_mm : float
        Distance of the lens from the card.
    origin : str
        Where the focal length comes from.
    """
    fit = chosen.fit
    corners, lens, stretch = fit.scale_u_percent(_where_wanted_mm(photo, sighting, fit))
    markers = len(sighting.quads_px)
    lens_origin = LENS_ORIGINS[origin]
    lines = [
        BudgetLine(
            name="marker corners",
            standard_percent=corners * math.sqrt(chosen.spread),
            kind="A",
            origin=f"residuals of {len(sighting.points_mm)} corners of {markers} markers in this photo",
        ),
        BudgetLine(
            name="focal length and lens distortion", standard_percent=lens, kind="B", origin=lens_origin
        ),
        BudgetLine(
            name="paper flatness",
            standard_percent=rectangular_percent(100.0 * PAPER_FLATNESS_MM / distance_mm),
            kind="B",
            origin=f"paper stands up by {PAPER_FLATNESS_MM:g} mm here and there, common practice",
        ),
        _print_line(stretch, confirmed=sighting.confirmed),
    ]
    if chosen.rise_mm is not None:
        lines.append(_bend_line(sighting, chosen.rise_mm, distance_mm))
    return tuple(lines)


def _print_line(stretch_percent: float, *, confirmed: bool) -> BudgetLine:
    """Mean size of the print, and what the photo leaves open of its being wider than high (`stretch_percent`)."""
    if confirmed:
        mean = rectangular_percent(100.0 * RULE_READING_MM / CHECK_BAR_MM) / math.sqrt(
            2.0
        )  # mean of two bars
        origin = f"check bars measured with a rule, read within {RULE_READING_MM:g} mm, common practice"
    else:
        mean = rectangular_percent(UNCONFIRMED_HALF_WIDTH_PERCENT)
        origin = (
            "check bars not measured; “fit to page” for a rim of 4.2 mm shrinks A4 by 4 %, common practice"
        )
    return BudgetLine(
        name="print scale", standard_percent=math.hypot(mean, stretch_percent), kind="B", origin=origin
    )


def _bend_line(sighting: CardSighting, rise: float, distance_mm: float) -> BudgetLine:
    """Uncertainty left by bent paper: the scale holds where the plane touches, in the middle of the card."""
    share = 1.0
    blank = sighting.blank_mm
    if blank is not None:
        share = (float(np.linalg.norm(blank[0] - blank[2])) / 2.0 / sighting.reach_mm) ** 2
    return BudgetLine(
        name="curled paper",
        standard_percent=rectangular_percent(100.0 * rise * share / distance_mm),
        kind="A",
        origin=f"the card's edge stands about {rise:.1f} mm off its middle, from the markers in this photo",
    )


def card_notices(sighting: CardSighting, chosen: ChosenFit) -> tuple[Notice, ...]:
    """Return what a weaver should know: an unchecked print, curled paper, a cropped photo, covered markers."""
    code = sighting.layout.code
    notices = []
    if not sighting.confirmed:
        notices.append(
            Notice(
                "card-unconfirmed",
                f"Card {code} has not been checked: the printer may have changed its size by up to 4 %. Measure its "
                f"two {CHECK_BAR_MM:g} mm bars with a rule and type: pickglass card --code {code} --measured 100.0x100.0 "
                "(with your figures).",
            )
        )
    rise = chosen.rise_mm
    if rise is not None and rise >= CURLED_MM:
        notices.append(
            Notice(
                "card-curled",
                f"Card {code} does not lie flat: its edge stands about {rise:.0f} mm off. The scale is less certain; "
                "press the card flat or tape its corners down and take the photo again.",
            )
        )
    if chosen.joint_mm > JOINT_MM:
        notices.append(
            Notice(
                "rail-joint",
                f"Two parts of rail {code} are glued about {chosen.joint_mm:.1f} mm off. The scale allows for it; positions "
                "along the rail are off by as much. Glue the parts again, line to line.",
            )
        )
    if chosen.cropped:
        notices.append(
            Notice(
                "photo-cropped",
                "The perspective does not fit the focal length in the file: the photo seems cropped or changed after "
                "it was taken. The scale was found without the focal length; use the original photo if you have it.",
            )
        )
    drawn, seen = len(sighting.layout.markers), len(sighting.quads_px)
    if code.kind != "rail" and seen < 0.6 * drawn:
        notices.append(
            Notice(
                "card-partly-seen",
                f"Only {seen} of the {drawn} markers of card {code} could be used. Leave the markers uncovered, "
                "all inside the photo and out of glare.",
            )
        )
    return tuple(notices)
