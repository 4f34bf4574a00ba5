"""How the camera stood over a rule: a pinhole camera fitted to its marks, and what that leaves in doubt."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .card_choice import K1_U
from .plane import Lens, Plane
from .rule_reading import Reading
from .rule_ticks import TickRow

__all__ = ["RuleCamera", "fit_camera", "scale_doubt"]

TILT_U_DEG = 10.0  # how far a hand tilts a phone about the rule's own direction, where marks do not show it
_MARK_NOISE_PX = 0.1  # of marks that show well
_ROW_NOISE_PX = 0.3  # ends are found to whole pixels: 1 / sqrt(12)
_RUN = 10  # neighbouring marks

Array = NDArray[np.float64]

# Order of the unknowns: rotation vector (3), translation (3), log focal length, k1.
_LOG_FOCAL, _K1 = 6, 7


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleCamera:
    """A camera over a rule, as fitted.

    Attributes
    ----------
    centre_px : ndarray of shape (2,)
        Middle of the photo.
    unknowns : ndarray of shape (8,)
        Rotation vector, translation (mm), logarithm of the focal length (px), k1.
    covariance, information : ndarray of shape (8, 8)
        As fitted; the information is what the marks alone say.
    noise_px : float
        Robust scatter of the marks.
    """

    centre_px: Array
    unknowns: Array
    covariance: Array
    information: Array
    noise_px: float

    @property
    def lens(self) -> Lens:
        """Its lens."""
        return _lens(self.unknowns, self.centre_px)

    @property
    def px_from_mm(self) -> Array:
        """Homography from the plane of the rule, without the lens's distortion."""
        return _homography(self.unknowns, self.centre_px)


def fit_camera(reading: Reading, centre_px: Array, focal_px: float, focal_u: float) -> RuleCamera:
    """Fit a pinhole camera so that all marks stand at their places, at right angles to the line of their feet.

    Parameters
    ----------
    reading : Reading
        The marks.
    centre_px : ndarray of shape (2,)
        Middle of the photo.
    focal_px, focal_u : float
        What is known of the focal length, and the standard uncertainty of its logarithm.
    """
    centre = centre_px
    row, places = reading.row, reading.places_mm - reading.places_mm.mean()
    step_mm = float(np.median(np.diff(places) / np.maximum(np.diff(row.number), 1)))
    px_per_mm = row.spacing_px / step_mm
    # Where a mark begins is seen far less well than where it stands, and blurred together with its neighbours.
    line_weight = _MARK_NOISE_PX / (2.0 * max(row.foot_scatter_px, _ROW_NOISE_PX))

    def off_px(unknowns: Array) -> Array:
        plane = _plane_of(unknowns, centre)
        foot, tip = plane.to_mm(row.foot_px), plane.to_mm(row.tip_px)
        return np.concatenate([foot[:, 0] - places, tip[:, 0] - places, line_weight * foot[:, 1]]) * px_per_mm

    def known(unknowns: Array) -> Array:
        turn = cv2.Rodrigues(unknowns[:3])[0]
        lean = math.radians(TILT_U_DEG)
        return np.array(
            [
                turn[2, 0] / lean,
                turn[2, 1] / lean,
                (unknowns[_LOG_FOCAL] - math.log(focal_px)) / focal_u,
                unknowns[_K1] / K1_U,
            ]
        )

    unknowns, noise = _start(row, places, centre, focal_px), 0.25
    damping = 1e-3
    for _ in range(40):
        off, prior = off_px(unknowns), known(unknowns)
        noise = max(0.05, 1.4826 * float(np.median(np.abs(off))))
        weight = np.minimum(1.0, 2.0 * noise / np.maximum(np.abs(off), 1e-9)) / noise**2
        slope, pull = _jacobian(off_px, unknowns), _jacobian(known, unknowns)
        normal = slope.T @ (slope * weight[:, None]) + pull.T @ pull
        gradient = slope.T @ (weight * off) + pull.T @ prior
        move = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), -gradient)
        now = float(np.sum(weight * off**2) + np.sum(prior**2))
        then = float(np.sum(weight * off_px(unknowns + move) ** 2) + np.sum(known(unknowns + move) ** 2))
        if then <= now:
            unknowns, damping = unknowns + move, max(damping / 10.0, 1e-9)
            if now - then < 1e-7 * max(now, 1.0):
                break
        else:
            damping *= 10.0
            if damping > 1e8:
                break
    # Foot, tip and the mark's own place on the rule share their errors: a mark counts once, not three times.
    wander = _wander(off_px(unknowns), len(places), noise)
    slope, pull = _jacobian(off_px, unknowns) / (noise * math.sqrt(3.0 * wander)), _jacobian(known, unknowns)
    information = slope.T @ slope
    covariance = np.asarray(np.linalg.inv(information + pull.T @ pull))
    return RuleCamera(
        centre_px=centre, unknowns=unknowns, covariance=covariance, information=information, noise_px=noise
    )


def _wander(off_px: Array, marks: int, noise_px: float) -> float:
    """Return by how much runs of neighbouring marks stray together more than marks by themselves would, as a variance ratio.

    Blur, numbers and finer marks beside them pull neighbours the same way: then fewer marks are worth counting.
    """
    if marks < 3 * _RUN:
        return 1.0
    ratios = []
    for part in (off_px[:marks], off_px[marks : 2 * marks]):
        kept = np.clip(part, -3.0 * noise_px, 3.0 * noise_px)
        runs = kept[: marks // _RUN * _RUN].reshape(-1, _RUN).mean(axis=1)
        ratios.append(_RUN * float(np.mean(runs**2)) / max(float(np.mean(kept**2)), 1e-9))
    # The fit has bent itself to the slowest part of the wandering, which therefore does not show: as much again.
    return 2.0 * max(1.0, *ratios)


def _lens(unknowns: Array, centre: Array) -> Lens:
    return Lens(
        focal_px=math.exp(unknowns[_LOG_FOCAL]),
        centre_px=(float(centre[0]), float(centre[1])),
        k1=float(unknowns[_K1]),
    )


def _plane_of(unknowns: Array, centre: Array) -> Plane:
    return Plane(px_from_mm=_homography(unknowns, centre), source="rule", lens=_lens(unknowns, centre))


def _jacobian(function: Callable[[Array], Array], at: Array) -> Array:
    steps = np.array([1e-6, 1e-6, 1e-6, 1e-4, 1e-4, 1e-4, 1e-6, 1e-6])
    columns = []
    for k, step in enumerate(steps):
        shift = np.zeros(len(at))
        shift[k] = step
        columns.append((function(at + shift) - function(at - shift)) / (2 * step))
    return np.column_stack(columns)


def _start(row: TickRow, places: Array, centre: Array, focal_px: float) -> Array:
    """Return the camera square on over the rule, at the distance that gives its spacing."""
    along = row.foot_px[-1] - row.foot_px[0]
    px_per_mm = float(np.linalg.norm(along)) / float(np.ptp(places))
    unit = along / np.linalg.norm(along)
    turn = np.array([[unit[0], -unit[1], 0.0], [unit[1], unit[0], 0.0], [0.0, 0.0, 1.0]])
    distance = focal_px / px_per_mm
    middle = row.foot_px.mean(axis=0)
    move = np.array([*((middle - centre) / focal_px * distance), distance])
    return np.concatenate([cv2.Rodrigues(turn)[0].ravel(), move, [math.log(focal_px), 0.0]])


def _homography(unknowns: Array, centre: Array) -> Array:
    focal = math.exp(unknowns[_LOG_FOCAL])
    camera = np.array([[focal, 0, centre[0]], [0, focal, centre[1]], [0, 0, 1.0]])
    turn = np.asarray(cv2.Rodrigues(unknowns[:3])[0])
    homography = camera @ np.column_stack([turn[:, 0], turn[:, 1], unknowns[3:6]])
    return np.asarray(homography / homography[2, 2], dtype=np.float64)


def scale_doubt(camera: RuleCamera) -> tuple[float, float]:
    """Return the standard uncertainty of the scale over the middle of the photo in percent: from the marks, from the rest.

    The middle of the photo is where the cloth lies. First order (GUM 5.1.2), mean of the variance over places.
    """
    centre = camera.centre_px
    x, y = np.meshgrid([0.5, 1.0, 1.5], [0.5, 1.0, 1.5])
    points_px = np.column_stack([x.ravel() * centre[0], y.ravel() * centre[1]])

    def log_scale(values: Array) -> Array:
        plane = _plane_of(values, centre)
        return np.array([math.log(plane.px_per_mm_at(point)) for point in plane.to_mm(points_px)])

    gradient = _jacobian(log_scale, camera.unknowns)
    reach = gradient @ camera.covariance
    total = float(np.mean(np.einsum("ki,ki->k", reach, gradient)))
    marks = float(np.mean(np.einsum("ki,ij,kj->k", reach, camera.information, reach)))
    return 100.0 * math.sqrt(max(marks, 0.0)), 100.0 * math.sqrt(max(total - marks, 0.0))
