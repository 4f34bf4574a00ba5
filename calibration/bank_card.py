"""Finding a blank bank-sized card and taking the scale from its edges.

Size: ISO/IEC 7810:2019, ID-1: 85.60 x 53.98 mm, thickness 0.76 mm, corner radius 2.88 to 3.48 mm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from .budget import BudgetLine
from .camera_view import align_with_photo, focal_px_from_35mm, tilt_and_distance
from .edges import EdgePoints, linear_light, locate_edges
from .notices import Notice
from .photo import Photo
from .plane import Plane, apply_homography
from .pose import PoseFit, PosePrior, fit_pose
from .pose_model import SeenEdges
from .quads import find_cut_corners, find_quads, find_quads_from_lines
from .ranks import median
from .reduce import shrink

__all__ = [
    "ID1_CORNER_RADIUS_MM",
    "ID1_SIZE_MM",
    "ID1_THICKNESS_MM",
    "BankCard",
    "find_bank_cards",
    "find_cut_cards",
    "plane_of_card",
]

ID1_SIZE_MM = (85.60, 53.98)
ID1_THICKNESS_MM = 0.76
ID1_CORNER_RADIUS_MM = 3.18
_RADIUS_LIMITS_MM = (1.8, 4.8)  # the standard's 2.88 to 3.48, widened by what blur and a worn corner do

_REDUCED_SIDE_PX = 640
_TYPICAL_FOCAL_35MM = 27.0  # main cameras of phones lie between 23 and 30 (common practice)
_EXIF_FOCAL_LOG_STD = 0.03  # whole-number tag, and the picture angle changes when focused close
_UNKNOWN_FOCAL_LOG_STD = 0.35
_END_MARGIN_MM = 4.5  # rounded corner and the blur around it
_LEAST_COVERAGE = 0.35
_LEAST_MEAN_COVERAGE = 0.6
_LEAST_NET_STEP = 0.15
_MAX_TILT_DEG = 45.0
_MAX_PRIOR_STRAIN = 50.0  # chi square of 6 freedoms stays below 23 in 99.9 %; twice that for shadows and wear
_LEAST_PX_PER_MM = 2.0  # coarser, the rounding of the corners cannot be told, and no thread could be counted
_QUIET_LEVELS = 6.0  # scatter within 2 mm, in grey levels; cloth and wood have more, noise of a phone less
_PLAIN_SHARE = 0.5  # a magnetic stripe and a signature field leave more than half of a card plain


@dataclass(frozen=True, slots=True, kw_only=True)
class BankCard:
    """One card as found.

    Attributes
    ----------
    fit : PoseFit
        Pose and its covariance.
    edges : EdgePoints
        Points on its edges.
    corner_radius_mm : float
        Measured, median of the corners that show.
    seen_share : float
        Share of the straight edges that was found.
    """

    fit: PoseFit
    edges: EdgePoints
    corner_radius_mm: float
    seen_share: float


def find_bank_cards(photo: Photo) -> tuple[BankCard, ...]:
    """Find blank cards of the ID-1 size anywhere in the photo, under any turn.

    Parameters
    ----------
    photo : Photo
        Upright photo.

    Returns
    -------
    tuple of BankCard
        Cards that passed every check, best first; none overlaps another.
    """
    bgr = photo.bgr
    height, width = bgr.shape[:2]
    small = _reduce(bgr)
    scale = np.array([width / small.shape[1], height / small.shape[0]])
    cards = _check_quads(photo, small, scale, find_quads(small))
    if not cards:
        cards = _check_quads(photo, small, scale, find_quads_from_lines(small))
    cards.sort(key=lambda card: -card.seen_share)
    return tuple(cards)


def _check_quads(
    photo: Photo, small: NDArray[np.uint8], scale: NDArray[np.float64], quads: list[NDArray[np.float64]]
) -> list[BankCard]:
    """Measure every quadrilateral of the reduced picture that is a card, each place once."""
    small_linear = linear_light(small)
    cards: list[BankCard] = []
    tried: list[NDArray[np.float64]] = []
    refined: list[NDArray[np.float64]] = []
    for quad in quads:
        if any(_same_place(quad, other, 2.0) for other in tried) or any(
            _overlap(quad, c, scale) for c in cards
        ):
            continue
        tried.append(quad)
        rough = _refine_small(small_linear, quad)
        if rough is None or any(_same_place(rough, other, 1.0) for other in refined):
            continue
        refined.append(rough)
        card = _measure(photo, (rough + 0.5) * scale - 0.5)
        if card is not None:
            cards.append(card)
    return cards


def find_cut_cards(photo: Photo) -> list[str]:
    """Return the sides of the photo at which something like a card is cut off; to be asked when none was found."""
    small = _reduce(photo.bgr)
    return find_cut_corners(small)


def _reduce(bgr: NDArray[np.uint8]) -> NDArray[np.uint8]:
    reduction = min(1.0, _REDUCED_SIDE_PX / max(bgr.shape[:2]))
    height, width = bgr.shape[:2]
    return shrink(bgr, (round(width * reduction), round(height * reduction)))


def _refine_small(linear: NDArray[np.float32], quad: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """Straighten a rough quadrilateral on the reduced picture; None when its sides are no edges."""
    corners = _long_side_first(quad)
    margin = 0.06 * float(np.linalg.norm(corners[1] - corners[0]))
    edges = locate_edges(linear, corners, reach_px=6.0, end_margin_px=margin)
    if edges is None or edges.coverage.mean() < 0.5:
        return None
    return edges.corners_px


def _long_side_first(quad: NDArray[np.float64]) -> NDArray[np.float64]:
    """Order corners clockwise on the screen, starting with a long side."""
    ahead, behind = np.roll(quad, -1, axis=0), quad
    if float(np.sum(behind[:, 0] * ahead[:, 1] - ahead[:, 0] * behind[:, 1])) < 0:
        quad = quad[::-1]
    sides = np.linalg.norm(np.roll(quad, -1, axis=0) - quad, axis=1)
    return quad if sides[0] + sides[2] >= sides[1] + sides[3] else np.roll(quad, -1, axis=0)


def _same_place(first: NDArray[np.float64], second: NDArray[np.float64], tolerance_px: float) -> bool:
    distances = np.linalg.norm(first[:, None] - second[None], axis=2)
    return bool(distances.min(axis=1).max() < tolerance_px)


def _overlap(quad: NDArray[np.float64], card: BankCard, scale: NDArray[np.float64]) -> bool:
    full = ((quad + 0.5) * scale - 0.5).astype(np.float32)
    area, _ = cv2.intersectConvexConvex(full, card.edges.corners_px.astype(np.float32))
    smaller = min(cv2.contourArea(full), cv2.contourArea(card.edges.corners_px.astype(np.float32)))
    return float(area) > 0.2 * smaller


def _prior(photo: Photo) -> PosePrior:
    height, width = photo.bgr.shape[:2]
    if photo.focal_length_35mm is not None:
        focal_px = focal_px_from_35mm(photo.focal_length_35mm, width, height)
        return PosePrior(focal_px=focal_px, focal_log_std=_EXIF_FOCAL_LOG_STD)
    focal_px = focal_px_from_35mm(_TYPICAL_FOCAL_35MM, width, height)
    return PosePrior(focal_px=focal_px, focal_log_std=_UNKNOWN_FOCAL_LOG_STD)


def _measure(photo: Photo, corners: NDArray[np.float64]) -> BankCard | None:
    """Refine on the full picture, fit, and check that it is a card."""
    corners = _long_side_first(corners)
    px_per_mm = float(np.linalg.norm(corners[1] - corners[0]) / ID1_SIZE_MM[0])
    if px_per_mm < _LEAST_PX_PER_MM:
        return None
    reach = 1.5 * px_per_mm + 3.0
    origin, crop = _crop(photo.bgr, corners, margin_px=2 * reach)
    linear = linear_light(crop)
    corners = corners - origin
    edges: EdgePoints | None = None
    margin = _END_MARGIN_MM * px_per_mm
    for reach_px, last in ((reach, False), (max(9.0, 0.9 * px_per_mm + 3.0), True)):
        edges = locate_edges(linear, corners, reach_px=reach_px, end_margin_px=margin, fine=last)
        if edges is None or edges.coverage.min() < 0.2:
            return None
        corners = edges.corners_px
    assert edges is not None
    if edges.coverage.min() < _LEAST_COVERAGE or edges.coverage.mean() < _LEAST_MEAN_COVERAGE:
        return None
    if np.sum(edges.net_step > _LEAST_NET_STEP) < 3:  # lines drawn on a mat, joints between tiles
        return None
    edges = EdgePoints(
        points_px=edges.points_px + origin,
        side=edges.side,
        std_px=edges.std_px,
        corners_px=edges.corners_px + origin,
        coverage=edges.coverage,
        contrast=edges.contrast,
        net_step=edges.net_step,
        strip_std_px=edges.strip_std_px,
    )
    fit = _fit(photo, edges, _prior(photo))
    if fit is not None and fit.prior_strain > _MAX_PRIOR_STRAIN and photo.focal_length_35mm is not None:
        fit = _fit(
            photo, edges, _prior(replace(photo, focal_length_35mm=None))
        )  # a cropped photo keeps its tag
    if fit is None or not _is_id1(fit, edges, px_per_mm):
        return None
    radii = _corner_radii_mm(linear, origin, fit)
    if not _well_rounded(radii):
        return None
    radius = float(median(radii))
    if _plain_share(crop, origin, fit, px_per_mm) < _PLAIN_SHARE and not _surely_a_card(edges, radii):
        return None
    return BankCard(fit=fit, edges=edges, corner_radius_mm=radius, seen_share=float(edges.coverage.mean()))


def _crop(
    bgr: NDArray[np.uint8], corners: NDArray[np.float64], margin_px: float
) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
    height, width = bgr.shape[:2]
    low = np.clip(np.floor(corners.min(axis=0) - margin_px), 0, [width - 1, height - 1]).astype(int)
    high = np.clip(np.ceil(corners.max(axis=0) + margin_px) + 1, low + 1, [width, height]).astype(int)
    return low.astype(np.float64), np.ascontiguousarray(bgr[low[1] : high[1], low[0] : high[0]])


def _fit(photo: Photo, edges: EdgePoints, prior: PosePrior) -> PoseFit | None:
    height, width = photo.bgr.shape[:2]
    seen = SeenEdges(
        points_px=edges.points_px,
        side=edges.side,
        std_px=edges.std_px,
        size_mm=ID1_SIZE_MM,
        thickness_mm=ID1_THICKNESS_MM,
        centre_px=((width - 1) / 2.0, (height - 1) / 2.0),
    )
    edge_std_px = tuple(np.hypot(prior.edge_std_px, edges.strip_std_px))
    return fit_pose(seen, edges.corners_px, replace(prior, edge_std_px=edge_std_px))


def _is_id1(fit: PoseFit, edges: EdgePoints, px_per_mm: float) -> bool:
    """Check straightness, proportions under perspective, and a believable pose."""
    straight_px = max(0.4, 0.06 * px_per_mm)  # thread ends and torn paper wander by more
    if float(median(edges.std_px)) > straight_px or float(edges.std_px.max()) > 2.5 * straight_px:
        return False
    if fit.rms_px > max(0.8, 0.12 * px_per_mm) or fit.prior_strain > _MAX_PRIOR_STRAIN:
        return False
    tilt, _ = tilt_and_distance(fit.px_from_card_mm, fit.lens.focal_px, fit.lens.centre_px)
    return tilt < _MAX_TILT_DEG


def _surely_a_card(edges: EdgePoints, radii: list[float]) -> bool:
    """Tell a printed card from cloth by its edges: seen all around, with at least three well-rounded corners."""
    low, high = 2.2, 4.4
    return float(edges.coverage.min()) > 0.9 and sum(low <= radius <= high for radius in radii) >= 3


def _plain_share(
    bgr: NDArray[np.uint8], origin: NDArray[np.float64], fit: PoseFit, px_per_mm: float
) -> float:
    """Share of the card's face, in cells of 2 mm, that shows no texture."""
    sampling, cell = 4.0, 8
    width, height = (int(side * sampling) for side in ID1_SIZE_MM)
    card_from_flat = np.array(
        [
            [1 / sampling, 0, (0.5 / sampling) - ID1_SIZE_MM[0] / 2],
            [0, 1 / sampling, (0.5 / sampling) - ID1_SIZE_MM[1] / 2],
            [0, 0, 1.0],
        ]
    )
    source, px_from_flat = (
        bgr,
        np.array([[1, 0, -origin[0]], [0, 1, -origin[1]], [0, 0, 1.0]]) @ fit.px_from_card_mm,
    )
    px_from_flat = px_from_flat @ card_from_flat
    reduction = 1.3 * sampling / px_per_mm
    if reduction < 0.9:
        size = (max(1, round(bgr.shape[1] * reduction)), max(1, round(bgr.shape[0] * reduction)))
        source = shrink(bgr, size)
        fx, fy = size[0] / bgr.shape[1], size[1] / bgr.shape[0]
        px_from_flat = np.array([[fx, 0, (fx - 1) / 2], [0, fy, (fy - 1) / 2], [0, 0, 1.0]]) @ px_from_flat
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    flat = cv2.warpPerspective(
        source, px_from_flat, (width, height), flags=flags, borderMode=cv2.BORDER_REPLICATE
    )
    rim = int(3 * sampling)
    face = flat[rim:-rim, rim:-rim].astype(np.float32)
    rows, columns = face.shape[0] // cell, face.shape[1] // cell
    cells = face[: rows * cell, : columns * cell].reshape(rows, cell, columns, cell, 3)
    return float(np.mean(cells.std(axis=(1, 3)).max(axis=-1) < _QUIET_LEVELS))


def _corner_radii_mm(linear: NDArray[np.float32], origin: NDArray[np.float64], fit: PoseFit) -> list[float]:
    """Measure the rounding of the corners on profiles along their bisectors.

    A corner of radius r leaves the sharp corner's point by r (sqrt 2 - 1).
    """
    half = np.array(ID1_SIZE_MM) / 2
    step_mm = 0.05
    distance_mm = np.arange(6.0, -1.5, -step_mm)  # from inside outwards
    kernel = cv2.getGaussianKernel(13, 2.5)
    radii = []
    for sign in ((-1, -1), (1, -1), (1, 1), (-1, 1)):
        inward = -np.array(sign) / math.sqrt(2)
        spread = np.array([inward[1], -inward[0]]) * np.array([-0.3, -0.15, 0.0, 0.15, 0.3])[:, None]
        path_mm = half * np.array(sign) + distance_mm[:, None, None] * inward + spread[None]
        path = (apply_homography(fit.px_from_card_mm, path_mm) - origin).astype(np.float32)
        if (
            path.min() < 0
            or path[..., 0].max() > linear.shape[1] - 1
            or path[..., 1].max() > linear.shape[0] - 1
        ):
            continue
        profile = cv2.remap(linear, path[..., 0], path[..., 1], cv2.INTER_LINEAR).mean(axis=1)
        smooth = cv2.filter2D(profile, -1, kernel, borderType=cv2.BORDER_REPLICATE)
        slope = np.linalg.norm(np.gradient(smooth, axis=0), axis=1)
        noise = float(median(slope[:40]))
        marked = slope >= max(0.35 * float(slope.max()), 4.0 * noise)
        peak = (slope[1:-1] >= slope[:-2]) & (slope[1:-1] > slope[2:]) & marked[1:-1]
        if peak.any():
            radii.append(float(distance_mm[int(np.argmax(peak)) + 1]) / (math.sqrt(2) - 1))
    return radii


def _well_rounded(radii: list[float]) -> bool:
    """Tell whether the corners that show are a bank card's: some rounded as they should be, fewer square ones."""
    rounded = sum(_RADIUS_LIMITS_MM[0] <= radius <= _RADIUS_LIMITS_MM[1] for radius in radii)
    square = sum(abs(radius) < _RADIUS_LIMITS_MM[0] for radius in radii)
    return rounded > square and (rounded >= 2 or len(radii) <= 2)


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
    known_focal = fit.input_std[0] < _UNKNOWN_FOCAL_LOG_STD
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
