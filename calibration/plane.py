"""The plane of the card: where a millimetre on the table lands in the photo."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from .budget import BudgetLine, combine_percent
from .notices import Notice

__all__ = ["Lens", "Plane", "ScaleSource", "apply_homography", "scaling_plane"]

ScaleSource = Literal["page-card", "pocket-card", "bank-card", "rail", "rule", "given", "scan", "none"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Lens:
    """Focal length and first radial distortion term of the photo.

    Attributes
    ----------
    focal_px : float
        Focal length in photo pixels.
    centre_px : tuple of float
        Principal point (x, y).
    k1 : float
        Radial term of OpenCV's model: ``x_d = x_u * (1 + k1 * r_u**2)`` with ``x = (px - c) / f``.
    """

    focal_px: float
    centre_px: tuple[float, float]
    k1: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Plane:
    """Mapping between millimetres in the card's plane and pixels of the upright photo.

    Millimetre axes: at the photo's centre x points to the photo's right and y DOWN (no mirror), whatever the
    turn of the card, so that directions mean the same in both. Pixel centres lie at integers (OpenCV's convention).

    Attributes
    ----------
    px_from_mm : ndarray of shape (3, 3)
        Homography from plane millimetres to undistorted pixels. With ``source == "none"`` one "millimetre" is
        one pixel and no result in millimetres may be shown.
    source : str
        What fixed the scale.
    budget : tuple of BudgetLine
        Sources of uncertainty of the scale, relative, in percent.
    tilt_deg : float or None
        Angle between the camera's axis and the plane's normal.
    camera_distance_mm : float or None
        Distance of the lens from the plane, known only when the focal length is.
    card_outline_px : ndarray of shape (N, 2) or None
        The card as found, in photo pixels; what lies inside is no cloth.
    lens : Lens or None
        Known or estimated lens.
    card_code : str or None
        Code printed on the card that was found, such as ``"A4-1"``.
    card_from_mm : ndarray of shape (2, 3) or None
        Affine map from plane millimetres to the card's own millimetres (origin at its top left; true, not
        nominal millimetres). On a rail the first card coordinate is the position along the rail.
    print_scale : tuple of float
        Printed size of the card over its drawn size, horizontally and vertically, from its check bars.
    blank_region_mm : ndarray of shape (N, 2) or None
        Empty middle of a page card, in plane millimetres: the sample lies inside it although it is inside
        `card_outline_px` too.
    marker_quads_px : ndarray of shape (K, 4, 2) or None
        The markers seen, in photo pixels; these are surely not covered by cloth.
    card_seen : float or None
        Share of the card that could be used: of a printed card's markers, of a bank card's edges; of a rail only
        the markers that lie in the photo count.
    notices : tuple of Notice
        What a weaver should know about this scale.
    """

    px_from_mm: NDArray[np.float64]
    source: ScaleSource
    budget: tuple[BudgetLine, ...] = ()
    tilt_deg: float | None = None
    camera_distance_mm: float | None = None
    card_outline_px: NDArray[np.float64] | None = None
    lens: Lens | None = None
    card_code: str | None = None
    card_from_mm: NDArray[np.float64] | None = None
    print_scale: tuple[float, float] = (1.0, 1.0)
    blank_region_mm: NDArray[np.float64] | None = None
    marker_quads_px: NDArray[np.float64] | None = None
    card_seen: float | None = None
    notices: tuple[Notice, ...] = field(default=())

    @property
    def u95_percent(self) -> float:
        """Expanded uncertainty (95 %) of the scale, in percent."""
        return combine_percent(self.budget)

    def to_px(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Map points of shape (..., 2) from plane millimetres to photo pixels (lens distortion included)."""
        points_px = apply_homography(self.px_from_mm, points_mm)
        lens = self.lens
        if lens is None or lens.k1 == 0.0:
            return points_px
        centre = np.asarray(lens.centre_px)
        offset = (points_px - centre) / lens.focal_px
        radius_squared = np.sum(offset**2, axis=-1, keepdims=True)
        distorted = centre + offset * (1.0 + lens.k1 * radius_squared) * lens.focal_px
        return np.asarray(distorted, dtype=np.float64)

    def to_mm(self, points_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Map points of shape (..., 2) from photo pixels to plane millimetres."""
        points_px = np.asarray(points_px, dtype=np.float64)
        lens = self.lens
        if lens is not None and lens.k1 != 0.0:
            centre = np.asarray(lens.centre_px)
            distorted = (points_px - centre) / lens.focal_px
            offset = distorted
            for _ in range(
                8
            ):  # fixed point; k1 of phones is below 0.1, so this converges to far below 0.01 px
                offset = distorted / (1.0 + lens.k1 * np.sum(offset**2, axis=-1, keepdims=True))
            points_px = centre + offset * lens.focal_px
        return apply_homography(np.linalg.inv(self.px_from_mm).astype(np.float64), points_px)

    def px_per_mm_at(self, point_mm: NDArray[np.float64]) -> float:
        """Return the local scale (geometric mean over directions) at one point of shape (2,)."""
        step = 0.5
        x, y = float(point_mm[0]), float(point_mm[1])
        around = np.array([[x - step, y], [x + step, y], [x, y - step], [x, y + step]])
        px = self.to_px(around)
        jacobian = np.column_stack([px[1] - px[0], px[3] - px[2]]) / (2 * step)
        return float(np.sqrt(abs(np.linalg.det(jacobian))))


def apply_homography(homography: NDArray[np.float64], points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Apply a (3, 3) homography to points of shape (..., 2)."""
    points = np.asarray(points, dtype=np.float64)
    mapped = points @ homography[:, :2].T + homography[:, 2]
    return mapped[..., :2] / mapped[..., 2:]


def scaling_plane(px_per_mm: float, source: ScaleSource, budget: tuple[BudgetLine, ...] = ()) -> Plane:
    """Return the plane of a photo taken square on (a scan, a given scale, or no scale with 1 px per mm)."""
    return Plane(px_from_mm=np.diag([px_per_mm, px_per_mm, 1.0]), source=source, budget=budget)
