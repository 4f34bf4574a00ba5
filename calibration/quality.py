"""Is the photo good enough: light, sharpness and tilt, judged before any thread is looked at."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .errors import QualityError
from .notices import Notice
from .photo import Photo
from .plane import Plane
from .ranks import percentile

__all__ = ["PhotoLook", "check_photo", "edge_width_px", "look_at_photo", "plane_notices"]

_DARK_LEVEL = 24  # 8-bit sRGB; 1 % of full light, where phone noise is as large as thread contrast
_CLIPPED_LEVEL = 254
_TILT_ADVICE_DEG = (
    15.0  # the far side of a 150 mm sample at 300 mm then has 15 % fewer pixels than the near one
)
_BLUR_REFUSE_PX = 12.0
_BLUR_NOTICE_PX = 6.0
_MARKED_STEP = 30.0  # grey levels from which an edge counts


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoLook:
    """Light and sharpness of a photo as a whole.

    Attributes
    ----------
    notices : tuple of Notice
        Codes ``partly-overexposed``, ``soft-focus``.
    edge_width_px : float or None
        Width of the sharpest edges from 10 to 90 %; None when the picture holds no marked edge.
    clipped_share : float
        Share of the picture that is pure white.
    bright_level : int
        Grey level (8-bit sRGB) that the brightest hundredth of the picture exceeds.
    """

    notices: tuple[Notice, ...]
    edge_width_px: float | None
    clipped_share: float
    bright_level: int


def check_photo(photo: Photo) -> tuple[Notice, ...]:
    """Refuse hopeless photos, remark on poor ones: the notices of `look_at_photo`."""
    return look_at_photo(photo).notices


def look_at_photo(photo: Photo) -> PhotoLook:
    """Judge light and sharpness, and refuse hopeless photos.

    Parameters
    ----------
    photo : Photo
        Upright photo.

    Returns
    -------
    PhotoLook
        What was seen, with remarks on poor photos.

    Raises
    ------
    QualityError
        Codes ``too-dark``, ``overexposed``, ``no-contrast``, ``too-blurred``.
    """
    gray = np.asarray(cv2.cvtColor(photo.bgr, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
    quarter = np.ascontiguousarray(gray[::2, ::2])
    histogram = cv2.calcHist([quarter], [0], None, [256], [0, 256]).ravel()
    share = np.cumsum(histogram, dtype=np.float64) / histogram.sum()
    notices: list[Notice] = []
    if share[_DARK_LEVEL] > 0.98:
        raise QualityError(
            "too-dark",
            f"{photo.name} is too dark: nearly all of it is black.",
            "Take it by daylight or turn a lamp on; avoid the flash.",
        )
    clipped = 1.0 - share[_CLIPPED_LEVEL - 1]
    if clipped > 0.9:
        raise QualityError(
            "overexposed",
            f"{photo.name} is over-exposed: {100 * clipped:.0f} % of it is pure white.",
            "Tap on the cloth in the camera app before shooting, or turn the lamp away.",
        )
    low, high = (int(np.searchsorted(share, q)) for q in (0.001, 0.999))
    if high - low < 6:
        raise QualityError(
            "no-contrast", f"{photo.name} shows one even surface.", "Check that the lens is not covered."
        )
    if clipped > 0.1:
        notices.append(
            Notice(
                "partly-overexposed",
                f"{100 * clipped:.0f} % of the photo is pure white; threads there cannot be seen. "
                "Tap on the cloth in the camera app before shooting.",
            )
        )
    width = edge_width_px(gray)
    if width is not None and width > _BLUR_REFUSE_PX:
        raise QualityError(
            "too-blurred",
            f"{photo.name} is blurred: the sharpest edges are {width:.0f} pixels wide.",
            "Rest the phone on something, tap on the cloth to focus, and shoot again.",
        )
    if width is not None and width > _BLUR_NOTICE_PX:
        notices.append(
            Notice(
                "soft-focus",
                f"The sharpest edges are {width:.0f} pixels wide. Tap on the cloth to focus for finer threads.",
            )
        )
    return PhotoLook(
        notices=tuple(notices),
        edge_width_px=width,
        clipped_share=float(clipped),
        bright_level=int(np.searchsorted(share, 0.99)),
    )


def edge_width_px(picture: NDArray[np.uint8]) -> float | None:
    """Estimate the width of the sharpest edges from 10 to 90 %, in pixels.

    A step blurred by a Gaussian of standard deviation s rises from 10 to 90 % over 2.563 s and its steepest
    slope is step / (s sqrt(2 pi)). Step and slope are taken where the slope is greatest in each tile.

    Only of an edge that stands alone is this the width: where lines or threads lie closer together than they are blurred,
    no step rises fully, and the width looks smaller than it is (5.3 instead of 7.7 pixels for stripes of 8).

    Parameters
    ----------
    picture : ndarray of uint8, shape (M, N) or (M, N, 3)
        Grey or blue-green-red.

    Returns
    -------
    float or None
        None when the picture holds no marked edge.
    """
    if picture.ndim == 3:
        picture = np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
    height, width = picture.shape
    window = 33
    tile = max(64, max(height, width) // 16)
    widths = []
    for row, top in enumerate(range(0, height - tile + 1, tile)):
        # Every second tile, as the black squares of a chessboard lie, has edges enough.
        for left in range(tile * (row % 2), width - tile + 1, 2 * tile):
            part = picture[top : top + tile, left : left + tile]
            least, most, _, _ = cv2.minMaxLoc(part)
            if most - least <= _MARKED_STEP:
                continue
            steepest, x, y = _steepest(part)
            half = window // 2
            around = part[max(0, y - half) : y + half + 1, max(0, x - half) : x + half + 1]
            step = _step(around)
            if step > _MARKED_STEP and steepest > 0:
                widths.append(2.563 * step / (steepest * np.sqrt(2 * np.pi)))
    return float(percentile(widths, 10)) if widths else None


def _step(around: NDArray[np.uint8]) -> float:
    """Return the grey levels between the lightest and the darkest twentieth of some pixels."""
    places = [share * (around.size - 1) for share in (0.05, 0.95)]
    ranks = [int(place) for place in places]
    ranked = np.partition(around, [ranks[0], ranks[0] + 1, ranks[1], ranks[1] + 1], axis=None)
    low, high = (
        (float(ranked[rank + 1]) - float(ranked[rank])) * (place - rank) + float(ranked[rank])
        for place, rank in zip(places, ranks, strict=True)
    )
    return high - low


def _steepest(part: NDArray[np.uint8]) -> tuple[float, int, int]:
    """Return the greatest slope, in grey levels per pixel, and its place (x, y)."""
    dx, dy = cv2.spatialGradient(np.ascontiguousarray(part))
    # Whole numbers are quick. The larger of the two components is at least 0.707 of the slope, so few places are left.
    larger = np.maximum(np.abs(dx), np.abs(dy))
    places = np.flatnonzero(larger >= np.int16(0.7 * float(larger.max())))
    squared = dx.ravel()[places].astype(np.int32) ** 2 + dy.ravel()[places].astype(np.int32) ** 2
    best = int(np.argmax(squared))
    y, x = divmod(int(places[best]), part.shape[1])
    return float(np.sqrt(squared[best])) / 8.0, x, y


def plane_notices(plane: Plane) -> tuple[Notice, ...]:
    """Remark on the camera's stand, as far as a card shows it."""
    if plane.tilt_deg is not None and plane.tilt_deg > _TILT_ADVICE_DEG:
        text = (
            f"The phone was tilted by {plane.tilt_deg:.0f} degrees. It is corrected, but parts farther away are "
            "coarser and cloth standing up is misplaced. Hold the phone level above the cloth."
        )
        return (Notice("tilted", text),)
    return ()
