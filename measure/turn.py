"""How far a picture that is all cloth lies turned: the two directions at right angles in which its spectrum stands out.

Beside an outlined sample the selvedges tell; in a scan or a close-up only the threads themselves do. Each of two crossing sets of
threads puts its frequencies on one ray of the power spectrum (projection-slice theorem, R. N. Bracewell, "Strip integration in
radio astronomy", Aust. J. Phys. 9, 1956), so the pair of rays at right angles that stands out most gives the turn.
Diagonals of a balanced plain weave stand out as well: more than one turn is returned, and the threads decide.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from .texture import make_texture

__all__ = ["likely_turns_deg"]

Floats = NDArray[np.float64]

_WINDOW_PX = 256
_WINDOWS = 4  # along each side, at most
_BACKGROUND_PX = 12.0
_COARSEST_PX, _FINEST_PX = 48.0, 2.2
_PEAKS = 6  # samples of a ray that make its height: a fundamental, its harmonics, their widths
_APART_DEG = 8
_RIVAL = 0.8  # share of the best from which another turn deserves a look


def likely_turns_deg(bgr: NDArray[np.uint8], mask: NDArray[np.bool_], count: int = 2) -> tuple[float, ...]:
    """Return turns of the cloth against the picture, likeliest first, whole degrees from -45 to 44.

    Parameters
    ----------
    bgr : ndarray of uint8, shape (M, N, 3)
        Picture that is all cloth.
    mask : ndarray of bool, shape (M, N)
        True where there is cloth.
    count : int
        How many turns at most.

    Returns
    -------
    tuple of float
        A positive turn leans the upright threads to the left at their top: x turns towards y.
    """
    heights = _ray_heights(_mean_power(bgr, mask))
    turns = np.arange(-45, 45)
    first, second = heights[turns % 180], heights[(turns + 90) % 180]
    pairs = (np.minimum(first, second) + (first + second) / 2) / 2
    found: list[float] = []
    best = float(pairs.max())
    left = pairs.copy()
    while len(found) < count and float(left.max()) > max(_RIVAL * best, 0.0):
        at = int(np.argmax(left))
        found.append(float(turns[at]))
        left[np.arange(at - _APART_DEG, at + _APART_DEG + 1) % 90] = -np.inf
    return tuple(found)


def _mean_power(bgr: NDArray[np.uint8], mask: NDArray[np.bool_]) -> Floats:
    """Power spectrum of the texture, averaged over windows that cloth fills, zero frequency in the middle."""
    rows, columns = mask.shape
    side = min(_WINDOW_PX, rows, columns)
    taper = np.hanning(side + 2)[1:-1].astype(np.float32)
    window = np.outer(taper, taper)
    total = np.zeros((side, side))
    for top in _places(rows, side):
        for left in _places(columns, side):
            if mask[top : top + side, left : left + side].mean() > 0.5:
                light = _light(bgr, mask, (top, left), side)
                total += np.abs(np.fft.fft2(light * window)) ** 2
    return np.fft.fftshift(total)


def _light(
    bgr: NDArray[np.uint8], mask: NDArray[np.bool_], corner: tuple[int, int], side: int
) -> NDArray[np.float32]:
    """Texture of one window; worked out with what lies around it, for the texture of a whole picture may fill the memory."""
    beside = round(4 * _BACKGROUND_PX)
    low = [max(0, place - beside) for place in corner]
    part = tuple(slice(start, place + side + beside) for start, place in zip(low, corner, strict=True))
    texture = make_texture(
        np.ascontiguousarray(bgr[part]), np.ascontiguousarray(mask[part]), sigma_px=_BACKGROUND_PX
    )
    top, left = (place - start for start, place in zip(low, corner, strict=True))
    return texture.lightness[top : top + side, left : left + side]


def _places(size: int, side: int) -> NDArray[np.int_]:
    count = int(np.clip(np.ceil(2 * size / side) - 1, 1, _WINDOWS))
    return np.linspace(0, size - side, count).astype(int)


def _ray_heights(power: Floats) -> Floats:
    """How far the peaks on each ray from 0 to 179 degrees stand above the usual at their distance (logarithm)."""
    side = len(power)
    log = cv2.GaussianBlur(np.log(power + 1e-4 * power.mean() + 1e-12), (0, 0), 0.8).astype(np.float32)
    radius = np.arange(max(3.0, side / _COARSEST_PX), side / _FINEST_PX)
    angle = np.deg2rad(np.arange(180.0))
    x = (side // 2 + radius[:, None] * np.cos(angle)).astype(np.float32)
    y = (side // 2 + radius[:, None] * np.sin(angle)).astype(np.float32)
    polar = cv2.remap(log, x, y, cv2.INTER_LINEAR)
    above = np.maximum(polar - np.median(polar, axis=1, keepdims=True), 0)
    heights = np.sort(above, axis=0)[-_PEAKS:].mean(axis=0)
    around = np.concatenate([heights[-1:], heights, heights[:1]])
    return np.asarray((around[:-2] + around[1:-1] + around[2:]) / 3, dtype=np.float64)
