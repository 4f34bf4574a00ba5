"""The colours of yarns from cells of cloth: away from shadow, told apart as a weaver would."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["lab_to_srgb", "linear_light", "merge_alike", "shaded_by_neighbours", "typical_colour"]

_SAME_YARN = (
    8.0  # CIEDE2000; dyed lots of one colour lie within about 3, colours a weaver would tell apart above 10
)

Array = NDArray[np.float64]


def linear_light(lab: NDArray[np.floating]) -> Array:
    """Return linear red, green and blue, at least 0, of CIELAB, both of shape (..., 3)."""
    import cv2

    flat = np.ascontiguousarray(lab, dtype=np.float32).reshape(1, -1, 3)
    linear = np.clip(cv2.cvtColor(flat, cv2.COLOR_LAB2LRGB), 0.0, None)
    return linear.reshape(lab.shape).astype(np.float64)


def typical_colour(
    lab: NDArray[np.float32], seen: NDArray[np.bool_], here: NDArray[np.bool_], ends: NDArray[np.bool_]
) -> Array:
    """Return the median of the lighter half of a colour's cells on its own ends: the yarn away from shadow.

    Parameters
    ----------
    lab : ndarray of shape (R, E, 3)
        CIELAB on the middle line of every end.
    seen, here : ndarray of bool, shape (R, E)
        Cells on cloth, and those of the colour.
    ends : ndarray of bool, shape (E,)
        Ends that have the colour.
    """
    chosen = lab[here & seen & ends[None, :]]
    if len(chosen) == 0:
        chosen = lab[seen & ends[None, :]] if (seen & ends[None, :]).any() else lab[:, ends].reshape(-1, 3)
    lit = chosen[chosen[:, 0] >= np.median(chosen[:, 0])]
    middle: Array = np.median(lit, axis=0).astype(np.float64)
    return middle


def shaded_by_neighbours(colours: NDArray[np.intp], palette: Array) -> NDArray[np.bool_]:
    """Return which ends have the colour that the deep shadow of a lighter neighbour would have, shape (E,).

    `colours` of shape (E,) are indices into `palette`, CIELAB of shape (K, 3).
    """
    hue = np.arctan2(palette[:, 2], palette[:, 1])
    chroma = np.hypot(palette[:, 1], palette[:, 2])
    apart = np.abs(np.angle(np.exp(1j * (hue[:, None] - hue[None]))))
    alike = (apart < np.radians(35.0)) | (chroma[:, None] < 6.0)
    darker = palette[:, None, 0] < 0.6 * palette[None, :, 0]
    shade = darker & alike & (chroma[None] > 12.0)
    found = np.zeros(len(colours), dtype=bool)
    for step in (-2, -1, 1, 2):
        beside = np.clip(np.arange(len(colours)) + step, 0, len(colours) - 1)
        found |= shade[colours, colours[beside]]
    return found


def merge_alike(used: list[int], palette: Array) -> tuple[dict[int, int], Array]:
    """Join palette colours that no weaver would tell apart; return group -> palette index and the palette."""
    from skimage.color import deltaE_ciede2000

    index: dict[int, int] = {}
    kept: list[Array] = []
    for k, colour in zip(used, palette, strict=True):
        distance = [float(deltaE_ciede2000(colour, other)) for other in kept]  # type: ignore[no-untyped-call,unused-ignore]
        if distance and min(distance) < _SAME_YARN:
            index[k] = int(np.argmin(distance))
        else:
            index[k] = len(kept)
            kept.append(colour)
    return index, np.stack(kept)


def lab_to_srgb(lab: Array) -> NDArray[np.uint8]:
    """Return red, green and blue as shown, of CIELAB, both of shape (K, 3)."""
    import cv2

    bgr = cv2.cvtColor(lab[None].astype(np.float32), cv2.COLOR_LAB2BGR)[0]
    rgb: NDArray[np.uint8] = np.clip(np.round(bgr[:, ::-1] * 255.0), 0, 255).astype(np.uint8)
    return rgb
