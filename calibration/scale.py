"""One way to the scale of a photo: a printed card, a bank-sized card, a given scale, a scan, or none."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Literal, get_args

import numpy as np

from .budget import BudgetLine, rectangular_percent
from .errors import ScaleError, UsageError
from .notices import Notice
from .photo import Photo
from .plane import Plane, scaling_plane
from .two_points import plane_of_points
from .units import MM_PER_INCH

if TYPE_CHECKING:
    from .bank_card import BankCard
    from .card_memory import CheckBars, LensRecord
    from .rule_scale import RuleKind

__all__ = ["CardChoice", "KnownDistance", "find_scale"]

CardChoice = Literal["auto", "bank", "printed"]
KnownDistance = tuple[float, float, float, float, float]
"""x and y of two points in pixels of the upright photo, and the distance between them in millimetres."""

_LAY_A_CARD = (
    "Lay a bank-sized card (number side down) or a pickglass card flat beside the cloth, all of it in the photo, "
    "on a table of another colour; or give the scale with --rule, --points or --px-per-mm."
)
_PX_PER_MM_LIMITS = (0.5, 2000.0)  # below, no thread shows; above lies beyond light microscopes
_DPI_LIMITS = (50.0, 12800.0)  # what flat-bed scanners offer
_SOFT_PX = 4.0  # sharp phone photos have 1.5 to 3; here it is but a hint
_FEW_PIXELS = 1500  # along the longer side; phones take 3000 and more, messengers leave 1600 or less
_PLACEHOLDER_DPI = (72, 96)  # written by programs that know nothing of the scan
_LARGEST_BED_MM = 480.0  # A3 flat-bed scanners scan 297 x 420 mm (ISO 216), with some rim
# Flat-bed scanners hold their nominal resolution to about half a percent, worse along the carriage (common practice).
_SCANNER_HALF_WIDTH_PERCENT = 0.5


def find_scale(
    photo: Photo,
    *,
    px_per_mm: float | None = None,
    scan: bool = False,
    dpi: float | None = None,
    no_scale: bool = False,
    points: KnownDistance | None = None,
    rule: RuleKind | None = None,
    card: CardChoice = "auto",
    checks: Mapping[str, CheckBars] | None = None,
    lenses: Sequence[LensRecord] = (),
) -> Plane:
    """Fix the scale of a photo.

    Parameters
    ----------
    photo : Photo
        Upright photo.
    px_per_mm : float, optional
        Scale given by hand, for a photo taken square on.
    scan : bool
        The picture is a flat-bed scan; its resolution tag or `dpi` is the scale.
    dpi : float, optional
        Resolution of the scan in dots per inch, instead of the tag.
    no_scale : bool
        Work in pixels.
    points : tuple of float, optional
        Two points (x, y, x, y in pixels) and their distance in millimetres.
    rule : {"mm", "inch16"}, optional
        A rule or tape with this graduation lies in the photo.
    card : {"auto", "bank", "printed"}
        Which cards to look for: "auto" looks for printed ones first.
    checks : mapping of str to CheckBars, optional
        Measured check bars by card code.
    lenses : sequence of LensRecord, optional
        Learned lenses.

    Returns
    -------
    Plane
        With its uncertainty budget and remarks.

    Raises
    ------
    UsageError
        Codes ``two-scales``, ``bad-px-per-mm``, ``bad-dpi``, ``bad-points``.
    ValueError
        If `card` or `rule` is none of the words above.
    ScaleError
        Codes ``no-card``, ``two-cards``, ``card-cut-off``, ``no-dpi``, ``implausible-dpi``; of a rule ``no-rule``,
        ``rule-unread``, ``rule-other``, ``rule-implausible``.
    """
    if card not in get_args(CardChoice):
        raise ValueError(f"card must be one of {get_args(CardChoice)}, not {card!r}")
    _check_choice(px_per_mm, scan or dpi is not None, no_scale, points, rule)
    if no_scale:
        return scaling_plane(1.0, "none")
    if px_per_mm is not None:
        return _given(px_per_mm)
    if scan or dpi is not None:
        return _scan(photo, dpi)
    if points is not None:
        return plane_of_points(photo, points[:4], points[4])
    if rule is not None:
        from .rule_scale import find_rule

        return find_rule(photo, rule)
    if card != "bank":
        plane = _printed(photo, checks or {}, lenses)
        if plane is not None:
            return plane
    if card != "printed":
        plane = _bank(photo)
        if plane is not None:
            return plane
        _refuse_cut_card(photo)
    raise _no_card(photo, card)


def _check_choice(
    px_per_mm: float | None,
    scan: bool,
    no_scale: bool,
    points: KnownDistance | None,
    rule: RuleKind | None,
) -> None:
    given = (px_per_mm is not None, bool(scan), bool(no_scale), points is not None, rule is not None)
    if sum(given) > 1:
        raise UsageError(
            "two-scales",
            "More than one way to the scale was given.",
            "Use only one of --px-per-mm, --points, --rule, --scan (with --dpi) and --no-scale.",
        )


def _given(px_per_mm: float) -> Plane:
    low, high = _PX_PER_MM_LIMITS
    if not (math.isfinite(px_per_mm) and low <= px_per_mm <= high):
        raise UsageError(
            "bad-px-per-mm",
            f"A scale of {px_per_mm:g} pixels per millimetre is not possible here.",
            f"Count the pixels over a known length and divide by its millimetres; {low:g} to {high:g} is accepted.",
        )
    notice = Notice(
        "scale-given",
        "The scale was given by hand: its uncertainty is not known and not part of the figures, "
        "and a tilted camera is not corrected.",
    )
    return replace(scaling_plane(px_per_mm, "given"), notices=(notice,))


def _scan(photo: Photo, dpi: float | None) -> Plane:
    notices: tuple[Notice, ...] = ()
    if dpi is not None:
        low, high = _DPI_LIMITS
        if not (math.isfinite(dpi) and low <= dpi <= high):
            raise UsageError(
                "bad-dpi",
                f"{dpi:g} dots per inch is no resolution of a flat-bed scanner.",
                f"Give the resolution that was set for the scan, {low:g} to {high:g}.",
            )
        if photo.focal_length_mm is not None or photo.focal_length_35mm is not None:
            notices = (
                Notice(
                    "photo-as-scan",
                    "This file says it was taken with a camera lens, yet it is treated as a scan, as asked. If it is a "
                    "photo, the figures are wrong by a factor: lay a card beside the cloth and leave --dpi out.",
                ),
            )
        resolution = dpi
    else:
        resolution = _tagged_dpi(photo)
    half_width = rectangular_percent(_SCANNER_HALF_WIDTH_PERCENT)
    origin = "flat-bed scanners hold their resolution to about 0.5 % (common practice)"
    line = BudgetLine(name="scanner resolution", standard_percent=half_width, kind="B", origin=origin)
    return replace(scaling_plane(resolution / MM_PER_INCH, "scan", (line,)), notices=notices)


def _tagged_dpi(photo: Photo) -> float:
    if photo.dpi is None:
        raise ScaleError(
            "no-dpi",
            f"{photo.name} carries no resolution tag.",
            "Give the resolution that was set for the scan with --dpi, for example --dpi 600.",
        )
    longest_mm = max(photo.bgr.shape[:2]) / photo.dpi * MM_PER_INCH
    reason = ""
    if round(photo.dpi) in _PLACEHOLDER_DPI:
        reason = "which programs write when they do not know it"
    elif not _DPI_LIMITS[0] <= photo.dpi <= _DPI_LIMITS[1]:
        reason = "which no flat-bed scanner offers"
    elif longest_mm > _LARGEST_BED_MM:
        reason = f"which would make the scan {longest_mm:.0f} mm long"
    elif photo.focal_length_mm is not None or photo.focal_length_35mm is not None:
        reason = "but it was taken with a camera lens, for which such a tag means nothing"
    if reason:
        raise ScaleError(
            "implausible-dpi",
            f"{photo.name} is tagged with {photo.dpi:.0f} dots per inch, {reason}.",
            "Give the resolution that was set for the scan with --dpi; for a photo lay a card beside the cloth.",
        )
    return photo.dpi


def _printed(photo: Photo, checks: Mapping[str, CheckBars], lenses: Sequence[LensRecord]) -> Plane | None:
    from .printed_card import find_printed_cards

    planes = find_printed_cards(photo, checks, lenses=lenses)
    if not planes:
        return None
    centre = np.zeros(2)  # every plane has its origin at the photo's centre
    first = planes[0]
    for other in planes[1:]:
        apart_percent = 100.0 * abs(math.log(other.px_per_mm_at(centre) / first.px_per_mm_at(centre)))
        if apart_percent > 0.5 + math.hypot(first.u95_percent, other.u95_percent):
            raise ScaleError(
                "two-cards",
                f"Two cards in {photo.name} give scales {apart_percent:.1f} % apart.",
                "Leave only the card that lies flat beside the cloth in the photo.",
            )
    return first


def _bank(photo: Photo) -> Plane | None:
    from .bank_card import find_bank_cards
    from .bank_card_plane import plane_of_card

    cards = find_bank_cards(photo)
    if len(cards) > 1:
        raise ScaleError(
            "two-cards",
            f"{len(cards)} things of a bank card's shape lie in {photo.name} ({_places(photo, cards)}).",
            "Leave only one card in the photo.",
        )
    return plane_of_card(photo, cards[0]) if cards else None


def _no_card(photo: Photo, card: CardChoice) -> ScaleError:
    """Say which card was looked for, and what this file may be instead of a photo with a card."""
    if card == "printed":
        return ScaleError(
            "no-card",
            f"No printed pickglass card was found in {photo.name}.",
            "Lay it flat, all of its squares in the photo and sharp; a bank-sized card is looked for without --card.",
        )
    other = " A printed pickglass card is looked for without --card." if card == "bank" else ""
    with_lens = photo.focal_length_mm is not None or photo.focal_length_35mm is not None
    if photo.dpi is not None and not with_lens and round(photo.dpi) not in _PLACEHOLDER_DPI:
        hint = f" If it is a flat-bed scan (the file names {photo.dpi:.0f} dots per inch), add --scan."
    else:
        hint = " Without any scale --no-scale counts threads per 1000 pixels."
    return ScaleError(
        "no-card",
        f"No {'bank-sized' if card == 'bank' else 'reference'} card was found in {photo.name}{_why_unseen(photo)}.",
        _LAY_A_CARD + other + hint,
    )


def _why_unseen(photo: Photo) -> str:
    """Say what may hide a card that lies there: few pixels, or blur."""
    height, width = photo.bgr.shape[:2]
    if max(height, width) < _FEW_PIXELS:
        return f", which has only {width} × {height} pixels (a copy that was sent? use the phone's original)"
    import cv2

    from .quality import edge_width_px

    edge_px = edge_width_px(np.asarray(cv2.cvtColor(photo.bgr, cv2.COLOR_BGR2GRAY), dtype=np.uint8))
    if edge_px is not None and edge_px > _SOFT_PX:
        return f", which is blurred (its sharpest edges are {edge_px:.0f} pixels wide; tap on the cloth to focus)"
    return ""


def _refuse_cut_card(photo: Photo) -> None:
    from .bank_card import find_cut_cards

    sides = find_cut_cards(photo)
    if sides:
        raise ScaleError(
            "card-cut-off",
            f"No whole card was found in {photo.name}; something like one is cut off at the {' and '.join(sides)}.",
            "Take the photo again with the whole card in it.",
        )


def _places(photo: Photo, cards: Sequence[BankCard]) -> str:
    """Say where the cards lie, so that the weaver sees what was taken for a card."""
    height, width = photo.bgr.shape[:2]
    places = []
    for card in cards:
        x, y = card.edges.corners_px.mean(axis=0)
        vertical = "top" if y < height / 3 else "bottom" if y > 2 * height / 3 else "middle"
        horizontal = "left" if x < width / 3 else "right" if x > 2 * width / 3 else "middle"
        places.append(vertical if vertical == horizontal else f"{vertical} {horizontal}")
    return ", ".join(places)
