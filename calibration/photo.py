"""Reading a photo: every common format, upright, eight bits, three channels, with the tags that matter.

CONTRACT ONLY: `load_photo` is still to be written.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Photo"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Photo:
    """An upright photo.

    Attributes
    ----------
    bgr : ndarray of uint8, shape (M, N, 3)
        Pixels, blue-green-red as OpenCV keeps them, EXIF rotation already applied.
    name : str
        File name without its folder.
    camera : str or None
        Maker and model from the EXIF tags.
    focal_length_mm, focal_length_35mm : float or None
        EXIF focal length and its 35 mm equivalent.
    dpi : float or None
        Resolution tag of the file (None when absent or unequal in x and y).
    """

    bgr: NDArray[np.uint8]
    name: str
    camera: str | None = None
    focal_length_mm: float | None = None
    focal_length_35mm: float | None = None
    dpi: float | None = None
