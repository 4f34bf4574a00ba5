"""What a mapping from the plane to the photo says of the camera: focal length, tilt, distance, the way the photo lies."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from .plane import apply_homography

__all__ = ["FULL_FRAME_DIAGONAL_MM", "align_with_photo", "focal_px_from_35mm", "tilt_and_distance"]

# Diagonal of 36 x 24 mm, to which the EXIF 35 mm equivalent refers (CIPA DC-008).
FULL_FRAME_DIAGONAL_MM = 43.267


def focal_px_from_35mm(focal_35mm: float, width_px: int, height_px: int) -> float:
    """Return the focal length in pixels from the 35 mm equivalent, by the picture's diagonal."""
    return focal_35mm / FULL_FRAME_DIAGONAL_MM * math.hypot(width_px, height_px)


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
