"""Texture channels: the cloth's surface with light, shadow and dye taken away as far as can be.

Each channel answers the same question, where threads begin and end, through another property of the picture, so that a
mistake of one (a stripe of dye, a shadow) is seldom the mistake of all.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ..calibration.ranks import median

__all__ = ["LocalMean", "Texture", "make_texture", "normalise_contrast"]

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
    lab = cv2.cvtColor(bgr, cv2.COLOR_BGR2LAB)
    lightness = cv2.extractChannel(lab, 0).astype(np.float32)
    local = LocalMean(mask, sigma_px)
    return Texture(
        lightness=local.normalise(lightness),
        gaps=local.normalise(_gaps(lightness)),
        edges=local.normalise(_edges(lab)),
        mask=mask,
    )


def _gaps(lightness: Float) -> Float:
    """Larger eigenvalue of the Hessian where positive."""
    smooth = cv2.GaussianBlur(lightness, (0, 0), 0.9)
    dxx = cv2.Sobel(smooth, cv2.CV_32F, 2, 0, ksize=3)
    dyy = cv2.Sobel(smooth, cv2.CV_32F, 0, 2, ksize=3)
    dxy = cv2.Sobel(smooth, cv2.CV_32F, 1, 1, ksize=3)
    half_trace = cv2.addWeighted(dxx, 0.5, dyy, 0.5, 0.0)
    half_difference = cv2.addWeighted(dxx, 0.5, dyy, -0.5, 0.0)
    # Not cv2.magnitude: its last digit depends on where in memory the picture lies.
    squares = cv2.add(cv2.multiply(half_difference, half_difference), cv2.multiply(dxy, dxy))
    larger = cv2.add(half_trace, cv2.sqrt(squares))
    return np.asarray(np.maximum(larger, np.float32(0), out=larger), dtype=np.float32)


def _edges(lab: NDArray[Any]) -> Float:
    """Length of the gradient of the three colour channels together."""
    smooth = cv2.GaussianBlur(lab, (0, 0), 0.7)
    steps = [cv2.Scharr(smooth, cv2.CV_32F, *order) for order in ((1, 0), (0, 1))]
    squares = cv2.add(cv2.multiply(steps[0], steps[0]), cv2.multiply(steps[1], steps[1]))
    return np.asarray(cv2.sqrt(cv2.transform(squares, np.ones((1, 3), np.float32))), dtype=np.float32)


def normalise_contrast(channel: Float, mask: NDArray[np.bool_], sigma_px: float) -> Float:
    """Take away the local mean and divide by the local contrast, counting only pixels inside the mask."""
    return LocalMean(mask, sigma_px).normalise(channel)


class LocalMean:
    """Local mean and contrast inside a mask; what depends on the mask alone is worked out once for all channels.

    Wide Gaussian means hold no fine detail, so they are worked out on a picture averaged over blocks.
    """

    def __init__(self, mask: NDArray[np.bool_], sigma_px: float) -> None:
        self._mask = mask
        self._block = 4 if sigma_px >= 8 else 2 if sigma_px >= 4 else 1
        self._sigma = sigma_px / self._block
        self._size = (mask.shape[1], mask.shape[0])
        self._weight: Float | None = None
        self._share: Float | None = None
        if not mask.all():
            self._weight = mask.astype(np.float32)
            self._share = np.maximum(self._blur(self._weight), np.float32(1e-3))

    def _blur(self, plane: Float) -> Float:
        """Gaussian mean, one pixel for each block."""
        block = self._block
        small = tuple(max(1, side // block) for side in self._size)
        reduced = plane
        if block > 1:
            # Whole blocks are averaged many times faster than fractions; a rest at the far sides changes no wide mean.
            whole = plane[: small[1] * block, : small[0] * block]
            reduced = np.asarray(cv2.resize(whole, small, interpolation=cv2.INTER_AREA), dtype=np.float32)
        return np.asarray(cv2.GaussianBlur(reduced, (0, 0), self._sigma), dtype=np.float32)

    def mean(self, plane: Float) -> Float:
        """Local mean of a plane that is zero outside the mask, one pixel for each block."""
        mean = self._blur(plane)
        return mean if self._share is None else np.asarray(cv2.divide(mean, self._share), dtype=np.float32)

    def spread_out(self, small: Float) -> Float:
        """Go back from one pixel for each block to the whole picture."""
        if self._block == 1:
            return small
        return np.asarray(cv2.resize(small, self._size, interpolation=cv2.INTER_LINEAR), dtype=np.float32)

    def normalise(self, channel: Float) -> Float:
        """Take away the local mean and divide by the local contrast."""
        if self._weight is None:
            centred = cv2.subtract(channel, self.spread_out(self.mean(channel)))
        else:
            inside = np.asarray(cv2.multiply(channel, self._weight), dtype=np.float32)
            centred = cv2.multiply(cv2.subtract(channel, self.spread_out(self.mean(inside))), self._weight)
        square = np.asarray(cv2.multiply(centred, centred), dtype=np.float32)
        spread = np.asarray(cv2.sqrt(self.mean(square)), dtype=np.float32)
        # The contrast changes slowly: every fourth place shows its median.
        step = max(1, 4 // self._block)
        inner = cv2.resize(
            self._mask.view(np.uint8), (spread.shape[1], spread.shape[0]), interpolation=cv2.INTER_NEAREST
        )
        sparse = spread[::step, ::step][inner[::step, ::step] > 0]
        typical = float(median(sparse)) if sparse.size else 1.0
        floor = _CONTRAST_FLOOR * typical + 1e-6
        return np.asarray(
            cv2.divide(centred, self.spread_out(np.maximum(spread, np.float32(floor)))), dtype=np.float32
        )
