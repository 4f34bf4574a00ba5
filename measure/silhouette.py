"""Where cloth lies on the table: a coarse picture of a few hundred cells, a model of the table, one region.

Cloth differs from a table in three ways that are looked at together: it is rough in two directions (wood grain and
fringe are rough in one, a plain table in none), it differs in colour, and it is brighter or darker. A shadow is
darker too, so darkness alone counts for little.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ..calibration.ranks import median
from ..calibration.reduce import block_means

__all__ = [
    "CELLS_ALONG",
    "NOISE_ENERGY",
    "CellPicture",
    "Region",
    "linear_light",
    "look_at_cells",
    "regions",
    "table_distance",
]

FloatImage = NDArray[np.float32]
Mask = NDArray[np.bool_]

CELLS_ALONG = 320  # a sample that fills a sixth of the photo is still some fifty cells wide
MID_PX = 1500  # threads finer than about two pixels of this picture cannot be measured anyway
NOISE_ENERGY = 0.5  # grey levels squared; what JPEG and a quiet sensor leave in the gradient of a bare table
ROWS_AT_ONCE = 12  # of cells: what is worked out of them stays in the processor's cache
SMOOTH_CELLS = 1.2
FIT_STRIDE = 3
TABLE_LIMIT = 6.0  # standard deviations of the table, all cues together
MIN_AREA_CELLS = 60

_code = np.arange(256) / 255.0
# sRGB transfer function, IEC 61966-2-1.
_LINEAR = np.where(_code <= 0.04045, _code / 12.92, ((_code + 0.055) / 1.055) ** 2.4).astype(np.float32)


def linear_light(image: NDArray[np.uint8]) -> FloatImage:
    """Return the linear light (0..1) of an sRGB picture of any shape."""
    return _LINEAR[image]


@dataclass(frozen=True, slots=True, kw_only=True)
class CellPicture:
    """The photo in coarse cells, shape (M, N) each.

    Attributes
    ----------
    cell_px : float
        Side of a cell in photo pixels.
    brightness : ndarray
        Natural logarithm of the light.
    red, blue : ndarray
        Share of red and of blue in the light: shading leaves them alone.
    rough : ndarray
        Logarithm of the grey-level gradient energy in the direction where it is smallest.
    rough_along : ndarray
        The same in the direction where it is largest.
    """

    cell_px: float
    brightness: FloatImage
    red: FloatImage
    blue: FloatImage
    rough: FloatImage
    rough_along: FloatImage


@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """A part of the photo that is not table.

    Attributes
    ----------
    mask : ndarray of bool, shape (M, N)
        Cells of the region.
    score : float
        Area in cells weighted by how rough in two directions the cells are.
    roughness : float
        Median of `CellPicture.rough` above that of the table.
    """

    mask: Mask
    score: float
    roughness: float


def _blur(image: NDArray[Any], sigma: float) -> FloatImage:
    return np.asarray(cv2.GaussianBlur(image, (0, 0), sigma, borderType=cv2.BORDER_REFLECT), dtype=np.float32)


def look_at_cells(bgr: NDArray[np.uint8]) -> CellPicture:
    """Reduce a photo to cells of colour and roughness.

    Roughness is the smaller eigenvalue of the gradient structure tensor (Bigun and Granlund 1987): zero for any
    pattern that runs in one direction only. Its logarithm is averaged, so that sparse marks (the crossings of a
    printed grid, speckles in stone) count for little while cloth, rough everywhere, keeps its value.
    """
    height, width = bgr.shape[:2]
    cell = max(1.0, max(height, width) / CELLS_ALONG)
    size = (max(8, round(width / cell)), max(8, round(height / cell)))
    mid = block_means(bgr, max(1, max(height, width) // MID_PX))
    products = _gradient_products(np.asarray(cv2.cvtColor(mid, cv2.COLOR_BGR2GRAY), dtype=np.uint8), size)
    xx, yy, xy = cv2.split(_blur(products, 0.7))
    mean = (xx + yy) / 2
    spread = np.sqrt(((xx - yy) / 2) ** 2 + xy**2)
    rough = _blur(np.log(np.maximum(mean - spread, 0) + NOISE_ENERGY), SMOOTH_CELLS)
    light = linear_light(cv2.resize(mid, size, interpolation=cv2.INTER_AREA).astype(np.uint8, copy=False))
    total = light.sum(axis=2) + np.float32(0.01)  # keeps the shares of near-black pixels from jumping
    return CellPicture(
        cell_px=width / size[0],
        brightness=np.log(_blur(total, 0.7)),
        red=_blur(light[:, :, 2] / total, 0.7),
        blue=_blur(light[:, :, 0] / total, 0.7),
        rough=np.asarray(cv2.medianBlur(rough, 5), dtype=np.float32),
        rough_along=_blur(np.log(mean + spread + NOISE_ENERGY), SMOOTH_CELLS),
    )


def _gradient_products(gray: NDArray[np.uint8], size: tuple[int, int]) -> FloatImage:
    """Mean over every cell of gx², gy² and gx gy; `size` is columns and rows of cells, the result (rows, columns, 3).

    Some rows of cells at a time: the products of a whole photo would be most of the memory that it takes.
    """
    rows, each = size[1], len(gray) / size[1]
    reduced = np.empty((rows, gray.shape[1], 3), np.float32)
    for first in range(0, rows, ROWS_AT_ONCE):
        bounds = np.arange(first, min(first + ROWS_AT_ONCE, rows) + 1) * each
        low, high = int(bounds[0]), min(len(gray), int(np.ceil(bounds[-1])))
        above = min(low, 1)  # the gradient needs a row on either side
        strip = gray[low - above : high + 1]
        gx, gy = (
            cv2.Sobel(strip, cv2.CV_32F, *order, ksize=3, scale=1 / 8)[above : above + high - low]
            for order in ((1, 0), (0, 1))
        )
        row = np.arange(low, high)
        # Share of every row in every cell, whole pixels and parts of them.
        share = np.minimum(bounds[1:, None], row + 1) - np.maximum(bounds[:-1, None], row)
        mean = (np.maximum(share, 0.0) / each).astype(np.float32)
        for channel, product in enumerate((cv2.multiply(gx, gx), cv2.multiply(gy, gy), cv2.multiply(gx, gy))):
            reduced[first : first + len(mean), :, channel] = mean @ np.asarray(product, dtype=np.float32)
    return np.asarray(cv2.resize(reduced, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def _surface_terms(shape: tuple[int, int]) -> NDArray[np.float64]:
    y, x = np.mgrid[: shape[0], : shape[1]]
    x = 2.0 * x / shape[1] - 1.0
    y = 2.0 * y / shape[0] - 1.0
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)


def _spread(values: NDArray[np.float64]) -> float:
    """Return a robust standard deviation (1.4826 times the median absolute deviation)."""
    return 1.4826 * float(median(np.abs(values - median(values))))


def table_distance(cells: CellPicture, known: Mask, reach: Mask) -> tuple[FloatImage, FloatImage, float]:
    """Tell how little every cell looks like the table.

    The table is what lies along the border of the reach; light falls off across it, so brightness and colour are
    smooth surfaces of second degree, fitted by leaving out, in turn, what does not fit.

    Parameters
    ----------
    cells : CellPicture
        The photo in cells.
    known : ndarray of bool
        False where the card lies: neither table nor cloth.
    reach : ndarray of bool
        Where the sample may lie: the whole photo, or the empty middle of a page card.

    Returns
    -------
    distance : ndarray
        Distance from the table in its own standard deviations, all cues together.
    rough_excess : ndarray
        Roughness above the table's (natural logarithm of energy).
    table_rough : float
        Roughness of the table itself.
    """
    shape = cells.rough.shape
    rim = max(3, round(0.06 * np.sqrt(np.count_nonzero(reach) / reach.size) * min(shape)))
    inner = cv2.erode(
        reach.astype(np.uint8),
        np.ones((2 * rim + 1, 2 * rim + 1), np.uint8),
        borderType=cv2.BORDER_CONSTANT,
        borderValue=0,
    )
    border = known & reach & (inner == 0)
    # Cloth may leave the photo: begin with the smoother half of the border and let the fit grow.
    start = border & (cells.rough <= median(cells.rough[border]))
    picked = slice(None, None, FIT_STRIDE)  # the surfaces are smooth: a part of the cells fixes them
    terms = _surface_terms(shape)
    fit_terms = terms[picked, picked].reshape(-1, terms.shape[-1])
    usable = known[picked, picked].ravel()
    inlier = start[picked, picked].ravel()
    enough = 0.5 * np.count_nonzero(inlier)
    layers = ((cells.brightness, 0.05), (cells.red, 0.006), (cells.blue, 0.006))
    values = [image[picked, picked].ravel().astype(np.float64) for image, _ in layers]
    rough = cells.rough[picked, picked].ravel().astype(np.float64)
    for _ in range(5):
        fits = []
        ok = usable.copy()
        for value, (_, floor) in zip(values, layers, strict=True):
            chosen = fit_terms[inlier]
            normal = chosen.T @ chosen + 1e-6 * np.eye(terms.shape[-1])
            weights = np.linalg.solve(normal, chosen.T @ value[inlier])
            residual = value - fit_terms @ weights
            sigma = max(_spread(residual[inlier]), floor)
            fits.append((weights, sigma))
            ok &= np.abs(residual) < 3.5 * sigma
        level = float(median(rough[inlier]))
        rough_sigma = max(_spread(rough[inlier]), 0.25)
        ok &= rough - level < 4.0 * rough_sigma
        inlier = ok if np.count_nonzero(ok) >= enough else inlier
    light, red, blue = (
        (image - terms @ weights) / sigma for (image, _), (weights, sigma) in zip(layers, fits, strict=True)
    )
    excess = (cells.rough - level).astype(np.float32)
    # A shadow is darker and nothing else, and where most of the table lies in one, the lit rest is brighter:
    # darkness counts a fifth, and neither ever marks a cell as cloth by itself.
    lightness = np.where(light < 0, np.minimum(-light / 5, 3.0), np.minimum(light, 4.0))
    squared = np.maximum(excess / rough_sigma, 0) ** 2 + red**2 + blue**2 + lightness**2
    distance = np.sqrt(squared).astype(np.float32)
    distance[~known] = 0
    return distance, excess, level


def _fill_holes(mask: Mask) -> Mask:
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    filled = np.zeros(mask.shape, dtype=np.uint8)
    cv2.drawContours(filled, contours, -1, 1, thickness=cv2.FILLED)
    return filled > 0


def regions(distance: FloatImage, rough_excess: FloatImage, known: Mask, wanted: Mask) -> list[Region]:
    """Return the parts of the photo that are not table, the most cloth-like first.

    Parts on both sides of a card that lies on the cloth are joined; the card itself is then part of the region.
    Only `wanted` cells are looked at.
    """
    raw = ((distance > TABLE_LIMIT) & wanted).astype(np.uint8)
    # Grid lines and grain are thin; where the table is full of them the opening must be wider than they are.
    border = raw[known & _border_band(raw.shape)]
    side = 3 if border.size and float(np.mean(border)) < 0.03 else 5
    opened = cv2.morphologyEx(raw, cv2.MORPH_OPEN, cv2.getStructuringElement(cv2.MORPH_RECT, (side, side)))
    closed = cv2.morphologyEx(opened, cv2.MORPH_CLOSE, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5)))
    filled = _bridge_card(_fill_holes(closed > 0), known)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(filled.astype(np.uint8), connectivity=4)
    found = []
    for label in range(1, count):
        if stats[label, cv2.CC_STAT_AREA] < MIN_AREA_CELLS:
            continue
        mask = np.asarray(labels == label)
        seen = mask & known
        if np.count_nonzero(seen) < MIN_AREA_CELLS:
            continue
        excess = rough_excess[seen]
        score = float(np.sum(np.clip(excess, 0.0, 3.0)))
        found.append(Region(mask=mask, score=score, roughness=float(median(excess))))
    return sorted(found, key=lambda region: -region.score)


def _border_band(shape: tuple[int, ...]) -> Mask:
    band = np.ones(shape[:2], dtype=bool)
    rim = max(3, round(0.06 * min(shape[:2])))
    band[rim:-rim, rim:-rim] = False
    return band


def _bridge_card(mask: Mask, known: Mask) -> Mask:
    """Add the card where cloth touches it on two opposite sides, which means that it lies on the cloth."""
    card = (~known).astype(np.uint8)
    if not card.any():
        return mask
    ring = (cv2.dilate(card, np.ones((7, 7), np.uint8)) > 0) & known
    y, x = np.nonzero(ring)
    touching = mask[y, x]
    if touching.mean() < 0.25:
        return mask
    angle = np.arctan2(y - y.mean(), x - x.mean())
    bins = np.floor((angle + np.pi) / (2 * np.pi) * 16).astype(int) % 16
    share = np.bincount(bins, weights=touching, minlength=16) / np.maximum(np.bincount(bins, minlength=16), 1)
    opposite = (share > 0.5) & (np.roll(share, 8) > 0.5)
    return mask | ~known if opposite.any() else mask
