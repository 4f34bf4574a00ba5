"""Camera and card from marker corners: one least-squares fit in which rough knowledge takes part with its weight.

Unknowns are the card's pose (6), a common outward shift of all marker edges (tone curve, ink spread), focal length,
principal point and first radial term, the stretch of the print, and on request the bend of the paper or the glued
joints of a rail. Focal length,
principal point, radial term and stretch enter as observations with their own standard uncertainty, so the covariance of the fit holds what the
photo tells and what is only assumed (GUM 5.1.2; Zhang, IEEE PAMI 22(11), 2000, for the camera's model).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .plane import Lens, Plane
from .ranks import median

__all__ = ["CameraFit", "CameraPrior", "Extra", "fit_camera"]

# Order of the unknowns.
_SHIFT, _LOG_FOCAL, _CX, _CY, _K1, _STRETCH, _EXTRA = 6, 7, 8, 9, 10, 11, 12
LENS_UNKNOWNS = (_LOG_FOCAL, _CX, _CY, _K1)
SHIFT_STD_PX = 1.0
SMALLEST_NOISE_PX = 0.02
HUBER = 2.0
LONGEST_STEP = 0.5  # of the logarithms of distance and focal length; beyond it nothing is known of the valley


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraPrior:
    """What is known of the camera before the fit; `_u` are standard uncertainties.

    Attributes
    ----------
    focal_px, focal_log_u : float
        Focal length; its uncertainty as a natural logarithm (0.03 is 3 %).
    centre_px, centre_u_px : tuple of float, float
        Principal point.
    k1, k1_u : float
        First radial term.
    stretch_u : float
        How much more the card may be printed large one way than the other, as a natural logarithm.
    """

    focal_px: float
    focal_log_u: float
    centre_px: tuple[float, float]
    centre_u_px: float
    k1: float
    k1_u: float
    stretch_u: float = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Extra:
    """Further unknowns: ways in which the corners may lie off their places on a flat card.

    Attributes
    ----------
    moves : ndarray of shape (N, E, 3)
        Movement of each corner in card x, y and z per millimetre of each unknown.
    std_mm : ndarray of shape (E,)
        Standard uncertainty of each unknown, expected zero.
    """

    moves: NDArray[np.float64]
    std_mm: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraFit:
    """Outcome of `fit_camera`.

    Attributes
    ----------
    unknowns : ndarray of shape (12 + E,)
        Rotation vector, translation in mm, edge shift in px, log focal length, principal point, k1, stretch, extra.
    covariance : ndarray
        Of the unknowns.
    residual_px : ndarray of shape (N, 2)
        Seen minus fitted corners.
    noise_px : float
        Standard deviation of a corner coordinate.
    chi_square : float
        Weighted squares of residuals and of the prior's pulls, for the noise handed in.
    """

    unknowns: NDArray[np.float64]
    covariance: NDArray[np.float64]
    residual_px: NDArray[np.float64]
    noise_px: float
    chi_square: float

    @property
    def lens(self) -> Lens:
        """Return focal length, principal point and radial term."""
        p = self.unknowns
        return Lens(
            focal_px=math.exp(p[_LOG_FOCAL]), centre_px=(float(p[_CX]), float(p[_CY])), k1=float(p[_K1])
        )

    @property
    def px_from_card_mm(self) -> NDArray[np.float64]:
        """Return the homography from card millimetres to undistorted pixels."""
        return _homography(self.unknowns)

    @property
    def stretch(self) -> tuple[float, float]:
        """Return by what the card's millimetres, horizontally and vertically, turned out larger than handed in."""
        half = float(self.unknowns[_STRETCH]) / 2.0
        return 1.0 + half, 1.0 - half

    @property
    def extra_mm(self) -> NDArray[np.float64]:
        """Return the extra unknowns handed in (see `Extra`), shape (E,)."""
        return self.unknowns[_EXTRA:]

    @property
    def focal_log_u(self) -> float:
        """Return the standard uncertainty of the focal length as a natural logarithm."""
        return math.sqrt(float(self.covariance[_LOG_FOCAL, _LOG_FOCAL]))

    def scale_u_percent(self, points_mm: NDArray[np.float64]) -> tuple[float, float, float]:
        """Return the standard uncertainty of the local scale from marker corners, from the lens and from the stretch.

        Parameters
        ----------
        points_mm : ndarray of shape (K, 2)
            Where in the card's plane the scale is wanted; variances are averaged over them and the larger of the two
            directions of the card counts.
        """
        gradient = self._log_scale_gradient(points_mm)
        corners = _largest_variance(gradient, self._covariance_knowing((*LENS_UNKNOWNS, _STRETCH)))
        with_stretch = _largest_variance(gradient, self._covariance_knowing(LENS_UNKNOWNS))
        total = _largest_variance(gradient, self.covariance)
        parts = (corners, max(total - with_stretch, 0.0), max(with_stretch - corners, 0.0))
        return 100.0 * math.sqrt(parts[0]), 100.0 * math.sqrt(parts[1]), 100.0 * math.sqrt(parts[2])

    def _covariance_knowing(self, known: tuple[int, ...]) -> NDArray[np.float64]:
        """Return the covariance that would be left if some unknowns were known exactly."""
        information = np.linalg.inv(self.covariance)
        rest = [i for i in range(len(self.unknowns)) if i not in known]
        left = np.zeros_like(self.covariance)
        left[np.ix_(rest, rest)] = np.linalg.inv(information[np.ix_(rest, rest)])
        return left

    def _log_scale_gradient(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return d log(scale) / d unknowns, shape (2, K, unknowns): along card x and along card y."""
        count = len(self.unknowns)
        gradient = np.zeros((2, len(points_mm), count))
        for i in range(count):
            if i == _SHIFT or i >= _STRETCH:
                continue
            step = 1e-4 if i in (0, 1, 2, _LOG_FOCAL, _K1) else 1e-2
            moved = np.zeros(count)
            moved[i] = step
            gradient[:, :, i] = (
                _log_scale(self.unknowns + moved, points_mm) - _log_scale(self.unknowns - moved, points_mm)
            ) / (2 * step)
        return gradient


def fit_camera(
    points_mm: NDArray[np.float64],
    corners_px: NDArray[np.float64],
    outward_px: NDArray[np.float64],
    prior: CameraPrior,
    *,
    extra: Extra | None = None,
    noise_px: float | None = None,
    start: CameraFit | None = None,
) -> CameraFit | None:
    """Fit camera and card to the corners seen.

    Parameters
    ----------
    points_mm : ndarray of shape (N, 2)
        Corners on the card.
    corners_px : ndarray of shape (N, 2)
        The same corners in the photo.
    outward_px : ndarray of shape (N, 2)
        Movement of each corner when all edges move outward by one pixel.
    prior : CameraPrior
        What is known of the camera.
    extra : Extra, optional
        Further unknowns, such as the bend of the paper.
    noise_px : float, optional
        Standard deviation of a corner coordinate; estimated from the residuals when left out.
    start : CameraFit, optional
        Fit to start from.

    Returns
    -------
    CameraFit or None
        None when no pose of the card explains the corners.
    """
    unknowns = _start(points_mm, corners_px, prior) if start is None else start.unknowns.copy()
    if unknowns is None:
        return None
    added = 0 if extra is None else len(extra.std_mm)
    unknowns = np.concatenate([unknowns[:_EXTRA], np.zeros(added)])
    noise = 0.1 if noise_px is None else noise_px
    for _ in range(3 if noise_px is None else 1):
        solved = _solve(unknowns, points_mm, corners_px, outward_px, prior, extra, noise)
        if solved is None:
            return None
        unknowns, information, residual, chi_square = solved
        if noise_px is None:
            noise = _noise(residual, 7 + added)
    try:
        covariance = np.asarray(np.linalg.inv(information), dtype=np.float64)
    except np.linalg.LinAlgError:
        return None
    return CameraFit(
        unknowns=unknowns, covariance=covariance, residual_px=residual, noise_px=noise, chi_square=chi_square
    )


def _noise(residual: NDArray[np.float64], fitted: int) -> float:
    """Robust standard deviation of the residuals, for the unknowns that they themselves have fixed."""
    count = residual.size
    freedom = max(count - fitted, 2)
    clipped = np.clip(np.abs(residual), 0.0, 3.0 * max(1.4826 * float(median(np.abs(residual))), 1e-3))
    return max(math.sqrt(float(np.sum(clipped**2)) / freedom), SMALLEST_NOISE_PX)


def _start(
    points_mm: NDArray[np.float64], corners_px: NDArray[np.float64], prior: CameraPrior
) -> NDArray[np.float64] | None:
    """Pose from the homography with the expected lens (IPPE: Collins and Bartoli, IJCV 109, 2014)."""
    camera = np.array(
        [[prior.focal_px, 0, prior.centre_px[0]], [0, prior.focal_px, prior.centre_px[1]], [0, 0, 1.0]]
    )
    middle = points_mm.mean(axis=0)
    solid = np.column_stack([points_mm - middle, np.zeros(len(points_mm))])
    found, turns, moves, errors = cv2.solvePnPGeneric(
        solid, corners_px, camera, None, flags=cv2.SOLVEPNP_IPPE
    )
    if not found:
        return None
    best = int(np.argmin(np.asarray(errors).ravel()))
    turn, move = np.asarray(turns[best]).ravel(), np.asarray(moves[best]).ravel()
    rotation = np.asarray(cv2.Rodrigues(turn)[0])
    move = move - rotation @ np.array([middle[0], middle[1], 0.0])
    if not (np.isfinite(turn).all() and np.isfinite(move).all()):
        return None
    return np.concatenate([turn, move, [0.0, math.log(prior.focal_px), *prior.centre_px, prior.k1, 0.0]])


def _solve(
    unknowns: NDArray[np.float64],
    points_mm: NDArray[np.float64],
    corners_px: NDArray[np.float64],
    outward_px: NDArray[np.float64],
    prior: CameraPrior,
    extra: Extra | None,
    noise_px: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], float] | None:
    """Levenberg-Marquardt with Huber weights; returns unknowns, information, residuals and chi square."""
    expected, pull = _prior_rows(prior, extra)

    def cost(p: NDArray[np.float64]) -> tuple[float, NDArray[np.float64], NDArray[np.float64]]:
        model, jacobian = _project(p, points_mm, outward_px, extra)
        residual = corners_px - model
        size = np.linalg.norm(residual, axis=1) / noise_px
        loss = np.where(size <= HUBER, size**2, 2 * HUBER * size - HUBER**2)
        return float(loss.sum() + np.sum(((p - expected) * pull) ** 2)), residual, jacobian

    best, residual, jacobian = cost(unknowns)
    damping, growth = 1e-3, 2.0
    information = np.eye(len(unknowns))
    for _ in range(60):
        weight = np.minimum(1.0, HUBER * noise_px / np.maximum(np.linalg.norm(residual, axis=1), 1e-12))
        rows = np.repeat(weight, 2) / noise_px**2
        information = jacobian.T @ (jacobian * rows[:, None]) + np.diag(pull**2)
        gradient = jacobian.T @ (rows * residual.ravel()) - pull**2 * (unknowns - expected)
        try:
            step = np.asarray(
                np.linalg.solve(information + damping * np.diag(np.diag(information)), gradient), np.float64
            )
        except np.linalg.LinAlgError:
            return None
        trial = _moved(unknowns, step)
        if not math.isfinite(float(step @ step)) or abs(trial[_LOG_FOCAL]) > 15:
            return None
        value, new_residual, new_jacobian = cost(trial)
        if value <= best:
            gain = best - value
            promised = float(step @ (gradient + damping * np.diag(information) * step))
            unknowns, best, residual, jacobian = trial, value, new_residual, new_jacobian
            # Nielsen's rule: a step that brings less than was promised lets the next one be longer by little.
            damping *= max(0.1, 1.0 - (2.0 * gain / max(promised, 1e-12) - 1.0) ** 3)
            damping, growth = max(damping, 1e-9), 2.0
            if gain < 1e-6 * max(best, 1.0):
                break
        else:
            damping, growth = damping * growth, 2.0 * growth
            if damping > 1e6:
                break
    return unknowns, information, residual, best


def _moved(p: NDArray[np.float64], step: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the unknowns one step on, along the valley of the fit where the step follows it.

    A photo tells focal length over distance, tilt over distance and radial term over focal length squared well, and each by
    itself poorly. Those ratios go straight; the unknowns themselves would leave the valley after a thousandth of the way.
    """
    moved = p + step
    nearer, longer = float(step[5] / p[5]) if p[5] else 0.0, float(step[_LOG_FOCAL])
    if max(abs(nearer), abs(longer)) > LONGEST_STEP:
        return moved
    moved[5] = p[5] * math.exp(nearer)
    moved[_K1] = math.exp(2 * longer) * (p[_K1] * (1 - 2 * longer) + step[_K1])
    before, turned = (np.asarray(cv2.Rodrigues(turn)[0]) for turn in (p[:3], moved[:3]))
    # The normal's share across the line of sight is the tilt.
    tilt, change = before[:2, 2], turned[:2, 2] - before[:2, 2]
    x, y = (math.exp(nearer) * (tilt * (1 - nearer) + change) - tilt - change) / turned[2, 2]
    more = np.asarray(cv2.Rodrigues(np.array([-y, x, 0.0]))[0])
    moved[:3] = np.asarray(cv2.Rodrigues(more @ turned)[0]).ravel()
    return moved


def _prior_rows(prior: CameraPrior, extra: Extra | None) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the expected unknowns and one over their standard uncertainty (0 where nothing is known)."""
    count = _EXTRA + (0 if extra is None else len(extra.std_mm))
    expected, pull = np.zeros(count), np.zeros(count)
    expected[_LOG_FOCAL : _K1 + 1] = [math.log(prior.focal_px), *prior.centre_px, prior.k1]
    pull[_SHIFT] = 1.0 / SHIFT_STD_PX
    pull[_LOG_FOCAL : _K1 + 1] = 1.0 / np.array(
        [prior.focal_log_u, prior.centre_u_px, prior.centre_u_px, prior.k1_u]
    )
    pull[_STRETCH] = 1.0 / prior.stretch_u
    if extra is not None:
        pull[_EXTRA:] = 1.0 / extra.std_mm
    return expected, pull


def _project(
    p: NDArray[np.float64],
    points_mm: NDArray[np.float64],
    outward_px: NDArray[np.float64],
    extra: Extra | None,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the corners that the unknowns predict, shape (N, 2), and the Jacobian, shape (2 N, unknowns)."""
    half = points_mm / 2.0
    solid = np.column_stack(
        [
            points_mm[:, 0] + p[_STRETCH] * half[:, 0],
            points_mm[:, 1] - p[_STRETCH] * half[:, 1],
            0.0 * half[:, 0],
        ]
    )
    if extra is not None:
        solid += np.einsum("nek,e->nk", extra.moves, p[_EXTRA:])
    focal = math.exp(p[_LOG_FOCAL])
    camera = np.array([[focal, 0, p[_CX]], [0, focal, p[_CY]], [0, 0, 1.0]])
    distortion = np.array([p[_K1], 0.0, 0.0, 0.0])
    seen, full = cv2.projectPoints(solid, p[:3], p[3:6], camera, distortion)
    full = np.asarray(full, dtype=np.float64)
    model = np.asarray(seen, dtype=np.float64).reshape(-1, 2) + p[_SHIFT] * outward_px
    jacobian = np.zeros((2 * len(points_mm), len(p)))
    jacobian[:, :6] = full[:, :6]
    jacobian[:, _SHIFT] = outward_px.ravel()
    jacobian[:, _LOG_FOCAL] = (full[:, 6] + full[:, 7]) * focal
    jacobian[:, _CX : _K1 + 1] = full[:, 8:11]
    axes = full[:, 3:6] @ np.asarray(
        cv2.Rodrigues(p[:3])[0]
    )  # movement in the photo per mm along card x, y, z
    jacobian[:, _STRETCH] = axes[:, 0] * np.repeat(half[:, 0], 2) - axes[:, 1] * np.repeat(half[:, 1], 2)
    if extra is not None:
        jacobian[:, _EXTRA:] = np.einsum("nk,nek->ne", axes, np.repeat(extra.moves, 2, axis=0))
    return model, jacobian


def _homography(p: NDArray[np.float64]) -> NDArray[np.float64]:
    focal = math.exp(p[_LOG_FOCAL])
    camera = np.array([[focal, 0, p[_CX]], [0, focal, p[_CY]], [0, 0, 1.0]])
    rotation = np.asarray(cv2.Rodrigues(p[:3])[0])
    return np.asarray(camera @ np.column_stack([rotation[:, 0], rotation[:, 1], p[3:6]]), dtype=np.float64)


def _log_scale(p: NDArray[np.float64], points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the logarithm of the local scale along card x and along card y, shape (2, K)."""
    lens = Lens(focal_px=math.exp(p[_LOG_FOCAL]), centre_px=(float(p[_CX]), float(p[_CY])), k1=float(p[_K1]))
    plane = Plane(px_from_mm=_homography(p), source="page-card", lens=lens)
    logs = []
    for step in (np.array([0.5, 0.0]), np.array([0.0, 0.5])):
        reach = plane.to_px(points_mm + step) - plane.to_px(points_mm - step)
        logs.append(np.log(np.linalg.norm(reach, axis=1)))
    return np.array(logs)


def _largest_variance(gradient: NDArray[np.float64], covariance: NDArray[np.float64]) -> float:
    variance = np.einsum("dki,ij,dkj->dk", gradient, covariance, gradient)
    return float(variance.mean(axis=1).max())
