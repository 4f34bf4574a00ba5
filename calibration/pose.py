"""Pose of a rectangle of known size from points on its edges, with the share of every uncertain input."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .plane import Lens, Plane, apply_homography

__all__ = [
    "FULL_FRAME_DIAGONAL_MM",
    "PoseFit",
    "PosePrior",
    "align_with_photo",
    "fit_pose",
    "focal_px_from_35mm",
    "tilt_and_distance",
]

FULL_FRAME_DIAGONAL_MM = (
    43.267  # diagonal of 36 x 24 mm, to which the EXIF 35 mm equivalent refers (CIPA DC-008)
)

# Order of the fitted parameters: rotation vector (3), translation in card widths (3), then the uncertain inputs.
_POSE = 6
_LOG_FOCAL, _K1, _SPREAD, _WIDTH, _HEIGHT = range(_POSE, _POSE + 5)
_EDGES = _POSE + 5
_PARAMETERS = _EDGES + 4
_CURVED = _K1 + 1  # parameters before this one enter the residuals non-linearly
INPUT_NAMES = (
    "focal length",
    "lens distortion",
    "edge position",
    "card width",
    "card height",
    *("side faces and shadows",) * 4,
)
# Outward directions of sides 0 to 3 in the card's frame.
_OUTWARD = np.array([[0, -1], [1, 0], [0, 1], [-1, 0]], dtype=np.float64)


def focal_px_from_35mm(focal_35mm: float, width_px: int, height_px: int) -> float:
    """Return the focal length in pixels from the 35 mm equivalent, by the picture's diagonal."""
    return focal_35mm / FULL_FRAME_DIAGONAL_MM * math.hypot(width_px, height_px)


@dataclass(frozen=True, slots=True, kw_only=True)
class PosePrior:
    """What is known of the inputs before the fit, each as value and standard uncertainty.

    Attributes
    ----------
    focal_px, focal_log_std : float
        Focal length, and its standard uncertainty as a natural logarithm (0.03 is 3 %).
    k1_std : float
        First radial distortion term, expected zero.
    spread_px, spread_std_px : float
        How far all edges appear outside their true place (tone curve, sharpening, soft shadow).
    size_std_mm : tuple of float
        Of the card's width and height.
    edge_std_px : tuple of float
        How far every single edge may appear shifted on its own (contact shadow, light from one side).
    wall_share, wall_share_std : float
        Share of a visible side face of the card that is taken for its top face, 0 to 1, each edge on its own.
    """

    focal_px: float
    focal_log_std: float
    k1_std: float = 0.012
    spread_px: float = 0.0
    spread_std_px: float = 0.15
    size_std_mm: tuple[float, float] = (0.07, 0.04)
    edge_std_px: tuple[float, float, float, float] = (0.2, 0.2, 0.2, 0.2)
    wall_share: float = 0.4
    wall_share_std: float = 0.35

    def inputs(self, wall_px: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return expected inputs and their standard uncertainties in the order of `INPUT_NAMES`.

        Parameters
        ----------
        wall_px : ndarray of shape (4,)
            How far the card's side face shows beyond each edge.
        """
        mean = np.concatenate([[math.log(self.focal_px), 0, self.spread_px, 0, 0], self.wall_share * wall_px])
        edges = np.hypot(self.edge_std_px, self.wall_share_std * wall_px)
        std = np.concatenate(
            [[self.focal_log_std, self.k1_std, self.spread_std_px, *self.size_std_mm], edges]
        )
        return mean, std


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
        return float(np.sum(((self.parameters[_POSE:] - self.input_mean) / self.input_std) ** 2))

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
            variance = float(np.mean((reach[:, _POSE + index] / std) ** 2))
            shares[INPUT_NAMES[index]] = shares.get(INPUT_NAMES[index], 0.0) + variance
        return {name: 100.0 * math.sqrt(max(value, 0.0)) for name, value in shares.items()}

    def _log_scale_gradients(self, points_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return d log(scale) / d parameters at points of shape (K, 2), shape (K, parameters)."""
        around = 0.5 * np.array([[-1.0, 0.0], [1.0, 0.0], [0.0, -1.0], [0.0, 1.0]])

        def log_scale(parameters: NDArray[np.float64]) -> NDArray[np.float64]:
            homography, lens = _unpack(parameters, self.size_mm[0], self.lens.centre_px)
            plane = Plane(px_from_mm=homography, source="bank-card", lens=lens)
            seen = plane.to_px(plane.to_mm(points_px)[:, None] + around)
            x, y = seen[:, 1] - seen[:, 0], seen[:, 3] - seen[:, 2]
            return np.asarray(0.5 * np.log(np.abs(x[:, 0] * y[:, 1] - x[:, 1] * y[:, 0])))

        gradients = np.zeros((len(points_px), _PARAMETERS))
        for i in range(_CURVED):  # the others move edges, not the scale
            shift = np.zeros(_PARAMETERS)
            shift[i] = _STEPS[i]
            change = log_scale(self.parameters + shift) - log_scale(self.parameters - shift)
            gradients[:, i] = change / (2 * _STEPS[i])
        return gradients


def fit_pose(
    points_px: NDArray[np.float64],
    side: NDArray[np.intp],
    std_px: NDArray[np.float64],
    corners_px: NDArray[np.float64],
    *,
    size_mm: tuple[float, float],
    thickness_mm: float,
    centre_px: tuple[float, float],
    prior: PosePrior,
) -> PoseFit | None:
    """Fit the pose of a flat card to points on its four edges.

    A homography has eight freedoms, a card of known size seen by a camera of known focal length six; the
    difference is what keeps the scale right away from the card. What is known only roughly (focal length,
    distortion, apparent edge shift, the card's exact size) takes part as observations with their own weight, so
    that the covariance holds the whole first-order budget.

    Parameters
    ----------
    points_px : ndarray of shape (N, 2)
        Edge points in the photo (distorted pixels).
    side : ndarray of shape (N,)
        Which edge: 0 top, 1 right, 2 bottom, 3 left in the card's own frame.
    std_px : ndarray of shape (N,)
        Standard uncertainty of each point across its edge.
    corners_px : ndarray of shape (4, 2)
        First guess of the sharp corners: top left, top right, bottom right, bottom left.
    size_mm : tuple of float
        Width (sides 0 and 2) and height.
    thickness_mm : float
        Thickness of the card, of which side faces may show.
    centre_px : tuple of float
        Principal point.
    prior : PosePrior
        What is known beforehand.

    Returns
    -------
    PoseFit or None
        None when no pose explains the corners.
    """

    def fit(start: NDArray[np.float64], gain: float) -> PoseFit | None:
        return _gauss_newton(
            start,
            points_px,
            side,
            std_px,
            size_mm=size_mm,
            thickness_mm=thickness_mm,
            centre_px=centre_px,
            prior=prior,
            least_gain=gain,
        )

    # With the focal length hardly known, one start may be too far off to find the way: then the points do not fit.
    stretches = (1.0,) if prior.focal_log_std < 0.1 else (1.0, 1.7)
    best: PoseFit | None = None
    for stretch in stretches:
        if best is not None and best.chi_square < _fitting_chi_square(len(points_px)):
            break
        for start in _starts(corners_px, size_mm, centre_px, prior, stretch * prior.focal_px):
            found = fit(start, _GAIN_WHILE_CHOOSING)
            if found is not None and (best is None or found.chi_square < best.chi_square):
                best = found
    # Side faces and scale across the edges were taken from the start; once more from the pose itself.
    return None if best is None else fit(best.parameters, _GAIN_AT_LAST)


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


def _unpack(
    parameters: NDArray[np.float64], width_mm: float, centre_px: tuple[float, float]
) -> tuple[NDArray[np.float64], Lens]:
    rotation, _ = cv2.Rodrigues(parameters[:3])
    focal = math.exp(parameters[_LOG_FOCAL])
    camera = np.array([[focal, 0, centre_px[0]], [0, focal, centre_px[1]], [0, 0, 1.0]])
    homography = camera @ np.column_stack([rotation[:, 0], rotation[:, 1], parameters[3:6] * width_mm])
    lens = Lens(focal_px=focal, centre_px=centre_px, k1=float(parameters[_K1]))
    return homography / homography[2, 2], lens


# Share of chi square that a step must gain to be followed by another: the way into the valley tells the better pose.
_GAIN_WHILE_CHOOSING, _GAIN_AT_LAST = 1e-3, 1e-6
_STEPS = np.concatenate([np.full(6, 1e-5), [1e-4, 1e-5], np.full(7, 1e-3)])


def _undistort(
    points_px: NDArray[np.float64], focal_px: float, k1: float, centre_px: tuple[float, float]
) -> NDArray[np.float64]:
    """Take the radial term out; four rounds of the fixed point leave far below 0.001 px at the k1 of phones."""
    distorted = (points_px - np.asarray(centre_px)) / focal_px
    offset = distorted
    for _ in range(4):
        offset = distorted / (1.0 + k1 * np.sum(offset**2, axis=1, keepdims=True))
    return np.asarray(offset * focal_px + np.asarray(centre_px))


def _residuals(
    parameters: NDArray[np.float64],
    points_px: NDArray[np.float64],
    side: NDArray[np.intp],
    px_per_mm: NDArray[np.float64],
    size_mm: tuple[float, float],
    centre_px: tuple[float, float],
) -> NDArray[np.float64]:
    """Distance of every point outside the card's apparent edge, in pixels."""
    homography, lens = _unpack(parameters, size_mm[0], centre_px)
    straight_px = _undistort(points_px, lens.focal_px, lens.k1, centre_px)
    points_mm = apply_homography(np.asarray(np.linalg.inv(homography)), straight_px)
    outward = _OUTWARD[side]
    half_width = 0.5 * (size_mm[0] + parameters[_WIDTH])
    half_height = 0.5 * (size_mm[1] + parameters[_HEIGHT])
    reach = np.array([half_height, half_width, half_height, half_width])[side]
    beyond_mm = np.sum(points_mm * outward, axis=1) - reach
    return np.asarray(beyond_mm * px_per_mm - parameters[_SPREAD] - parameters[_EDGES:][side])


def _curved_jacobian(
    parameters: NDArray[np.float64],
    points_px: NDArray[np.float64],
    side: NDArray[np.intp],
    px_per_mm: NDArray[np.float64],
    width_mm: float,
    centre_px: tuple[float, float],
) -> NDArray[np.float64]:
    """Return derivatives of the residuals by pose, focal length and distortion, shape (N, 8).

    A ray n = (x, y, 1) meets the card's plane at (a, b) where M (a, b, 1) is parallel to n and M holds the first two
    columns of the rotation and the translation. With q = M^-1 n a change of M moves q by -M^-1 dM q.
    """
    rotation, turns = cv2.Rodrigues(parameters[:3])
    focal, k1 = math.exp(parameters[_LOG_FOCAL]), float(parameters[_K1])
    rays = (_undistort(points_px, focal, k1, centre_px) - np.asarray(centre_px)) / focal
    back = np.linalg.inv(np.column_stack([rotation[:, 0], rotation[:, 1], parameters[3:6] * width_mm]))
    q = np.column_stack([rays, np.ones(len(rays))]) @ back.T
    radius = np.sum(rays**2, axis=1, keepdims=True)
    stretch = 1.0 + k1 * radius

    def undo_lens(change: NDArray[np.float64]) -> NDArray[np.float64]:
        """Turn a change of the distorted ray into one of the ray itself (Sherman and Morrison)."""
        inner = np.sum(rays * change, axis=1, keepdims=True)
        return np.asarray((change - 2 * k1 * rays * inner / (stretch + 2 * k1 * radius)) / stretch)

    moves = []
    for i in range(3):
        turn = np.asarray(turns)[i].reshape(3, 3)
        moves.append(-(q[:, :1] * turn[:, 0] + q[:, 1:2] * turn[:, 1]) @ back.T)
    moves += [-q[:, 2:] * width_mm * back[:, i] for i in range(3)]
    for change in (undo_lens(-rays * stretch), undo_lens(-rays * radius)):
        moves.append(change @ back[:, :2].T)
    outward = _OUTWARD[side]
    place = np.sum(q[:, :2] * outward, axis=1) / q[:, 2]
    columns = [(np.sum(m[:, :2] * outward, axis=1) - place * m[:, 2]) / q[:, 2] * px_per_mm for m in moves]
    return np.stack(columns, axis=1)


def _outward_scale(
    parameters: NDArray[np.float64],
    points_px: NDArray[np.float64],
    side: NDArray[np.intp],
    width_mm: float,
    centre_px: tuple[float, float],
) -> NDArray[np.float64]:
    """Pixels per millimetre across the edge at every point."""
    homography, lens = _unpack(parameters, width_mm, centre_px)
    plane = Plane(px_from_mm=homography, source="bank-card", lens=lens)
    points_mm, outward = plane.to_mm(points_px), _OUTWARD[side]
    nudge_px = plane.to_px(points_mm + 0.05 * outward) - plane.to_px(points_mm - 0.05 * outward)
    return np.asarray(np.linalg.norm(nudge_px, axis=1) / 0.1)


def _visible_walls_px(
    parameters: NDArray[np.float64],
    px_per_mm: NDArray[np.float64],
    side: NDArray[np.intp],
    size_mm: tuple[float, float],
    thickness_mm: float,
) -> NDArray[np.float64]:
    """Width of the card's four side faces as they show beyond the top edges, shape (4,).

    The card's frame has x right and y down seen from above, so its third axis points away from the camera, which
    stands at negative height. A point of the lower edge appears shifted towards the foot of the camera.
    """
    rotation, _ = cv2.Rodrigues(parameters[:3])
    eye = -rotation.T @ (parameters[3:6] * size_mm[0])
    height = abs(float(eye[2])) + 1e-9
    middle = _OUTWARD * np.array(size_mm) / 2
    away = np.sum((middle - eye[:2]) * _OUTWARD, axis=1)
    shown_mm = np.maximum(-away, 0.0) / height * thickness_mm / (1.0 + thickness_mm / height)
    return np.array([shown_mm[i] * float(np.mean(px_per_mm[side == i])) for i in range(4)])


def _gauss_newton(
    start: NDArray[np.float64],
    points_px: NDArray[np.float64],
    side: NDArray[np.intp],
    std_px: NDArray[np.float64],
    *,
    size_mm: tuple[float, float],
    thickness_mm: float,
    centre_px: tuple[float, float],
    prior: PosePrior,
    least_gain: float,
) -> PoseFit | None:
    px_per_mm = _outward_scale(start, points_px, side, size_mm[0], centre_px)
    mean, std = prior.inputs(_visible_walls_px(start, px_per_mm, side, size_mm, thickness_mm))
    jacobian = _constant_jacobian(side, px_per_mm)

    def residuals(parameters: NDArray[np.float64]) -> NDArray[np.float64]:
        return _residuals(parameters, points_px, side, px_per_mm, size_mm, centre_px)

    def cost(parameters: NDArray[np.float64], residual: NDArray[np.float64]) -> float:
        inputs = (parameters[_POSE:] - mean) / std
        return float(np.sum((residual / std_px) ** 2) + np.sum(inputs**2))

    parameters, damping = start.copy(), 1e-4
    residual = residuals(parameters)
    current = cost(parameters, residual)
    information = normal = np.eye(_PARAMETERS)
    for _ in range(25):
        jacobian[:, :_CURVED] = _curved_jacobian(
            parameters, points_px, side, px_per_mm, size_mm[0], centre_px
        )
        weighted = jacobian / std_px[:, None]
        information = weighted.T @ weighted
        normal = information.copy()
        normal[range(_POSE, _PARAMETERS), range(_POSE, _PARAMETERS)] += 1.0 / std**2
        gradient = weighted.T @ (residual / std_px)
        gradient[_POSE:] += (parameters[_POSE:] - mean) / std**2
        if not np.all(np.isfinite(normal)):
            return None
        improved = False
        for _ in range(8):
            step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), -gradient)
            tried = residuals(parameters + step)
            trial = cost(parameters + step, tried)
            if np.isfinite(trial) and trial <= current:
                improved = current - trial > least_gain * (1.0 + current)
                parameters, residual, current, damping = parameters + step, tried, trial, damping * 0.1
                break
            damping *= 6.0
        if not improved:
            break
    homography, lens = _unpack(parameters, size_mm[0], centre_px)
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
        size_mm=size_mm,
    )


def _constant_jacobian(side: NDArray[np.intp], px_per_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Columns of the inputs that enter the residuals linearly; the others are filled in at every step."""
    jacobian = np.zeros((len(side), _PARAMETERS))
    jacobian[:, _SPREAD] = -1.0
    across_width = side % 2 == 1
    jacobian[across_width, _WIDTH] = -0.5 * px_per_mm[across_width]
    jacobian[~across_width, _HEIGHT] = -0.5 * px_per_mm[~across_width]
    jacobian[np.arange(len(side)), _EDGES + side] = -1.0
    return jacobian


def tilt_and_distance(
    px_from_mm: NDArray[np.float64], focal_px: float, centre_px: tuple[float, float]
) -> tuple[float, float]:
    """Return the tilt in degrees and the distance of the lens from the plane in mm.

    The columns of ``K^-1 H`` are the plane's axes in the camera's frame (Zhang, IEEE PAMI 22(11), 2000, eq. 2).
    """
    camera = np.array([[focal_px, 0, centre_px[0]], [0, focal_px, centre_px[1]], [0, 0, 1.0]])
    axes = np.linalg.solve(camera, px_from_mm)
    axes = axes / math.sqrt(np.linalg.norm(axes[:, 0]) * np.linalg.norm(axes[:, 1]))
    normal = np.cross(axes[:, 0], axes[:, 1])
    normal /= np.linalg.norm(normal)
    tilt = math.degrees(math.acos(min(1.0, abs(float(normal[2])))))
    return tilt, abs(float(normal @ axes[:, 2]))


def align_with_photo(
    px_from_mm: NDArray[np.float64], photo_shape: tuple[int, ...]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Turn plane coordinates so that at the photo's centre x points right and y down, origin at that centre.

    Parameters
    ----------
    px_from_mm : ndarray of shape (3, 3)
        Homography from any millimetre frame of the plane that is not mirrored.
    photo_shape : tuple of int
        Shape of the pixel array.

    Returns
    -------
    aligned : ndarray of shape (3, 3)
        Homography from the aligned millimetres to pixels.
    old_from_new : ndarray of shape (3, 3)
        Rigid motion from aligned to the given millimetres.
    """
    centre = np.array([(photo_shape[1] - 1) / 2.0, (photo_shape[0] - 1) / 2.0])
    mm_from_px = np.asarray(np.linalg.inv(px_from_mm), dtype=np.float64)
    around = apply_homography(mm_from_px, centre + np.array([[0.0, 0.0], [1.0, 0.0]]))
    along = (around[1] - around[0]) / np.linalg.norm(around[1] - around[0])
    cosine, sine = float(along[0]), float(along[1])
    old_from_new = np.array([[cosine, -sine, around[0, 0]], [sine, cosine, around[0, 1]], [0.0, 0.0, 1.0]])
    aligned = px_from_mm @ old_from_new
    return aligned / aligned[2, 2], old_from_new
