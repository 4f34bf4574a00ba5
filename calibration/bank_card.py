"""Finding a blank bank-sized card by its edges."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from .bank_card_face import (
    MAX_PRIOR_STRAIN,
    corner_radii_mm,
    is_id1,
    plain_share,
    surely_a_card,
    well_rounded,
)
from .camera_view import focal_px_from_35mm
from .edges import EdgePoints, linear_light, locate_edges
from .id1 import ID1_SIZE_MM, ID1_THICKNESS_MM
from .photo import Photo
from .pose import PoseFit, PosePrior, fit_pose
from .pose_model import SeenEdges
from .quads import find_cut_corners, find_quads, find_quads_from_lines
from .ranks import median
from .reduce import shrink

__all__ = [
    "UNKNOWN_FOCAL_LOG_STD",
    "BankCard",
    "find_bank_cards",
    "find_cut_cards",
]

_REDUCED_SIDE_PX = 640
_TYPICAL_FOCAL_35MM = 27.0  # main cameras of phones lie between 23 and 30 (common practice)
_EXIF_FOCAL_LOG_STD = 0.03  # whole-number tag, and the picture angle changes when focused close
UNKNOWN_FOCAL_LOG_STD = 0.35
_END_MARGIN_MM = 4.5  # rounded corner and the blur around it
_LEAST_COVERAGE = 0.35
_LEAST_MEAN_COVERAGE = 0.6
_LEAST_NET_STEP = 0.15
_LEAST_PX_PER_MM = 2.0  # coarser, the rounding of the corners cannot be told, and no thread could be counted
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
    return PosePrior(focal_px=focal_px, focal_log_std=UNKNOWN_FOCAL_LOG_STD)


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
    if fit is not None and fit.prior_strain > MAX_PRIOR_STRAIN and photo.focal_length_35mm is not None:
        fit = _fit(
            photo, edges, _prior(replace(photo, focal_length_35mm=None))
        )  # a cropped photo keeps its tag
    if fit is None or not is_id1(fit, edges, px_per_mm):
        return None
    radii = corner_radii_mm(linear, origin, fit)
    if not well_rounded(radii):
        return None
    radius = float(median(radii))
    if plain_share(crop, origin, fit, px_per_mm) < _PLAIN_SHARE and not surely_a_card(edges, radii):
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
