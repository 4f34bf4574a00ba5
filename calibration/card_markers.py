"""Finding the markers of printed cards in a photo, with corners from straight-line fits to their sides."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from .card_design import MARKER_MODULES, CardCode, card_layout, code_of_marker
from .plane import apply_homography
from .ranks import median, percentile
from .reduce import block_means

__all__ = ["Marker", "find_markers"]

SEARCH_SIDES_PX = (
    1600,
    3200,
)  # long side of the picture searched; the larger one only when the smaller fails
# Pairs of windows over which light and dark are told apart: the others only where the first do not show all of a card. The larger
# picture is for small markers, and takes the first ones.
WINDOWS_PX = ((25, 25), (5, 45))
MILD_REDUCTION = 0.7
SMALLEST_SIDE_PX = 18  # a module then covers 2.25 px; anything smaller cannot be decoded
LEAST_CONTRAST = 18.0  # grey levels between rim and white modules
RIM_ERRORS = 3  # of 28 modules of the rim
BIT_ERRORS = 2  # of 36: chance patterns in cloth stay below one in ten thousand shapes
FEWEST_MARKERS = 2  # a single marker can be a chance pattern; two of one card in the right place cannot
SAMPLES_PER_SIDE = 32
SIDE_SPAN = (0.10, 0.90)  # share of a side that is used: its ends are rounded by blur
FEWEST_SAMPLES = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Marker:
    """One marker as seen.

    Attributes
    ----------
    id : int
        Number in the family.
    corners_px : ndarray of shape (4, 2)
        Corners in the photo, clockwise from the marker's own top left.
    seen : ndarray of bool, shape (4,)
        False for corners whose sides are covered or unclear.
    """

    id: int
    corners_px: NDArray[np.float64]
    seen: NDArray[np.bool_]


def find_markers(gray: NDArray[np.uint8]) -> dict[CardCode, tuple[Marker, ...]]:
    """Find the markers of all printed cards.

    The search runs on a reduced picture, the corners are then fitted in the full one.

    Parameters
    ----------
    gray : ndarray of uint8, shape (M, N)
        The photo.

    Returns
    -------
    dict
        Markers of every card of which at least two were found.
    """
    found: dict[int, NDArray[np.float64]] = {}
    searched = 0
    for side in SEARCH_SIDES_PX:
        scale = min(1.0, side / max(gray.shape))
        if round(scale * max(gray.shape)) <= searched:
            break
        searched = round(scale * max(gray.shape))
        found = {**found, **_search(gray, scale)}
        if _enough(found):
            break
    markers = _fit_corners(gray, found)
    cards: dict[CardCode, list[Marker]] = {}
    for marker in markers:
        code = code_of_marker(marker.id)
        if code is not None:
            cards.setdefault(code, []).append(marker)
    return {code: tuple(group) for code, group in cards.items() if len(group) >= FEWEST_MARKERS}


def _enough(found: dict[int, NDArray[np.float64]]) -> bool:
    """Return whether a card shows so many of its markers that a closer search would add little."""
    for code in {code_of_marker(marker_id) for marker_id in found} - {None}:
        own = [i for i in found if code_of_marker(i) == code]
        wanted = 8 if code is None or code.kind == "rail" else 0.6 * len(card_layout(code).markers)
        if len(own) >= wanted:
            return True
    return False


def _search(gray: NDArray[np.uint8], scale: float) -> dict[int, NDArray[np.float64]]:
    """Return marker ids with rough corners in full-resolution pixels; an id seen twice is dropped."""
    small = _reduced(gray, scale)
    found: dict[int, NDArray[np.float64]] = {}
    twice: set[int] = set()
    for windows in WINDOWS_PX if max(small.shape) <= SEARCH_SIDES_PX[0] else WINDOWS_PX[:1]:
        before = dict(found)
        for marker_id, quad in _decode(small, _candidates(small, windows)):
            if marker_id in before and _overlap(quad, before[marker_id]):
                continue
            if marker_id in found:
                twice.add(marker_id)
            found[marker_id] = quad
        if _complete(found.keys() - twice):
            break
    return {
        marker_id: (quad + 0.5) / scale - 0.5 for marker_id, quad in found.items() if marker_id not in twice
    }


def _overlap(quad: NDArray[np.float64], other: NDArray[np.float64]) -> bool:
    apart = float(np.linalg.norm(quad.mean(axis=0) - other.mean(axis=0)))
    return apart < 0.5 * float(np.linalg.norm(quad[1] - quad[0]))


def _complete(ids: Collection[int]) -> bool:
    """Return whether all markers of a card are there; of a rail more may always lie in the photo."""
    codes = {code_of_marker(marker_id) for marker_id in ids}
    return any(
        code is not None
        and code.kind != "rail"
        and sum(code_of_marker(marker_id) == code for marker_id in ids) >= len(card_layout(code).markers)
        for code in codes
    )


def _reduced(gray: NDArray[np.uint8], scale: float) -> NDArray[np.uint8]:
    """Reduce a picture: whole blocks of pixels are averaged first, which is many times quicker than fractions."""
    size = (round(scale * gray.shape[1]), round(scale * gray.shape[0]))
    block = int(1 / scale) if scale <= MILD_REDUCTION else 1
    gray = block_means(gray, block)
    # A mild reduction folds nothing back that a marker could be taken for, and is quicker still by interpolation.
    mild = size[0] > MILD_REDUCTION * gray.shape[1]
    way = cv2.INTER_LINEAR if mild else cv2.INTER_AREA
    same = size == gray.shape[::-1]
    return gray if same else np.asarray(cv2.resize(gray, size, interpolation=way), np.uint8)


def _candidates(small: NDArray[np.uint8], windows_px: tuple[int, int]) -> NDArray[np.float64]:
    """Return every dark-rimmed four-sided shape that one of two windows shows, shape (K, 4, 2), clockwise.

    OpenCV's search for shapes is quick, but its reading takes two milliseconds per shape for a family of hundreds,
    which adds up to seconds on cloth full of small squares. So it searches with a family of one and `_decode`
    reads all shapes at once.
    """
    parameters = cv2.aruco.DetectorParameters()
    parameters.adaptiveThreshWinSizeMin, parameters.adaptiveThreshWinSizeMax = windows_px
    parameters.adaptiveThreshWinSizeStep = max(1, windows_px[1] - windows_px[0])
    parameters.minMarkerPerimeterRate = min(4.0 * SMALLEST_SIDE_PX / max(small.shape), 1.0)
    parameters.cornerRefinementMethod = (
        cv2.aruco.CORNER_REFINE_NONE
    )  # done at full resolution by `_fit_corners`
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    single = cv2.aruco.Dictionary(family.bytesList[:1], family.markerSize, 0)
    read, _, unread = cv2.aruco.ArucoDetector(single, parameters).detectMarkers(small)
    if not read and not unread:
        return np.empty((0, 4, 2))
    rough = np.stack([np.asarray(quad, dtype=np.float32).reshape(4, 2) for quad in (*read, *unread)])
    # Corners of traced outlines are whole pixels; on small markers that is half a module.
    until = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 15, 0.05)
    fine = np.asarray(
        cv2.cornerSubPix(small, rough.reshape(-1, 1, 2).copy(), (3, 3), (-1, -1), until)
    ).reshape(-1, 4, 2)
    near = np.linalg.norm(fine - rough, axis=2, keepdims=True) < 3.0
    return np.where(near, fine, rough).astype(np.float64)


@cache
def _family_words() -> NDArray[np.uint64]:
    """Return the bits of every marker in its four turns as words of 36 bits, shape (4, ids)."""
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    bits = [
        cv2.aruco.Dictionary.getBitsFromByteList(row, family.markerSize)
        for row in np.split(family.bytesList, len(family.bytesList))
    ]
    upright = np.stack([np.asarray(one) for one in bits]).astype(bool)
    return np.stack([_word(np.rot90(upright, turn, axes=(1, 2))) for turn in range(4)])


def _word(bits: NDArray[np.bool_]) -> NDArray[np.uint64]:
    """Pack bits of shape (K, 6, 6) into words, row by row."""
    weights = np.uint64(1) << np.arange(36, dtype=np.uint64)
    words: NDArray[np.uint64] = (bits.reshape(-1, 36) * weights).sum(axis=1, dtype=np.uint64)
    return words


def _decode(small: NDArray[np.uint8], quads: NDArray[np.float64]) -> list[tuple[int, NDArray[np.float64]]]:
    """Read shapes; returns the id of each marker and its corners, clockwise from the marker's own top left."""
    if not len(quads):
        return []
    cells = _cells(small, quads)
    rim = np.ones((MARKER_MODULES, MARKER_MODULES), dtype=bool)
    rim[1:-1, 1:-1] = False
    dark = median(cells[:, rim], axis=1)
    bright = percentile(cells.reshape(len(cells), -1), 85.0, axis=1)
    middle = 0.5 * (dark + bright)
    white = cells > middle[:, None, None]
    sound = (bright - dark >= LEAST_CONTRAST) & (white[:, rim].sum(axis=1) <= RIM_ERRORS)
    words = _word(white[:, 1:-1, 1:-1])
    read = []
    for k in np.flatnonzero(sound):
        errors = np.bitwise_count(_family_words() ^ words[k])
        turn, marker_id = np.unravel_index(int(np.argmin(errors)), errors.shape)
        if errors[turn, marker_id] <= BIT_ERRORS:
            # np.rot90 turns the pattern anticlockwise: its own top left then lies `turn` corners further back.
            read.append((int(marker_id), np.roll(quads[k], int(turn), axis=0)))
    return read


def _cells(small: NDArray[np.uint8], quads: NDArray[np.float64]) -> NDArray[np.float32]:
    """Return the mean grey of the modules of each shape, shape (K, 8, 8), from the middle half of each module."""
    inside = (np.arange(MARKER_MODULES)[:, None] + [0.3, 0.5, 0.7]).ravel()
    x, y = np.meshgrid(inside, inside)
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], dtype=np.float32) * MARKER_MODULES
    points = np.empty((len(quads), *x.shape, 2))
    for k, quad in enumerate(quads):
        homography = cv2.getPerspectiveTransform(square, quad.astype(np.float32))
        points[k] = apply_homography(np.asarray(homography), np.stack([x, y], axis=-1))
    values = _sample(small, points)
    return np.asarray(values.reshape(-1, MARKER_MODULES, 3, MARKER_MODULES, 3).mean(axis=(2, 4)), np.float32)


def _fit_corners(gray: NDArray[np.uint8], found: dict[int, NDArray[np.float64]]) -> list[Marker]:
    """Fit a line to each side of each marker and intersect neighbouring lines.

    A corner from two fitted lines rests on dozens of edge pixels, is not rounded by blur, and does not suffer when
    part of a side is covered.
    """
    if not found:
        return []
    ids = list(found)
    quads = np.stack([found[i] for i in ids])
    # Twice: the second time the profiles start from the first result, so that they are centred on the edge.
    for _ in range(2):
        lines, spread = _fit_lines(gray, quads)
        before = np.roll(lines, 1, axis=1)
        corners = np.cross(before, lines)
        with np.errstate(divide="ignore", invalid="ignore"):
            fitted = corners[..., :2] / corners[..., 2:]
        good_side = np.isfinite(spread)
        side_px = np.linalg.norm(np.roll(quads, -1, axis=1) - quads, axis=2).min(axis=1)
        moved = np.linalg.norm(fitted - quads, axis=2)
        seen = good_side & np.roll(good_side, 1, axis=1) & (moved < 0.15 * side_px[:, None] + 1.0)
        quads = np.where(seen[..., None], fitted, quads)
    return [
        Marker(id=marker_id, corners_px=quads[k], seen=seen[k])
        for k, marker_id in enumerate(ids)
        if seen[k].any()
    ]


def _fit_lines(
    gray: NDArray[np.uint8], quads: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the homogeneous line of each side, shape (K, 4, 3), and the scatter of its points in px.

    The scatter is infinite where too little of a side is clear.
    """
    start, stop = quads, np.roll(quads, -1, axis=1)
    along = stop - start
    length = np.linalg.norm(along, axis=2, keepdims=True)
    along = along / length
    outward = np.stack([along[..., 1], -along[..., 0]], axis=-1)  # corners run clockwise in a y-down picture
    share = np.linspace(*SIDE_SPAN, SAMPLES_PER_SIDE)
    foot = start[:, :, None] + (stop - start)[:, :, None] * share[:, None]
    # Up to 0.7 of a module to either side: the black border is one module wide, the white zone outside at least 1.5.
    reach = np.maximum(0.7 * length[..., 0] / MARKER_MODULES, 2.0)
    steps = np.linspace(-1.0, 1.0, 17)
    offset = reach[:, :, None] * steps
    points = foot[:, :, :, None] + outward[:, :, None, None] * offset[:, :, None, :, None]
    profile = _sample(gray, points)
    shift, contrast = _edge_offset(profile, offset[:, :, None, :])
    usual = median(contrast, axis=2)[..., None]
    floor = np.maximum(0.4 * usual, 12.0)
    clear = np.isfinite(shift) & (contrast > floor) & (contrast < 2.5 * usual + 12.0)
    edge = foot + outward[:, :, None] * np.where(clear, shift, 0.0)[..., None]
    return _robust_lines(edge, clear)


def _sample(gray: NDArray[np.uint8], points: NDArray[np.float64]) -> NDArray[np.float32]:
    """Bilinear samples of the photo at points of shape (..., 2)."""
    flat = points.reshape(points.shape[0], -1, 2).astype(np.float32)
    values = cv2.remap(
        gray.astype(np.float32) if gray.size < 1_000_000 else gray,
        flat[..., 0],
        flat[..., 1],
        interpolation=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(values, dtype=np.float32).reshape(points.shape[:-1])


def _edge_offset(
    profile: NDArray[np.float32], offset: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return where each profile crosses half of its own contrast, dark to bright, and that contrast."""
    dark = median(profile[..., :5], axis=-1)
    bright = median(profile[..., -5:], axis=-1)
    contrast = (bright - dark).astype(np.float64)
    half = 0.5 * (bright + dark)
    above = profile >= half[..., None]
    # The crossing nearest to the middle: the last dark sample before the bright run that reaches the outer end.
    last_dark = profile.shape[-1] - 1 - np.argmax(~above[..., ::-1], axis=-1)
    usable = (contrast > 0) & (last_dark < profile.shape[-1] - 1) & ~above.all(axis=-1)
    index = np.clip(last_dark, 0, profile.shape[-1] - 2)
    low = np.take_along_axis(profile, index[..., None], axis=-1)[..., 0].astype(np.float64)
    high = np.take_along_axis(profile, index[..., None] + 1, axis=-1)[..., 0].astype(np.float64)
    wide = np.broadcast_to(offset, profile.shape)
    at_low = np.take_along_axis(wide, index[..., None], axis=-1)[..., 0]
    at_high = np.take_along_axis(wide, index[..., None] + 1, axis=-1)[..., 0]
    part = np.clip((half - low) / np.maximum(high - low, 1e-6), 0.0, 1.0)
    return np.where(usable, at_low + part * (at_high - at_low), np.nan), contrast


def _robust_lines(
    points: NDArray[np.float64], clear: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Total least squares lines through points of shape (..., N, 2), those not clear and outliers left out.

    Returns
    -------
    lines : ndarray of shape (..., 3)
        Homogeneous lines; zero where too few points remain.
    spread : ndarray of shape (...)
        Scatter of the points, px; infinite there.
    """
    keep = clear
    enough = np.ones(points.shape[:-2], dtype=bool)
    # All sides at once; one whose points no longer change comes out the same again.
    for _ in range(4):
        enough &= keep.sum(axis=-1) >= FEWEST_SAMPLES
        count = np.maximum(keep.sum(axis=-1), 1)[..., None]
        middle = np.where(keep[..., None], points, 0.0).sum(axis=-2) / count
        off = points - middle[..., None, :]
        centred = np.where(keep[..., None], off, 0.0)
        normal = np.linalg.eigh(np.swapaxes(centred, -1, -2) @ centred)[1][..., 0]
        distance = np.abs(np.einsum("...ni,...i->...n", off, normal))
        spread = 1.4826 * _median_of(distance, keep)
        keep = clear & (distance <= np.maximum(3.0 * spread, 0.05)[..., None])
    enough &= keep.sum(axis=-1) >= FEWEST_SAMPLES
    lines = np.concatenate([normal, -(normal * middle).sum(axis=-1, keepdims=True)], axis=-1)
    return np.where(enough[..., None], lines, 0.0), np.where(enough, spread, np.inf)


def _median_of(values: NDArray[np.float64], keep: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Median over the last axis of the values kept; 0 where there are none."""
    ranked = np.sort(np.where(keep, values, np.inf), axis=-1)
    count = np.maximum(keep.sum(axis=-1, keepdims=True), 1)
    low, high = (np.take_along_axis(ranked, at, axis=-1)[..., 0] for at in ((count - 1) // 2, count // 2))
    return np.where(keep.any(axis=-1), (low + high) / 2, 0.0)
