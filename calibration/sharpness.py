"""How sharp a photo is at its card, whose edges are known to be steps; edges of cloth are not."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from .plane import Plane
from .ranks import median

__all__ = ["card_edge_width_px"]

_REACH_PX, _STEP_PX = 16.0, 0.25
_LEAST_STEP = 25.0  # grey levels between both sides of an edge
_MOST_MARKERS = 12


def card_edge_width_px(bgr: NDArray[np.uint8], plane: Plane) -> float | None:
    """Return the width of the card's edges from 10 to 90 %, in pixels.

    A step blurred by a Gaussian of standard deviation s rises from 10 to 90 % over 2.563 s, and its steepest slope is
    step / (s sqrt(2 pi)). Sides of markers are taken, or of the card itself.

    Returns
    -------
    float or None
        Median over the sides; None when no card was found, or its edges do not stand out.
    """
    if plane.marker_quads_px is not None:
        quads = plane.marker_quads_px[:: max(1, len(plane.marker_quads_px) // _MOST_MARKERS)]
    elif plane.source == "bank-card" and plane.card_outline_px is not None:
        quads = _sides_of(plane.card_outline_px)[None]
    else:
        return None
    widths = []
    for quad in quads:
        for start, end in zip(quad, np.roll(quad, -1, axis=0), strict=True):
            width = _width(bgr, start, end)
            if width is not None:
                widths.append(width)
    return float(median(widths)) if widths else None


def _sides_of(outline: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return four corners such that the straight sides of a rounded outline lie between them."""
    span = np.linalg.norm(np.roll(outline, -1, axis=0) - outline, axis=1)
    starts = np.sort(np.argsort(-span)[:4])
    lines = [(outline[k], outline[(k + 1) % len(outline)]) for k in starts]
    corners = []
    for (a, b), (c, d) in zip(lines, [lines[-1], *lines[:-1]], strict=True):
        u, v = b - a, d - c
        share = ((c - a)[0] * v[1] - (c - a)[1] * v[0]) / (u[0] * v[1] - u[1] * v[0])
        corners.append(a + share * u)
    return np.array(corners)


def _between(ranked: NDArray[np.float64], share: float) -> NDArray[np.float64]:
    """Value below which a share of each row of sorted values lies, by linear interpolation."""
    low, part = divmod(share * (ranked.shape[1] - 1), 1.0)
    return np.asarray(ranked[:, int(low)] * (1.0 - part) + ranked[:, int(low) + 1] * part)


def _width(bgr: NDArray[np.uint8], start: NDArray[np.float64], end: NDArray[np.float64]) -> float | None:
    """Return the width of one straight edge; None when it is too short, out of the photo, or faint."""
    length = float(np.linalg.norm(end - start))
    if length < 12.0:
        return None
    along = (end - start) / length
    normal = np.array([-along[1], along[0]])
    reach = min(_REACH_PX, 0.3 * length)
    places = start + np.linspace(0.3, 0.7, 24)[:, None] * (end - start)
    offsets = np.arange(-reach, reach + _STEP_PX / 2, _STEP_PX)
    # Each coordinate by itself: numpy is slow along a last axis of two.
    x, y = ((places[:, axis, None] + offsets * normal[axis]).astype(np.float32) for axis in (0, 1))
    height, width = bgr.shape[:2]
    left, top, right, bottom = float(x.min()), float(y.min()), float(x.max()), float(y.max())
    if min(left, top) < 0 or right > width - 1 or bottom > height - 1:
        return None
    across = slice(math.floor(left), math.ceil(right) + 2)
    down = slice(math.floor(top), math.ceil(bottom) + 2)
    part = cv2.cvtColor(bgr[down, across], cv2.COLOR_BGR2GRAY)
    x -= np.float32(across.start)
    y -= np.float32(down.start)
    taken = cv2.remap(part.astype(np.float32), x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    levels: NDArray[np.float64] = np.asarray(taken).astype(np.float64)
    # Each line by itself: an edge that is bent by the lens would be blurred by averaging the lines.
    slopes = np.abs(levels[:, 2:] - levels[:, :-2]) / (2 * _STEP_PX)
    ranked: NDArray[np.float64] = np.sort(levels, axis=1)
    steps = _between(ranked, 0.95) - _between(ranked, 0.05)
    steepest = slopes.max(axis=1)
    good = steps > _LEAST_STEP
    if np.count_nonzero(good) < 8:
        return None
    return float(median(2.563 * steps[good] / (steepest[good] * math.sqrt(2.0 * math.pi))))
