"""The cloth's own axes: u across the warp, v along it, straightened along the sample's centre line.

CONTRACT ONLY: `straighten` is still to be written.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["ClothFrame", "ClothPatch"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ClothFrame:
    """Where a point of the cloth lies in the plane of the card.

    The centre line runs along the warp. ``v_mm`` is the arc length along it, ``u_mm`` the signed distance at
    right angles to it. The pair (u, v) has the same handedness as the photo's (x right, y down): the cloth is never
    mirrored. For a band lying left to right, v grows towards the photo's right; otherwise v grows downwards.

    Attributes
    ----------
    v_mm : ndarray of shape (K,)
        Arc length of the nodes, increasing from 0. A straight sample needs K = 2.
    centre_mm : ndarray of shape (K, 2)
        Plane millimetres of the nodes.
    normal : ndarray of shape (K, 2)
        Unit vectors of +u at the nodes.
    """

    v_mm: NDArray[np.float64]
    centre_mm: NDArray[np.float64]
    normal: NDArray[np.float64]

    def to_plane(self, points_uv_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Map points of shape (..., 2) given as (u, v) in cloth millimetres to plane millimetres.

        Between nodes centre and normal are interpolated linearly; beyond the ends the line goes straight on.
        """
        u = np.asarray(points_uv_mm, dtype=np.float64)[..., 0]
        v = np.asarray(points_uv_mm, dtype=np.float64)[..., 1]
        last = len(self.v_mm) - 2
        k = np.clip(np.searchsorted(self.v_mm, v, side="right") - 1, 0, last)
        step = self.v_mm[k + 1] - self.v_mm[k]
        t = ((v - self.v_mm[k]) / step)[..., None]
        inside = np.clip(t, 0.0, 1.0)
        centre = (1.0 - t) * self.centre_mm[k] + t * self.centre_mm[k + 1]
        normal = (1.0 - inside) * self.normal[k] + inside * self.normal[k + 1]
        return centre + u[..., None] * normal


@dataclass(frozen=True, slots=True, kw_only=True)
class ClothPatch:
    """The cloth straightened once from the photo: ends run down the rows, picks across.

    Attributes
    ----------
    bgr : ndarray of uint8, shape (M, N, 3)
        Pixels; column j lies at ``u_mm = u0_mm + j / px_per_mm``, row i at ``v_mm = v0_mm + i / px_per_mm``.
    mask : ndarray of bool, shape (M, N)
        True where there is cloth (inside the outline, not under the card).
    px_per_mm : float
        Sampling of the patch, same in both directions.
    u0_mm, v0_mm : float
        Cloth coordinates of the centre of pixel (0, 0).
    frame : ClothFrame
        The way back to the plane of the card.
    """

    bgr: NDArray[np.uint8]
    mask: NDArray[np.bool_]
    px_per_mm: float
    u0_mm: float
    v0_mm: float
    frame: ClothFrame
