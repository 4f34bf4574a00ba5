"""CIE L*a*b* of the pixels of a photo, as `cv2.cvtColor` gives it, without the table it makes first.

OpenCV works out a table of 33 x 33 x 33 colours in emulated floating point before its first conversion, which takes longer
than decoding a photo of 12 megapixels. Looked up step by step the same numbers take no longer than its own conversion.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["lab_of_codes", "lab_of_floats"]

# From linear sRGB light (IEC 61966-2-1) to CIE XYZ over the white D65, and from there to L*a*b* (CIE 15:2004), with the figures
# of OpenCV's documentation of its colour conversions. Columns stand for blue, green, red.
_WHITE = np.array([0.950456, 1.0, 1.088754])
_TO_XYZ = (
    np.array([[0.180423, 0.357580, 0.412453], [0.072169, 0.715160, 0.212671], [0.950227, 0.119193, 0.019334]])
    / _WHITE[:, None]
)
_TO_LAB = np.array([[0.0, 116.0, 0.0, -16.0], [500.0, -500.0, 0.0, 0.0], [0.0, 200.0, -200.0, 0.0]])
_LINEAR_BELOW = 0.008856
_CODES = 1 << 16

# OpenCV's conversion of eight bits in whole numbers, followed so that both give the same codes: light in 1/2040 of the white,
# factors in 1/4096, cube roots in 1/32768, and 255 codes for 100 units of L*.
_LIGHT, _FACTOR, _ROOT = 2040, 4096, 32768
_CODES_OF_L, _ZERO_OF_AB = 296, 128


def lab_of_codes(bgr: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Convert eight bits a channel to eight bits a channel: L* times 2.55, a* and b* plus 128.

    Parameters
    ----------
    bgr : ndarray of uint8, shape (M, N, 3)
    """
    light, root = _tables_of_codes()
    # Floats hold these whole numbers exactly; a half is added and fractions are cut off, as OpenCV rounds there.
    to_xyz = np.column_stack([np.round(_TO_XYZ * _FACTOR), np.full(3, 0.5 * _FACTOR)]) / _FACTOR
    xyz = np.asarray(cv2.transform(cv2.LUT(bgr, light), to_xyz)).astype(np.uint16)
    half = 0.5 * _ROOT
    to_lab = np.array(
        [
            [0.0, _CODES_OF_L, 0.0, half - (16 * 255 * _ROOT + 50) // 100],
            [500.0, -500.0, 0.0, half + _ZERO_OF_AB * _ROOT],
            [0.0, 200.0, -200.0, half + _ZERO_OF_AB * _ROOT],
        ]
    )
    return np.asarray(cv2.transform(_looked_up(xyz, root), to_lab / _ROOT)).astype(np.uint8)


def lab_of_floats(bgr: NDArray[np.float32]) -> NDArray[np.float32]:
    """Convert floats from 0 to 1 to L* from 0 to 100, a* and b*; what lies beyond 0 or 1 is taken for it.

    Parameters
    ----------
    bgr : ndarray of float32, shape (M, N, 3)
    """
    light, root = _tables_of_floats()
    codes = np.clip(bgr * np.float32(_CODES - 1) + np.float32(0.5), 0, _CODES - 1).astype(np.uint16)
    xyz = cv2.transform(_looked_up(codes, light), _TO_XYZ)
    return np.asarray(cv2.transform(_looked_up(xyz, root), _TO_LAB), dtype=np.float32)


def _looked_up(codes: NDArray[Any], table: NDArray[Any]) -> NDArray[Any]:
    """Replace codes of sixteen bits by entries of a table of shape (1, 65536)."""
    return np.asarray(cv2.LUT(codes, table) if _looks_up_sixteen_bits() else table[0].take(codes))


@cache
def _looks_up_sixteen_bits() -> bool:
    """Tell whether this version of OpenCV looks up more than eight bits."""
    try:
        cv2.LUT(np.zeros((1, 1), np.uint16), np.zeros((1, _CODES), np.uint16))
    except cv2.error:
        return False
    return True


def _light(code: NDArray[np.float64]) -> NDArray[np.float64]:
    """Linear light of a code, both from 0 to 1."""
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)


def _root(share: NDArray[np.float64]) -> NDArray[np.float64]:
    """Cube root of a share of the white, straight near black."""
    return np.where(share < _LINEAR_BELOW, 7.787 * share + 16.0 / 116.0, np.cbrt(share))


@cache
def _tables_of_codes() -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    light = np.round(_LIGHT * _light(np.arange(256) / 255.0)).astype(np.float32)
    root = np.round(_ROOT * _root(np.arange(_LIGHT + 64) / _LIGHT)).astype(np.float32)
    table = np.full(_CODES, root[-1])
    table[: len(root)] = root
    return light[None], table[None]


@cache
def _tables_of_floats() -> tuple[NDArray[np.uint16], NDArray[np.float32]]:
    steps = np.arange(_CODES) / (_CODES - 1)
    light = np.round((_CODES - 1) * _light(steps)).astype(np.uint16)
    return light[None], _root(steps).astype(np.float32)[None]
