"""The scale from two points of the photo whose distance is known."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from .budget import BudgetLine, rectangular_percent
from .camera_view import focal_px_from_35mm
from .card_choice import FOCAL_UNKNOWN, K1_U
from .errors import UsageError
from .notices import Notice
from .photo import Photo
from .plane import Plane, scaling_plane

__all__ = ["plane_of_points"]

POINTING_PX = 2.0  # reading a place off a picture viewer at each end: common practice
RULE_READING_MM = 0.3  # reading a rule at both ends of a distance between two marks: common practice
LEVEL_HALF_WIDTH_DEG = 5.0  # how level a phone is held by eye over a table: common practice
HEIGHT_HALF_WIDTH_MM = 1.5  # points may lie on the table or on the cloth
NEAREST_MM = 220.0  # phone photos of a sample are hardly taken nearer; only where the distance is not known
FEWEST_PX = 50.0
_REACH_DIAGONAL = (
    0.1  # how far the middle of the cloth lies from that of the photo, as a share of the diagonal
)
_PX_PER_MM_LIMITS = (0.5, 2000.0)


def plane_of_points(photo: Photo, points_px: tuple[float, float, float, float], distance_mm: float) -> Plane:
    """Take the scale from two points.

    The photo is taken for square on: how far it may not have been is part of the budget.

    Parameters
    ----------
    photo : Photo
        Upright photo.
    points_px : tuple of float
        x and y of the first and of the second point, pixels of the upright photo.
    distance_mm : float
        True distance between them.

    Raises
    ------
    UsageError
        Code ``bad-points``: outside the photo, too near to each other, or an impossible scale.
    """
    height, width = photo.bgr.shape[:2]
    points = np.array(points_px, dtype=np.float64).reshape(2, 2)
    apart_px = float(np.linalg.norm(points[1] - points[0]))
    _check(points, apart_px, distance_mm, (width, height))
    px_per_mm = apart_px / distance_mm
    diagonal = math.hypot(width, height)
    known = photo.focal_length_35mm is not None
    focal_px = FOCAL_UNKNOWN[0] * diagonal
    if photo.focal_length_35mm is not None:
        focal_px = focal_px_from_35mm(photo.focal_length_35mm, width, height)
    away_mm = focal_px / px_per_mm
    lines = _doubts(photo, points, distance_mm, focal_px=focal_px, away_mm=away_mm if known else None)
    notice = Notice(
        "scale-two-points",
        f"The scale comes from two points {distance_mm:g} mm apart. They do not show how the phone was tilted; that is "
        "part of the doubt. A card in the photo would be surer.",
    )
    plane = scaling_plane(px_per_mm, "given", lines)
    return replace(plane, camera_distance_mm=away_mm if known else None, notices=(notice,))


def _doubts(
    photo: Photo,
    points: NDArray[np.float64],
    distance_mm: float,
    *,
    focal_px: float,
    away_mm: float | None,
) -> tuple[BudgetLine, ...]:
    """Return what leaves the scale in doubt; `away_mm` is the distance of the camera, where the file tells it."""
    height, width = photo.bgr.shape[:2]
    middle = [(width - 1) / 2.0, (height - 1) / 2.0]
    apart_px = float(np.linalg.norm(points[1] - points[0]))
    middle_off = float(np.linalg.norm(points.mean(axis=0) - middle))
    reach = (middle_off + _REACH_DIAGONAL * math.hypot(width, height)) / focal_px
    tilt = math.radians(LEVEL_HALF_WIDTH_DEG)
    # Away from the points a tilted plane lies nearer or farther by tan(tilt) of the way; along it by 1 - cos(tilt).
    askew = 100.0 * math.hypot(math.tan(tilt) * reach, 1.0 - math.cos(tilt))
    radius = max(float(np.linalg.norm(p - middle)) for p in points) / focal_px
    nearest_mm = min(focal_px * distance_mm / apart_px, NEAREST_MM) if away_mm is None else away_mm
    return (
        BudgetLine(
            name="two points",
            standard_percent=math.sqrt(2.0) * rectangular_percent(100.0 * POINTING_PX / apart_px),
            kind="B",
            origin=f"each read to {POINTING_PX:g} pixels; they are {apart_px:.0f} pixels apart",
        ),
        BudgetLine(
            name="distance between them",
            standard_percent=rectangular_percent(100.0 * RULE_READING_MM / distance_mm),
            kind="B",
            origin=f"read with a rule to {RULE_READING_MM:g} mm, common practice",
        ),
        BudgetLine(
            name="camera not square on",
            standard_percent=rectangular_percent(askew),
            kind="B",
            origin=f"phone level by eye within {LEVEL_HALF_WIDTH_DEG:g}°, common practice; two points do not show it",
        ),
        BudgetLine(
            name="lens distortion",
            standard_percent=100.0 * 3.0 * K1_U * radius**2,
            kind="B",
            origin="radial term that phones leave, common practice",
        ),
        BudgetLine(
            name="height of cloth and points",
            standard_percent=rectangular_percent(100.0 * HEIGHT_HALF_WIDTH_MM / nearest_mm),
            kind="B",
            origin=f"points and cloth within {HEIGHT_HALF_WIDTH_MM:g} mm of one height",
        ),
    )


def _check(
    points: NDArray[np.float64],
    apart_px: float,
    distance_mm: float,
    size: tuple[int, int],
) -> None:
    width, height = size
    inside = (points >= 0).all() and (points[:, 0] < width).all() and (points[:, 1] < height).all()
    if not inside:
        raise UsageError(
            "bad-points",
            f"One of the two points lies outside the photo of {width} × {height} pixels.",
            "Read both places off the upright photo in a picture viewer: x from the left, y from the top.",
        )
    if apart_px < FEWEST_PX:
        raise UsageError(
            "bad-points",
            f"The two points are only {apart_px:.0f} pixels apart.",
            "Choose two places far from each other, best right across the sample.",
        )
    low, high = _PX_PER_MM_LIMITS
    if not (math.isfinite(distance_mm) and distance_mm > 0 and low <= apart_px / distance_mm <= high):
        raise UsageError(
            "bad-points",
            f"{apart_px:.0f} pixels for {distance_mm:g} mm is no possible scale.",
            "Give the distance between the two points in millimetres.",
        )
