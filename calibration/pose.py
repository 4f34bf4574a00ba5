"""Pose of a rectangle of known size from points on its edges, with the share of every uncertain input."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .plane import Lens, Plane
from .pose_model import CURVED, INPUT_NAMES, PARAMETERS, POSE, PosePrior, SeenEdges, unpack

__all__ = ["PoseFit", "PosePrior", "fit_pose"]

# Share of chi square that a step must gain to be followed by another: the way into the valley tells the better pose.
_GAIN_WHILE_CHOOSING, _GAIN_AT_LAST = 1e-3, 1e-6
_STEPS = np.concatenate([np.full(6, 1e-5), [1e-4, 1e-5], np.full(7, 1e-3)])


@dataclass(frozen=True, slots=True, kw_only=True)
class PoseFit:
    """Fitted pose. See `fit_pose`.

    Attributes
    ----------
    px_from_card_mm : ndarray of shape (3, 3)
        From card millimetres (centre of the card is the origin) to undistorted pixels.
    lens : Lens
        Focal length and distortion as fitted.
    rms_px : float
        Weighted scatter of the edge points about the fitted card.
    residual_px : ndarray of shape (N,)
        Distance of every point outside the fitted card's edge.
    parameters, covariance, information : ndarray
        All fitted parameters, their covariance, and what the edge points alone say of them.
    input_mean, input_std : ndarray
        The inputs as expected beforehand, in the order of `INPUT_NAMES`.
    size_mm : tuple of float
        Size of the card.
    """

    px_from_card_mm: NDArray[np.float64]
    lens: Lens
    rms_px: float
    chi_square: float
    residual_px: NDArray[np.float64]
    parameters: NDArray[np.float64]
    covariance: NDArray[np.float64]
    information: NDArray[np.float64]
    input_mean: NDArray[np.float64]
    input_std: NDArray[np.float64]
    size_mm: tuple[float, float]

    @property
    def prior_strain(self) -> float:
        """Sum of squares of how far the inputs had to leave their expected values, in standard uncertainties.

        With the right object it follows chi square of about six freedoms; with an object of other proportions
        the inputs are strained far beyond.
        """
        return float(np.sum(((self.parameters[POSE:] - self.input_mean) / self.input_std) ** 2))

    def scale_budget_percent(self, points_px: NDArray[np.float64]) -> dict[str, float]:
        """Split the standard uncertainty of the local scale among the inputs (GUM 5.1.2, first-order).

        Parameters
        ----------
        points_px : ndarray of shape (K, 2)
            Where in the photo the scale is wanted; the mean of the variances is given.

        Returns
        -------
        dict
            "edge points" (scatter in this photo) and the names of `INPUT_NAMES`, each in percent.
        """
        gradients = self._log_scale_gradients(np.asarray(points_px, dtype=np.float64))
        reach = gradients @ self.covariance
        shares = {"edge points": float(np.mean(np.einsum("ki,ij,kj->k", reach, self.information, reach)))}
        for index, std in enumerate(self.input_std):
            variance = float(np.mean((reach[:, POSE + index] / std) ** 2))
            shares[INPUT_NAMES[index]] = shares.get(INPUT_NAMES[index], 0.0) + variance
        return {name: 100.0 * math.sqrt(max(value, 0.0)) for name, value in shares.items()}

    def _log_scale_gradients(self, points_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return d log(scale) / d parameters at points of shape (K, 2), shape (K, parameters)."""
        around = 0.5 * np.array([[-1.0, 0.0], [1.0, 0.0], [0.0, -1.0], [0.0, 1.0]])

        def log_scale(parameters: NDArray[np.float64]) -> NDArray[np.float64]:
            homography, lens = unpack(parameters, self.size_mm[0], self.lens.centre_px)
            plane = Plane(px_from_mm=homography, source="bank-card", lens=lens)
            seen = plane.to_px(plane.to_mm(points_px)[:, None] + around)
            x, y = seen[:, 1] - seen[:, 0], seen[:, 3] - seen[:, 2]
            return np.asarray(0.5 * np.log(np.abs(x[:, 0] * y[:, 1] - x[:, 1] * y[:, 0])))

        gradients = np.zeros((len(points_px), PARAMETERS))
        for i in range(CURVED):  # the others move edges, not the scale
            shift = np.zeros(PARAMETERS)
            shift[i] = _STEPS[i]
            change = log_scale(self.parameters + shift) - log_scale(self.parameters - shift)
            gradients[:, i] = change / (2 * _STEPS[i])
        return gradients


def fit_pose(seen: SeenEdges, corners_px: NDArray[np.float64], prior: PosePrior) -> PoseFit | None:
    """Fit the pose of a flat card to points on its four edges.

    A homography has eight freedoms, a card of known size seen by a camera of known focal length six; the
    difference is what keeps the scale right away from the card. What is known only roughly (focal length,
    distortion, apparent edge shift, the card's exact size) takes part as observations with their own weight, so
    that the covariance holds the whole first-order budget.

    Parameters
    ----------
    seen : SeenEdges
        Points on the edges, and the card they belong to.
    corners_px : ndarray of shape (4, 2)
        First guess of the sharp corners: top left, top right, bottom right, bottom left.
    prior : PosePrior
        What is known beforehand.

    Returns
    -------
    PoseFit or None
        None when no pose explains the corners.
    """
    # With the focal length hardly known, one start may be too far off to find the way: then the points do not fit.
    stretches = (1.0,) if prior.focal_log_std < 0.1 else (1.0, 1.7)
    best: PoseFit | None = None
    for stretch in stretches:
        if best is not None and best.chi_square < _fitting_chi_square(len(seen.points_px)):
            break
        for start in _starts(corners_px, seen.size_mm, seen.centre_px, prior, stretch * prior.focal_px):
            found = _gauss_newton(start, seen, prior, _GAIN_WHILE_CHOOSING)
            if found is not None and (best is None or found.chi_square < best.chi_square):
                best = found
    # Side faces and scale across the edges were taken from the start; once more from the pose itself.
    return None if best is None else _gauss_newton(best.parameters, seen, prior, _GAIN_AT_LAST)


def _fitting_chi_square(points: int) -> float:
    """Chi square that points with honest standard deviations exceed less than once in a thousand (mean N, variance 2 N)."""
    return points + 3.1 * math.sqrt(2.0 * points)


def _starts(
    corners_px: NDArray[np.float64],
    size_mm: tuple[float, float],
    centre_px: tuple[float, float],
    prior: PosePrior,
    focal_px: float,
) -> list[NDArray[np.float64]]:
    """Both poses that a small rectangle allows (Collins and Bartoli, IJCV 109, 2014, as in OpenCV's IPPE)."""
    width, height = size_mm
    model = np.array([[-1, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]]) * np.array([width / 2, height / 2, 0])
    camera = np.array([[focal_px, 0, centre_px[0]], [0, focal_px, centre_px[1]], [0, 0, 1.0]])
    try:
        count, rotations, translations, _ = cv2.solvePnPGeneric(
            model, np.asarray(corners_px, dtype=np.float64), camera, None, flags=cv2.SOLVEPNP_IPPE
        )
    except cv2.error:
        return []
    starts = []
    for rotation, translation in list(zip(rotations, translations, strict=True))[:count]:
        if np.all(np.isfinite(rotation)) and np.all(np.isfinite(translation)) and translation[2, 0] > 0:
            inputs = np.concatenate([[math.log(focal_px)], prior.inputs(np.zeros(4))[0][1:]])
            starts.append(np.concatenate([rotation.ravel(), translation.ravel() / width, inputs]))
    return starts


def _gauss_newton(
    start: NDArray[np.float64], seen: SeenEdges, prior: PosePrior, least_gain: float
) -> PoseFit | None:
    """Move the parameters from `start` until a step gains less than `least_gain` of chi square."""
    px_per_mm = seen.outward_scale(start)
    mean, std = prior.inputs(seen.visible_walls_px(start, px_per_mm))
    std_px = seen.std_px
    jacobian = seen.constant_jacobian(px_per_mm)

    def cost(parameters: NDArray[np.float64], residual: NDArray[np.float64]) -> float:
        inputs = (parameters[POSE:] - mean) / std
        return float(np.sum((residual / std_px) ** 2) + np.sum(inputs**2))

    parameters, damping = start.copy(), 1e-4
    residual = seen.residuals(parameters, px_per_mm)
    current = cost(parameters, residual)
    information = normal = np.eye(PARAMETERS)
    for _ in range(25):
        jacobian[:, :CURVED] = seen.curved_jacobian(parameters, px_per_mm)
        weighted = jacobian / std_px[:, None]
        information = weighted.T @ weighted
        normal = information.copy()
        normal[range(POSE, PARAMETERS), range(POSE, PARAMETERS)] += 1.0 / std**2
        gradient = weighted.T @ (residual / std_px)
        gradient[POSE:] += (parameters[POSE:] - mean) / std**2
        if not np.all(np.isfinite(normal)):
            return None
        improved = False
        for _ in range(8):
            step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), -gradient)
            tried = seen.residuals(parameters + step, px_per_mm)
            trial = cost(parameters + step, tried)
            if np.isfinite(trial) and trial <= current:
                improved = current - trial > least_gain * (1.0 + current)
                parameters, residual, current, damping = parameters + step, tried, trial, damping * 0.1
                break
            damping *= 6.0
        if not improved:
            break
    homography, lens = unpack(parameters, seen.size_mm[0], seen.centre_px)
    weights = 1.0 / std_px**2
    return PoseFit(
        px_from_card_mm=homography,
        lens=lens,
        rms_px=float(np.sqrt(np.sum(weights * residual**2) / np.sum(weights))),
        chi_square=current,
        residual_px=residual,
        parameters=parameters,
        covariance=np.asarray(np.linalg.inv(normal), dtype=np.float64),
        information=information,
        input_mean=mean,
        input_std=std,
        size_mm=seen.size_mm,
    )
