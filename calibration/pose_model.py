"""A rectangle of known size before a camera: where its edges appear, and how that changes with every input.

`pose.fit_pose` moves these parameters until the edges lie on the points seen.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .plane import Lens, Plane, apply_homography

__all__ = ["CURVED", "INPUT_NAMES", "LOG_FOCAL", "PARAMETERS", "POSE", "PosePrior", "SeenEdges", "unpack"]

# Order of the fitted parameters: rotation vector (3), translation in card widths (3), then the uncertain inputs.
POSE = 6
LOG_FOCAL, K1, SPREAD, WIDTH, HEIGHT = range(POSE, POSE + 5)
EDGES = POSE + 5
PARAMETERS = EDGES + 4
CURVED = K1 + 1  # parameters before this one enter the residuals non-linearly
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
class SeenEdges:
    """Points on the edges of a rectangle in the photo, and the rectangle they belong to.

    Attributes
    ----------
    points_px : ndarray of shape (N, 2)
        Edge points in the photo (distorted pixels).
    side : ndarray of shape (N,)
        Which edge: 0 top, 1 right, 2 bottom, 3 left in the card's own frame.
    std_px : ndarray of shape (N,)
        Standard uncertainty of each point across its edge.
    size_mm : tuple of float
        Width (sides 0 and 2) and height.
    thickness_mm : float
        Thickness of the card, of which side faces may show.
    centre_px : tuple of float
        Principal point.
    """

    points_px: NDArray[np.float64]
    side: NDArray[np.intp]
    std_px: NDArray[np.float64]
    size_mm: tuple[float, float]
    thickness_mm: float
    centre_px: tuple[float, float]

    def residuals(
        self, parameters: NDArray[np.float64], px_per_mm: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return the distance of every point outside the card's apparent edge, pixels."""
        homography, lens = unpack(parameters, self.size_mm[0], self.centre_px)
        straight_px = _undistort(self.points_px, lens.focal_px, lens.k1, self.centre_px)
        points_mm = apply_homography(np.asarray(np.linalg.inv(homography)), straight_px)
        outward = _OUTWARD[self.side]
        half_width = 0.5 * (self.size_mm[0] + parameters[WIDTH])
        half_height = 0.5 * (self.size_mm[1] + parameters[HEIGHT])
        reach = np.array([half_height, half_width, half_height, half_width])[self.side]
        beyond_mm = np.sum(points_mm * outward, axis=1) - reach
        return np.asarray(beyond_mm * px_per_mm - parameters[SPREAD] - parameters[EDGES:][self.side])

    def constant_jacobian(self, px_per_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the columns of the inputs that enter the residuals linearly, those of `curved_jacobian` left zero."""
        jacobian = np.zeros((len(self.side), PARAMETERS))
        jacobian[:, SPREAD] = -1.0
        across_width = self.side % 2 == 1
        jacobian[across_width, WIDTH] = -0.5 * px_per_mm[across_width]
        jacobian[~across_width, HEIGHT] = -0.5 * px_per_mm[~across_width]
        jacobian[np.arange(len(self.side)), EDGES + self.side] = -1.0
        return jacobian

    def curved_jacobian(
        self, parameters: NDArray[np.float64], px_per_mm: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return derivatives of the residuals by pose, focal length and distortion, shape (N, 8).

        A ray n = (x, y, 1) meets the card's plane at (a, b) where M (a, b, 1) is parallel to n and M holds the first two
        columns of the rotation and the translation. With q = M^-1 n a change of M moves q by -M^-1 dM q.
        """
        width_mm, centre = self.size_mm[0], np.asarray(self.centre_px)
        rotation, turns = cv2.Rodrigues(parameters[:3])
        focal, k1 = math.exp(parameters[LOG_FOCAL]), float(parameters[K1])
        rays = (_undistort(self.points_px, focal, k1, self.centre_px) - centre) / focal
        back = np.linalg.inv(np.column_stack([rotation[:, 0], rotation[:, 1], parameters[3:6] * width_mm]))
        q = np.column_stack([rays, np.ones(len(rays))]) @ back.T
        moves = []
        for i in range(3):
            turn = np.asarray(turns)[i].reshape(3, 3)
            moves.append(-(q[:, :1] * turn[:, 0] + q[:, 1:2] * turn[:, 1]) @ back.T)
        moves += [-q[:, 2:] * width_mm * back[:, i] for i in range(3)]
        moves += [change @ back[:, :2].T for change in _moved_rays(rays, k1)]
        outward = _OUTWARD[self.side]
        place = np.sum(q[:, :2] * outward, axis=1) / q[:, 2]
        columns = [
            (np.sum(m[:, :2] * outward, axis=1) - place * m[:, 2]) / q[:, 2] * px_per_mm for m in moves
        ]
        return np.stack(columns, axis=1)

    def outward_scale(self, parameters: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return pixels per millimetre across the edge at every point."""
        homography, lens = unpack(parameters, self.size_mm[0], self.centre_px)
        plane = Plane(px_from_mm=homography, source="bank-card", lens=lens)
        points_mm, outward = plane.to_mm(self.points_px), _OUTWARD[self.side]
        nudge_px = plane.to_px(points_mm + 0.05 * outward) - plane.to_px(points_mm - 0.05 * outward)
        return np.asarray(np.linalg.norm(nudge_px, axis=1) / 0.1)

    def visible_walls_px(
        self, parameters: NDArray[np.float64], px_per_mm: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return the width of the card's four side faces as they show beyond the top edges, shape (4,).

        The card's frame has x right and y down seen from above, so its third axis points away from the camera, which
        stands at negative height. A point of the lower edge appears shifted towards the foot of the camera.
        """
        rotation, _ = cv2.Rodrigues(parameters[:3])
        eye = -rotation.T @ (parameters[3:6] * self.size_mm[0])
        height = abs(float(eye[2])) + 1e-9
        middle = _OUTWARD * np.array(self.size_mm) / 2
        away = np.sum((middle - eye[:2]) * _OUTWARD, axis=1)
        shown_mm = np.maximum(-away, 0.0) / height * self.thickness_mm / (1.0 + self.thickness_mm / height)
        return np.array([shown_mm[i] * float(np.mean(px_per_mm[self.side == i])) for i in range(4)])


def unpack(
    parameters: NDArray[np.float64], width_mm: float, centre_px: tuple[float, float]
) -> tuple[NDArray[np.float64], Lens]:
    """Return the mapping from card millimetres to undistorted pixels, and the lens."""
    rotation, _ = cv2.Rodrigues(parameters[:3])
    focal = math.exp(parameters[LOG_FOCAL])
    camera = np.array([[focal, 0, centre_px[0]], [0, focal, centre_px[1]], [0, 0, 1.0]])
    homography = camera @ np.column_stack([rotation[:, 0], rotation[:, 1], parameters[3:6] * width_mm])
    lens = Lens(focal_px=focal, centre_px=centre_px, k1=float(parameters[K1]))
    return homography / homography[2, 2], lens


def _undistort(
    points_px: NDArray[np.float64], focal_px: float, k1: float, centre_px: tuple[float, float]
) -> NDArray[np.float64]:
    """Take the radial term out; four rounds of the fixed point leave far below 0.001 px at the k1 of phones."""
    distorted = (points_px - np.asarray(centre_px)) / focal_px
    offset = distorted
    for _ in range(4):
        offset = distorted / (1.0 + k1 * np.sum(offset**2, axis=1, keepdims=True))
    return np.asarray(offset * focal_px + np.asarray(centre_px))


def _moved_rays(rays: NDArray[np.float64], k1: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return how undistorted rays of shape (N, 2) move with the focal length (logarithm) and with the distortion.

    A change of the distorted ray is turned into one of the ray itself (Sherman and Morrison).
    """
    radius = np.sum(rays**2, axis=1, keepdims=True)
    stretch = 1.0 + k1 * radius

    def undo_lens(change: NDArray[np.float64]) -> NDArray[np.float64]:
        inner = np.sum(rays * change, axis=1, keepdims=True)
        return np.asarray((change - 2 * k1 * rays * inner / (stretch + 2 * k1 * radius)) / stretch)

    return undo_lens(-rays * stretch), undo_lens(-rays * radius)
