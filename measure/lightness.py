"""The lightness of cloth, as the network and the judge of contrast see it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["cloth_lightness"]


def cloth_lightness(bgr: NDArray[np.uint8] | NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the luma of a picture of cloth, shape (M, N), 0 to 255 in whole steps.

    Parameters
    ----------
    bgr : ndarray, shape (M, N, 3)
        8 bit, or floats on the same scale; values beyond it are taken for its ends, fractions are cut off.

    Notes
    -----
    Weights of ITU-R BT.601 (0.299 R + 0.587 G + 0.114 B), as OpenCV documents them for `cvtColor`.
    """
    eight_bit = bgr if bgr.dtype == np.uint8 else np.clip(bgr, 0, 255).astype(np.uint8)
    return np.asarray(cv2.cvtColor(eight_bit, cv2.COLOR_BGR2GRAY), dtype=np.float32)
