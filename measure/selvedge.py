"""The outer edges of the selvedges, row by row on a straightened picture.

Every pixel is weighed: does its colour occur in the cloth or on the table, the table in shadow included? A
selvedge is then the place in a row where the weights change sign, found from the running sum, so that neither a
gap between threads nor a hair on the table moves it.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ..calibration.ranks import median
from .silhouette import linear_light

__all__ = ["RowEdges", "cloth_evidence", "edges_beside_shadow", "row_edges", "sharpen_edges", "station_means"]

FloatImage = NDArray[np.float32]
Mask = NDArray[np.bool_]

# How deep shadows get and how often they are met beside the cloth. Light from a window leaves some 20 % in the
# contact shadow; the table itself, unshaded, is the most frequent neighbour.
SHADOW_STEPS = (1.0, 0.9, 0.8, 0.7, 0.6, 0.5, 0.42, 0.35, 0.27, 0.2)
SHADOW_SHARES = (0.4, 0.07, 0.07, 0.07, 0.07, 0.07, 0.07, 0.07, 0.06, 0.05)
BINS = (32, 20, 20)
RARE = 3e-6  # share of a colour never seen: keeps the logarithm of the ratio finite
LIMIT = 4.0  # a single pixel never weighs more
MAX_SAMPLES = 20_000
REACH = 4  # pixels on either side of an edge that blur may mix
LEAST_CONTRAST = 0.06  # of the full code range; below it a mixture cannot be told from noise

# For edges beside shadow: pixels outside and inside a rough edge whose colours are learned, and those that are searched.
TABLE_PIXELS = (-12, -1)
CLOTH_PIXELS = (3, 9)
SEARCHED = (-12, 10)
LEARNED_UNITS = (
    1.0  # about millimetres along the edge over which the colours are averaged: half a turn of the weft
)
NOISE_CODES = 2.0  # standard deviation of a quiet pixel
CLOTH_SHARE = (
    0.1  # of the cloth's own scatter that counts: its shade matters less than the shadow on the table
)
LEAST_APART = 4.0  # standard deviations of the (shaded) table between table and cloth
OUTLIER = 4.0  # robust standard deviations from the middle of a station


@dataclass(frozen=True, slots=True, kw_only=True)
class RowEdges:
    """Edges of the cloth in every row of a patch, in patch pixels.

    Attributes
    ----------
    left, right : ndarray of shape (M,)
        Boundary between table and cloth (0 is the left side of column 0 minus half a pixel); NaN where unknown.
    left_cut, right_cut : ndarray of bool, shape (M,)
        True where the cloth goes on to the border of the photo.
    """

    left: NDArray[np.float64]
    right: NDArray[np.float64]
    left_cut: Mask
    right_cut: Mask


def _thin(picture: NDArray[np.uint8], where: Mask) -> NDArray[np.uint8]:
    """Return evenly chosen pixels of those wanted, shape (N, 3)."""
    places = np.flatnonzero(where)
    return picture.reshape(-1, 3)[places[:: max(1, len(places) // MAX_SAMPLES)]]


def _shaded(bgr: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], NDArray[np.float64]]:
    """Return table pixels under ever deeper shadow, shape (S * N, 3), and the weight of each."""
    light = linear_light(np.arange(256, dtype=np.uint8))
    shaded = []
    for step in SHADOW_STEPS:
        value = light * step
        code = np.where(
            value <= 0.0031308, 12.92 * value, 1.055 * value ** (1 / 2.4) - 0.055
        )  # IEC 61966-2-1
        shaded.append(cv2.LUT(bgr[None], (code * 255 + 0.5).astype(np.uint8))[0])
    return np.concatenate(shaded), np.repeat(SHADOW_SHARES, len(bgr))


def _range(pixels: NDArray[np.uint8], share: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the levels of each channel that leave a share of the pixels below, and above."""
    ends = []
    for channel in range(3):
        counts = cv2.calcHist([pixels[None]], [channel], None, [256], [0, 256])
        up_to = np.cumsum(counts, dtype=np.float64)
        places = np.array([share, 1.0 - share]) * (len(pixels) - 1)
        ends.append(np.searchsorted(up_to, places, side="right"))
    low, high = np.array(ends, dtype=np.float64).T
    return low, high


def _lab(bgr: NDArray[np.uint8]) -> NDArray[np.uint8]:
    return cv2.cvtColor(bgr, cv2.COLOR_BGR2LAB).astype(np.uint8, copy=False)


def _smooth_histogram(index: NDArray[np.intp], weights: NDArray[np.float64] | None) -> NDArray[np.float64]:
    counts = (
        np.bincount(index, weights=weights, minlength=int(np.prod(BINS))).astype(np.float64).reshape(BINS)
    )
    for axis in range(3):
        padded = np.pad(counts, [(1, 1) if a == axis else (0, 0) for a in range(3)], mode="edge")
        size = BINS[axis]
        before, here, after = (np.take(padded, np.arange(k, k + size), axis=axis) for k in range(3))
        counts = 0.25 * before + 0.5 * here + 0.25 * after
    return np.asarray(counts / max(counts.sum(), 1e-9))


def cloth_evidence(
    bgr: NDArray[np.uint8], inside: Mask, outside: Mask, *, weighed: NDArray[np.uint8] | None = None
) -> FloatImage | None:
    """Weigh every pixel: logarithm of how much likelier its colour is in the cloth than on the (shaded) table.

    Parameters
    ----------
    bgr : ndarray of uint8, shape (M, N, 3)
        Straightened picture with some table around the cloth.
    inside, outside : ndarray of bool, shape (M, N)
        Pixels that are surely cloth and surely table.
    weighed : ndarray of uint8, shape (K, L, 3), optional
        The pixels to weigh, when they are not the whole picture.

    Returns
    -------
    ndarray of float32, shape (M, N) or (K, L), or None
        Positive for cloth; None when one of the two has too few pixels to know its colours.
    """
    if np.count_nonzero(inside) < 200 or np.count_nonzero(outside) < 200:
        return None
    lab = _lab(bgr if weighed is None else weighed)
    cloth = _lab(_thin(bgr, inside)[None])[0]
    table_bgr, share = _shaded(_thin(bgr, outside))
    table = _lab(table_bgr[None])[0]
    low, high = _range(np.concatenate([cloth, table]), 0.005)
    low, high = low - 2, high + 2
    codes = np.arange(256)
    steps = (BINS[1] * BINS[2], BINS[2], 1)
    places = [
        steps[c] * np.clip((codes - low[c]) / (high[c] - low[c]) * BINS[c], 0, BINS[c] - 1).astype(np.int32)
        for c in range(3)
    ]
    table_of_places = np.stack(places, axis=-1).astype(np.float32)[None]

    def index(pixels: NDArray[np.uint8]) -> NDArray[np.intp]:
        rows = pixels.reshape(-1, pixels.shape[-2], 3)  # floats hold these whole numbers exactly
        summed = cv2.transform(cv2.LUT(rows, table_of_places), np.ones((1, 3), np.float32))
        return np.asarray(summed, dtype=np.float32).astype(np.intp).reshape(pixels.shape[:-1])

    ratio = (_smooth_histogram(index(cloth), None) + RARE) / (_smooth_histogram(index(table), share) + RARE)
    weight = np.clip(np.log(ratio), -LIMIT, LIMIT).astype(np.float32)
    return np.asarray(np.take(weight, index(lab)), dtype=np.float32)


def row_edges(evidence: FloatImage, in_photo: Mask, card: Mask, middle: NDArray[np.intp]) -> RowEdges:
    """Find where cloth begins and ends in every row.

    Parameters
    ----------
    evidence : ndarray of shape (M, N)
        From `cloth_evidence`.
    in_photo, card : ndarray of bool, shape (M, N)
        Pixels the photo shows, and pixels the card covers.
    middle : ndarray of int, shape (M,)
        A column surely inside the cloth, for every row.
    """
    rows, columns = evidence.shape
    weight = np.where(in_photo & ~card, cv2.blur(evidence, (1, 3)), np.float32(0))

    def side(flip: bool) -> tuple[NDArray[np.float64], Mask]:
        w = weight[:, ::-1] if flip else weight
        seen = in_photo[:, ::-1] if flip else in_photo
        covered = card[:, ::-1] if flip else card
        centre = columns - 1 - middle if flip else middle
        nearer = int(centre.max()) + 1
        running = np.cumsum(w[:, :nearer], axis=1, dtype=np.float32)
        if centre.min() < nearer - 1:
            running[np.arange(nearer)[None, :] > centre[:, None]] = np.inf
        last_outside = np.argmin(running, axis=1)
        # Nothing of the table in the row: the sum is least before the first pixel.
        lowest = np.take_along_axis(running, last_outside[:, None], axis=1)[:, 0]
        last_outside = np.where(lowest < 0, last_outside, -1)
        first_seen = np.argmax(seen, axis=1)
        nothing = last_outside < first_seen + 1
        cut = nothing & (first_seen > 0)
        edge = last_outside + 0.5
        probe = np.clip(last_outside, 0, columns - 1)
        near = np.clip(last_outside + 2, 0, columns - 1)
        index = np.arange(rows)
        unsure = covered[index, probe] | covered[index, near]
        edge = np.where(nothing | unsure, np.nan, edge)
        return (columns - 1 - edge if flip else edge), cut

    left, left_cut = side(False)
    right, right_cut = side(True)
    return RowEdges(left=left, right=right, left_cut=left_cut, right_cut=right_cut)


def sharpen_edges(
    bgr: NDArray[np.uint8], edge_px: NDArray[np.float64], *, cloth_right: bool
) -> NDArray[np.float64]:
    """Place an edge where half of a pixel is cloth, from the mixture of the colours on its two sides.

    A blurred edge stops looking like the table as soon as a little cloth is mixed in, so that the evidence alone
    puts it outside. The colour a few pixels outside (shadow included) and a few pixels inside are taken as pure;
    the share of cloth of the pixels between adds up to the place of the edge. Only moves inwards are believed: a
    deepening shadow looks like a mixture too and would draw the edge out.

    Parameters
    ----------
    bgr : ndarray of uint8, shape (M, N, 3)
        The straightened picture.
    edge_px : ndarray of shape (M,)
        Edge of every row, NaN where unknown.
    cloth_right : bool
        True for a left edge.
    """
    sign = 1 if cloth_right else -1
    rows = np.flatnonzero(np.isfinite(edge_px))
    near = np.round(edge_px[rows] * sign).astype(np.intp) * sign
    steps = np.arange(-REACH - 2, REACH + 3)
    columns = near[:, None] + sign * steps[None, :]
    fits = (columns.min(axis=1) >= 0) & (columns.max(axis=1) < bgr.shape[1])
    rows, near, columns = rows[fits], near[fits], columns[fits]
    light = bgr[rows[:, None], columns].astype(np.float32) / 255
    table = light[:, :3].mean(axis=1)
    cloth = light[:, -3:].mean(axis=1)
    contrast = cloth - table
    strength = np.sum(contrast**2, axis=-1)
    share = np.einsum("rkc,rc->rk", light - table[:, None], contrast) / np.maximum(strength, 1e-9)[:, None]
    between = np.clip(share[:, 3:-3], 0.0, 1.0)
    # The pixels looked at begin at step -REACH + 1; pure table in all of them would put the edge behind the last.
    place = -REACH + 0.5 + np.sum(1.0 - between, axis=1)
    sharp = edge_px.astype(np.float64, copy=True)
    clear = strength > LEAST_CONTRAST**2
    moved = sign * (near + sign * place - edge_px[rows])
    sharp[rows[clear]] += sign * np.clip(moved[clear], 0.0, REACH)
    return sharp


def edges_beside_shadow(
    bgr: NDArray[np.uint8],
    outermost_px: NDArray[np.float64],
    edge_px: NDArray[np.float64],
    unit_px: float,
    *,
    cloth_right: bool,
) -> NDArray[np.float64]:
    """Place an edge where half of a pixel is cloth, looking only along what tells cloth from the table in any shade.

    Close to the cloth the table lies in its shadow, whose colour is on the way to that of many cloths. The colours are
    therefore weighed by Fisher's linear discriminant (Annals of Eugenics 7, 1936, 179-188): the scatter of the pixels
    just outside is mostly the shadow coming and going, and directions in which they scatter count little.

    Parameters
    ----------
    bgr : ndarray of uint8, shape (M, N, 3)
        The straightened picture.
    outermost_px, edge_px : ndarray of shape (M,)
        The outermost place that looks like cloth in every row, and a better guess within a few pixels of the edge; NaN
        where unknown.
    unit_px : float
        About a millimetre, in pixels.
    cloth_right : bool
        True for a left edge.

    Returns
    -------
    ndarray of shape (M,)
        The edge, never outside the outermost place; the guess where cloth and table are too much alike.
    """
    sign = 1 if cloth_right else -1
    rows = np.flatnonzero(np.isfinite(edge_px))
    near = np.round(edge_px[rows] * sign).astype(np.intp) * sign
    steps = np.arange(SEARCHED[0], SEARCHED[1] + 1)
    columns = near[:, None] + sign * steps[None, :]
    fits = (columns.min(axis=1) >= 0) & (columns.max(axis=1) < bgr.shape[1])
    rows, near, columns = rows[fits], near[fits], columns[fits]
    found = edge_px.astype(np.float64, copy=True)
    if len(rows) < 50:
        return found
    pixels = bgr[rows[:, None], columns].astype(np.float32)
    outer, inner = (pixels[:, low - steps[0] : high - steps[0]] for low, high in (TABLE_PIXELS, CLOTH_PIXELS))
    length = max(3, round(LEARNED_UNITS * unit_px)) | 1
    table, cloth = (cv2.blur(np.ascontiguousarray(part.mean(axis=1)), (1, length)) for part in (outer, inner))
    scatter = _scatter(outer - table[:, None]) + CLOTH_SHARE * _scatter(inner - cloth[:, None])
    weights = (cloth - table) @ np.linalg.inv(scatter + NOISE_CODES**2 * np.eye(3)).astype(np.float32)
    apart = np.sum(weights * (cloth - table), axis=-1)
    share = np.einsum("rkc,rc->rk", pixels - table[:, None], weights) / np.maximum(apart, 1e-9)[:, None]
    on = share > 0.5
    twice = on[:, :-1] & on[:, 1:]  # a hair or a speck is one pixel wide
    first = np.argmax(twice, axis=1)
    clear = twice.any(axis=1) & (first > 0) & (apart > LEAST_APART**2)
    first = np.maximum(first, 1)
    row = np.arange(len(rows))
    before, after = share[row, first - 1], share[row, first]
    part = np.clip((0.5 - before) / np.maximum(after - before, 1e-6), 0.0, 1.0)
    place = near + sign * (steps[first - 1] + part)
    found[rows[clear]] = place[clear]
    return np.fmax(found, outermost_px) if cloth_right else np.fmin(found, outermost_px)


def _scatter(differences: NDArray[np.float32]) -> NDArray[np.float64]:
    """Mean outer product of colour differences, shape (3, 3)."""
    flat = differences.reshape(-1, 3)[::3].astype(np.float64)  # a third of them is enough
    return np.asarray(flat.T @ flat / max(len(flat), 1))


def station_means(
    edge_px: NDArray[np.float64], first_row: int, last_row: int, rows_per_station: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Average an edge over stations along the warp; rows far off are brought in to the limit of what is usual.

    The gaps between two turns of the weft are narrower than the turns, so leaving out the same share of rows on either
    side would move the mean outwards.

    Returns
    -------
    row, edge : ndarray of shape (S,)
        Middle row of each station and mean edge; NaN where fewer than a third of the rows were seen.
    """
    count = max(2, round((last_row - first_row) / rows_per_station))
    bounds = np.round(np.linspace(first_row, last_row, count + 1)).astype(np.intp)
    means = np.full(count, np.nan)
    for k in range(count):
        chunk = edge_px[bounds[k] : max(bounds[k + 1], bounds[k] + 1)]
        seen = chunk[np.isfinite(chunk)]
        if len(seen) * 3 >= len(chunk) and len(seen):
            middle = float(median(seen))
            allowed = OUTLIER * 1.4826 * float(median(np.abs(seen - middle))) + 2.0
            means[k] = float(np.mean(np.clip(seen, middle - allowed, middle + allowed)))
    return (bounds[:-1] + bounds[1:]) / 2, means
