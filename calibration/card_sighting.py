"""Markers of a card paired with their places on the card: what one photo shows of one card."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .card_design import (
    RAIL_HEIGHT_MM,
    RAIL_PART_MM,
    CardCode,
    CardLayout,
    card_layout,
    parse_card_code,
    rectangle,
)
from .card_markers import Marker, find_markers
from .card_memory import CheckBars
from .ranks import median

__all__ = ["CardSighting", "see_printed_cards"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CardSighting:
    """The markers of one card in one photo, as point pairs.

    Attributes
    ----------
    layout : CardLayout
        The card.
    points_mm : ndarray of shape (N, 2)
        Corners on the card in true millimetres (check bars taken into account).
    corners_px, outward_px : ndarray of shape (N, 2)
        The corners in the photo, and how they move when all edges move outward by one pixel.
    marker : ndarray of shape (N,)
        Id of the marker of each corner.
    quads_px : ndarray of shape (K, 4, 2)
        All four corners of each marker.
    confirmed : bool
        Whether the check bars were measured.
    print_scale : tuple of float
        Printed size over drawn size, horizontally and vertically.
    """

    layout: CardLayout
    points_mm: NDArray[np.float64]
    corners_px: NDArray[np.float64]
    outward_px: NDArray[np.float64]
    marker: NDArray[np.intp]
    quads_px: NDArray[np.float64]
    confirmed: bool
    print_scale: tuple[float, float]

    @property
    def outline_mm(self) -> NDArray[np.float64]:
        """Return the card's edge in true millimetres, shape (4, 2); of a rail only the parts that show."""
        scale = np.array(self.print_scale)
        if self.layout.code.kind != "rail":
            whole: NDArray[np.float64] = self.layout.outline * scale
            return whole
        x = self.points_mm[:, 0] / scale[0]
        first = math.floor(float(x.min()) / RAIL_PART_MM) * RAIL_PART_MM
        last = math.ceil(float(x.max()) / RAIL_PART_MM) * RAIL_PART_MM
        shown: NDArray[np.float64] = rectangle(first, 0.0, last - first, RAIL_HEIGHT_MM) * scale
        return shown

    @property
    def middle_mm(self) -> NDArray[np.float64]:
        """Return the middle of the card, shape (2,)."""
        middle: NDArray[np.float64] = self.outline_mm.mean(axis=0)
        return middle

    @property
    def reach_mm(self) -> float:
        """Return the distance from the middle of the card to its corners."""
        return float(np.linalg.norm(self.outline_mm[0] - self.middle_mm))

    @property
    def blank_mm(self) -> NDArray[np.float64] | None:
        """Return the empty middle of a page card in true millimetres, shape (4, 2)."""
        blank = self.layout.blank
        return None if blank is None else blank * np.array(self.print_scale)

    @property
    def joints(self) -> int:
        """Return how many glued joints of a rail lie between the markers seen."""
        if self.layout.code.kind != "rail":
            return 0
        part = np.floor(self.points_mm[:, 0] / self.print_scale[0] / RAIL_PART_MM)
        return int(part.max() - part.min())


def see_printed_cards(
    picture: NDArray[np.uint8], checks: Mapping[str, CheckBars]
) -> tuple[CardSighting, ...]:
    """Find the markers of every printed card and pair their corners with the card's; most markers first."""
    gray = np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
    known = {str(parse_card_code(code)): bars for code, bars in checks.items()}
    sightings = []
    for code, markers in find_markers(gray).items():
        sighting = _sighting(code, markers, known.get(str(code)))
        if sighting is not None:
            sightings.append(sighting)
    return tuple(sorted(sightings, key=lambda s: -len(s.quads_px)))


def _sighting(code: CardCode, markers: Sequence[Marker], bars: CheckBars | None) -> CardSighting | None:
    """Pair corners and leave out markers that do not lie where the card has them."""
    layout = card_layout(code)
    scale = (1.0, 1.0) if bars is None else bars.scale
    nominal = np.stack([layout.markers[m.id] for m in markers])
    quads = np.stack([m.corners_px for m in markers])
    seen = np.stack([m.seen for m in markers])
    true_mm = nominal * np.array(scale)
    side_px = float(median(np.linalg.norm(quads[:, 1] - quads[:, 0], axis=1)))
    # Curled paper and lens distortion bend the grid by less than a tenth of a marker; a misread one is far off.
    homography, inlier = cv2.findHomography(
        true_mm.reshape(-1, 2), quads.reshape(-1, 2), cv2.RANSAC, max(0.12 * side_px, 2.0)
    )
    if homography is None or inlier is None:
        return None
    whole = np.asarray(inlier).reshape(-1, 4).astype(bool).sum(axis=1) >= 3
    if int(whole.sum()) < 2 or np.linalg.det(np.asarray(homography)[:2, :2]) <= 0:
        return None
    outward = _outward(quads)
    keep = seen & whole[:, None]
    ids = np.repeat(np.array([m.id for m in markers])[:, None], 4, axis=1)
    if int(keep.sum()) < 6:
        return None
    return CardSighting(
        layout=layout,
        points_mm=true_mm[keep],
        corners_px=quads[keep],
        outward_px=outward[keep],
        marker=ids[keep],
        quads_px=quads[whole],
        confirmed=bars is not None,
        print_scale=scale,
    )


def _outward(quads: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how each corner moves when both its sides move outward by one pixel, shape (K, 4, 2)."""
    along = np.roll(quads, -1, axis=1) - quads
    along = along / np.linalg.norm(along, axis=2, keepdims=True)
    normal = np.stack([along[..., 1], -along[..., 0]], axis=-1)
    before = np.roll(normal, 1, axis=1)
    both = np.stack([before, normal], axis=-2)  # rows: the two side normals; solve normals @ move = (1, 1)
    moves: NDArray[np.float64] = np.linalg.solve(both, np.ones((*both.shape[:2], 2, 1)))[..., 0]
    return moves
