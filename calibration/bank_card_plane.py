"""From a fitted bank card to the photo's plane, with the uncertainty of its scale."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .bank_card import UNKNOWN_FOCAL_LOG_STD, BankCard
from .budget import BudgetLine
from .camera_view import align_with_photo, tilt_and_distance
from .id1 import ID1_CORNER_RADIUS_MM, ID1_SIZE_MM
from .notices import Notice
from .photo import Photo
from .plane import Plane, apply_homography
from .pose import PoseFit

__all__ = ["plane_of_card"]

_ORIGINS = {
    "edge points": ("A", "scatter of the edge points about straight lines in this photo"),
    "focal length": (
        "B",
        "35 mm equivalent from the EXIF tag (3 %), or a typical phone when the tag is missing",
    ),
    "lens distortion": (
        "B",
        "radial term of phone cameras after their own correction, ±0.02 (common practice)",
    ),
    "edge position": ("B", "tone curve and sharpening move the visible edges outward or inward together"),
    "side faces and shadows": (
        "B",
        "a lit side face (the card is 0.76 mm thick, ISO/IEC 7810) or a contact shadow shifts one edge on its own",
    ),
    "card width": ("B", "ISO/IEC 7810 ID-1 limits and wear"),
    "card height": ("B", "ISO/IEC 7810 ID-1 limits and wear"),
}


def plane_of_card(photo: Photo, card: BankCard) -> Plane:
    """Turn a fitted card into the photo's plane, with its uncertainty budget.

    Parameters
    ----------
    photo : Photo
        The photo.
    card : BankCard
        A card found in it.

    Returns
    -------
    Plane
        Millimetres aligned with the photo, origin at its centre.
    """
    fit = card.fit
    px_from_mm, card_from_mm = align_with_photo(fit.px_from_card_mm, photo.bgr.shape)
    tilt, distance = tilt_and_distance(fit.px_from_card_mm, fit.lens.focal_px, fit.lens.centre_px)
    known_focal = fit.input_std[0] < UNKNOWN_FOCAL_LOG_STD
    plane = Plane(px_from_mm=px_from_mm, source="bank-card", lens=fit.lens)
    outline_mm = apply_homography(np.asarray(np.linalg.inv(card_from_mm)), _outline_mm())
    return Plane(
        px_from_mm=px_from_mm,
        source="bank-card",
        budget=_budget(photo, fit),
        tilt_deg=tilt,
        camera_distance_mm=distance if known_focal else None,
        card_outline_px=plane.to_px(outline_mm),
        lens=fit.lens,
        card_seen=card.seen_share,
        notices=_notices(card, known_focal),
    )


def _outline_mm() -> NDArray[np.float64]:
    """Outline of the card with its rounded corners, about its centre."""
    half = np.array(ID1_SIZE_MM) / 2 - ID1_CORNER_RADIUS_MM
    corners = []
    for quarter, sign in enumerate(((-1, -1), (1, -1), (1, 1), (-1, 1))):
        angle = np.radians(180.0 + 90.0 * quarter + np.linspace(0, 90, 8))
        arc = np.column_stack([np.cos(angle), np.sin(angle)]) * ID1_CORNER_RADIUS_MM
        corners.append(half * np.array(sign) + arc)
    return np.concatenate(corners)


def _budget(photo: Photo, fit: PoseFit) -> tuple[BudgetLine, ...]:
    """Budget over the middle of the photo, where samples lie."""
    height, width = photo.bgr.shape[:2]
    x, y = np.meshgrid(np.array([0.25, 0.5, 0.75]) * (width - 1), np.array([0.25, 0.5, 0.75]) * (height - 1))
    shares = fit.scale_budget_percent(np.column_stack([x.ravel(), y.ravel()]))
    return tuple(
        BudgetLine(name=name, standard_percent=share, kind=_ORIGINS[name][0], origin=_ORIGINS[name][1])
        for name, share in shares.items()
    )


def _notices(card: BankCard, known_focal: bool) -> tuple[Notice, ...]:
    notices = []
    if card.seen_share < 0.8:
        notices.append(
            Notice(
                "card-partly-hidden",
                f"Only {100 * card.seen_share:.0f} % of the card's edges show. Lay the whole card in view, "
                "clear of the cloth.",
            )
        )
    if not known_focal:
        notices.append(
            Notice(
                "focal-length-unknown",
                "The photo does not say its focal length, so a tilted camera is corrected less surely. "
                "Use the photo as the phone saved it, and hold the phone level.",
            )
        )
    return tuple(notices)
