"""Texture channels: the cloth's surface with light, shadow and dye taken away as far as can be.

Each channel answers the same question, where threads begin and end, through another property of the picture, so that a
mistake of one (a stripe of dye, a shadow) is seldom the mistake of all.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Texture", "make_texture", "normalise_contrast"]

Float = NDArray[np.float32]

_CONTRAST_FLOOR = 0.15
"""Least local contrast as a share of the median contrast: below it, noise would be blown up to look like cloth."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Texture:
    """Channels of one straightened patch, each of zero local mean and unit local contrast, zero outside the cloth.

    Attributes
    ----------
    lightness : ndarray of float32, shape (M, N)
        Perceptual lightness: floats and shadows.
    gaps : ndarray of float32, shape (M, N)
        Dark lines: larger eigenvalue of the Hessian where positive.
    edges : ndarray of float32, shape (M, N)
        Strength of the colour gradient, blind to which side is lighter.
    mask : ndarray of bool, shape (M, N)
        Where there is cloth.
    """

    lightness: Float
    gaps: Float
    edges: Float
    mask: NDArray[np.bool_]

    def channels(self) -> tuple[Float, Float, Float]:
        """Return the three channels in a fixed order."""
        return self.lightness, self.gaps, self.edges


def make_texture(bgr: NDArray[np.uint8], mask: NDArray[np.bool_], *, sigma_px: float) -> Texture:
    """Compute the texture channels of a patch.

    Parameters
    ----------
    bgr : ndarray of uint8, shape (M, N, 3)
        Straightened patch.
    mask : ndarray of bool, shape (M, N)
        True where there is cloth.
    sigma_px : float
        Width of the Gaussian that estimates local brightness and contrast. Stripes and shading much wider than this
        disappear; it must exceed one repeat of the weave to keep the thread rhythm.
    """
    lightness = cv2.cvtColor(bgr, cv2.COLOR_BGR2LAB)[:, :, 0].astype(np.float32)
    smooth = cv2.GaussianBlur(lightness, (0, 0), 0.9)
    dxx = cv2.Sobel(smooth, cv2.CV_32F, 2, 0, ksize=3)
    dyy = cv2.Sobel(smooth, cv2.CV_32F, 0, 2, ksize=3)
    dxy = cv2.Sobel(smooth, cv2.CV_32F, 1, 1, ksize=3)
    half_trace = 0.5 * (dxx + dyy)
    gaps = np.maximum(half_trace + np.sqrt((0.5 * (dxx - dyy)) ** 2 + dxy**2), 0.0)
    lab = cv2.GaussianBlur(cv2.cvtColor(bgr, cv2.COLOR_BGR2LAB), (0, 0), 0.7).astype(np.float32)
    gx = cv2.Scharr(lab, cv2.CV_32F, 1, 0)
    gy = cv2.Scharr(lab, cv2.CV_32F, 0, 1)
    edges = np.sqrt(np.sum(gx * gx + gy * gy, axis=2))
    return Texture(
        lightness=normalise_contrast(lightness, mask, sigma_px),
        gaps=normalise_contrast(gaps, mask, sigma_px),
        edges=normalise_contrast(edges, mask, sigma_px),
        mask=mask,
    )


def normalise_contrast(channel: Float, mask: NDArray[np.bool_], sigma_px: float) -> Float:
    """Take away the local mean and divide by the local contrast, counting only pixels inside the mask."""
    weight = mask.astype(np.float32)
    norm = np.maximum(cv2.GaussianBlur(weight, (0, 0), sigma_px), 1e-3)
    mean = cv2.GaussianBlur(channel * weight, (0, 0), sigma_px) / norm
    centred = (channel - mean) * weight
    spread = np.sqrt(cv2.GaussianBlur(centred * centred, (0, 0), sigma_px) / norm)
    typical = float(np.median(spread[mask])) if mask.any() else 1.0
    return np.asarray(centred / np.maximum(spread, _CONTRAST_FLOOR * typical + 1e-6), dtype=np.float32)
