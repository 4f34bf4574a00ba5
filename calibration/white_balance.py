"""White balance from the neutral patches of a printed card, so that colours of different photos can be compared."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .photo import Photo
from .plane import Plane
from .ranks import median

__all__ = ["WhiteBalance", "find_white_balance"]

_CLIPPED_LEVEL, _DARK_LEVEL = 250, 20  # 8-bit sRGB; beyond, the ratio of the channels means nothing
_EVEN = 0.12  # scatter of a bare patch over its level, linear light; cloth and print over it have more
_FEWEST_PX = 30
_WHITE_OVER_GREY = (1.8, 9.0)  # paper over half-tone grey; printers make it 3 to 6 (common practice)
_CAST = (0.4, 2.5)  # candle light to blue shade, after the phone's own balance
_AGREE = 1.25  # by how much white and grey may differ in a channel: printed grey has a tint of its own

# Luminance of linear sRGB in the order blue, green, red (IEC 61966-2-1).
_LUMINANCE = np.array([0.0722, 0.7152, 0.2126])


@dataclass(frozen=True, slots=True, kw_only=True)
class WhiteBalance:
    """Gains that make the card's paper neutral and keep its luminance.

    Attributes
    ----------
    gains : tuple of float
        Factors of blue, green and red in linear light.
    """

    gains: tuple[float, float, float]

    def apply(self, bgr: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """Return a balanced copy of sRGB pixels, shape (..., 3), blue-green-red."""
        level = np.arange(256) / 255.0
        linear = np.where(level <= 0.04045, level / 12.92, ((level + 0.055) / 1.055) ** 2.4)
        light = np.clip(linear[:, None] * np.array(self.gains), 0.0, 1.0)
        coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
        table = np.rint(255.0 * coded).astype(np.uint8)
        flat = np.ascontiguousarray(bgr).reshape(-1, 1, 3)
        return np.asarray(cv2.LUT(flat, table[None]), dtype=np.uint8).reshape(bgr.shape)


def find_white_balance(photo: Photo, plane: Plane) -> WhiteBalance | None:
    """Measure the neutral patches of the card.

    Paper counts before the printed grey, whose ink may have a tint. Of several white patches (rail) the median is
    taken, so that a shadow over one does not matter.

    Returns
    -------
    WhiteBalance or None
        None without a printed card, and when its patches are covered, over-exposed, too dark or contradict each other.
    """
    from .printed_card import neutral_patches_px

    found = neutral_patches_px(plane, photo.bgr.shape)
    white = _median([_light(photo.bgr, quad) for quad in found.get("white", ())])
    grey = _median([_light(photo.bgr, quad) for quad in found.get("grey", ())])
    if white is not None and grey is not None:
        ratio = float(white @ _LUMINANCE / (grey @ _LUMINANCE))
        tint = (white / (white @ _LUMINANCE)) / (grey / (grey @ _LUMINANCE))
        if not _WHITE_OVER_GREY[0] < ratio < _WHITE_OVER_GREY[1] or max(tint.max(), 1 / tint.min()) > _AGREE:
            return None
    chosen = grey if white is None else white
    if chosen is None:
        return None
    gains = (chosen @ _LUMINANCE) / chosen
    if gains.min() < _CAST[0] or gains.max() > _CAST[1]:
        return None
    return WhiteBalance(gains=(float(gains[0]), float(gains[1]), float(gains[2])))


def _median(lights: list[NDArray[np.float64] | None]) -> NDArray[np.float64] | None:
    usable = [light for light in lights if light is not None]
    return np.asarray(median(usable, axis=0)) if usable else None


def _light(bgr: NDArray[np.uint8], quad: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """Return the linear light of a bare, well exposed patch, shape (3,); None for any other."""
    low = np.maximum(np.floor(quad.min(axis=0)).astype(int), 0)
    high = np.ceil(quad.max(axis=0)).astype(int) + 1
    part = bgr[low[1] : high[1], low[0] : high[0]]
    mask = np.zeros(part.shape[:2], dtype=np.uint8)
    cv2.fillConvexPoly(mask, np.rint(quad - low).astype(np.int32), 1)
    values = part[mask > 0]
    if len(values) < _FEWEST_PX:
        return None
    middle = median(values, axis=0)
    if middle.max() > _CLIPPED_LEVEL or middle.min() < _DARK_LEVEL:
        return None
    level = values.astype(np.float64) / 255.0
    linear = np.where(level <= 0.04045, level / 12.92, ((level + 0.055) / 1.055) ** 2.4)
    light = median(linear, axis=0)
    spread = 1.4826 * median(np.abs(linear - light), axis=0)
    return None if float((spread / light).max()) > _EVEN else light
