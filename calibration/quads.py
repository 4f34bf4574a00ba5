"""Plain regions with four straight sides: where a card might lie."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["colour_gradient", "find_cut_corners", "find_quads", "find_quads_from_lines"]

# Grey levels per pixel on the reduced picture. Steps of 1.6 make sure that for every card contrast one
# threshold lies between the texture inside and the step at the edge.
_THRESHOLDS = (2.0, 3.2, 5.0, 8.0, 13.0, 21.0)
_CLOSINGS_PX = (0, 2)  # closes gaps of an edge up to twice this width


def colour_gradient(bgr: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Return the steepest channel's gradient, in grey levels per pixel, after a slight blur."""
    smooth = cv2.GaussianBlur(bgr, (0, 0), 1.0)
    dx = cv2.Sobel(smooth, cv2.CV_16S, 1, 0)
    dy = cv2.Sobel(smooth, cv2.CV_16S, 0, 1)
    # Not cv2.magnitude: its last digit depends on where in memory the picture lies. Squares of these whole numbers are exact.
    squares = cv2.add(cv2.multiply(dx, dx, dtype=cv2.CV_32F), cv2.multiply(dy, dy, dtype=cv2.CV_32F))
    blue, green, red = cv2.split(squares)
    steepest = cv2.max(cv2.max(blue, green), red)
    return np.asarray(np.sqrt(steepest) / np.float32(8), dtype=np.float32)


def find_quads(
    bgr: NDArray[np.uint8], *, least_area_share: float = 0.004, greatest_area_share: float = 0.75
) -> list[NDArray[np.float64]]:
    """Find convex quadrilaterals that bound a region without strong edges, or a ring of edges.

    Parameters
    ----------
    bgr : ndarray of uint8, shape (M, N, 3)
        Reduced photo.
    least_area_share, greatest_area_share : float
        Limits of a region's area relative to the photo.

    Returns
    -------
    list of ndarray of shape (4, 2)
        Corners in order around, larger support first. The same place may occur several times.
    """
    gradient = colour_gradient(bgr)
    area = gradient.shape[0] * gradient.shape[1]
    limits = (least_area_share * area, greatest_area_share * area)
    quads: list[tuple[float, NDArray[np.float64]]] = []
    for threshold in _THRESHOLDS:
        edges = (gradient > threshold).astype(np.uint8)
        for closing in _CLOSINGS_PX:
            barrier = edges if closing == 0 else np.asarray(cv2.dilate(edges, _disc(closing)), dtype=np.uint8)
            for hull in _hulls(np.asarray(1 - barrier, dtype=np.uint8), limits):
                quads += _quads_of_hull(hull, grow_px=closing + 1.5)
        for hull in _hulls(edges, limits):
            quads += _quads_of_hull(hull, grow_px=-1.0)
    quads.sort(key=lambda item: -item[0])
    return [corners for _, corners in quads]


def _disc(radius: int) -> NDArray[np.uint8]:
    return np.asarray(
        cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1)), dtype=np.uint8
    )


def _hulls(
    mask: NDArray[np.uint8], limits: tuple[float, float], least_filling: float = 0.8
) -> Iterator[NDArray[np.float64]]:
    """Convex hulls of the mask's parts whose box has a plausible size and that fill them well enough."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=4, ltype=cv2.CV_32S)
    boxes = stats[:, cv2.CC_STAT_WIDTH].astype(np.float64) * stats[:, cv2.CC_STAT_HEIGHT]
    for index in range(1, count):
        if not limits[0] <= boxes[index] <= 2 * limits[1]:
            continue
        x, y, w, h = (int(v) for v in stats[index, :4])
        part = (labels[y : y + h, x : x + w] == index).astype(np.uint8)
        contours, _ = cv2.findContours(part, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
        contour = max(contours, key=cv2.contourArea)
        hull = cv2.convexHull(contour).reshape(-1, 2)
        hull_area = cv2.contourArea(hull)
        # A card hidden at one corner still fills most of its hull.
        if limits[0] <= hull_area <= limits[1] and cv2.contourArea(contour) > least_filling * hull_area:
            yield hull.astype(np.float64) + np.array([x, y])


def _quads_of_hull(hull: NDArray[np.float64], grow_px: float) -> list[tuple[float, NDArray[np.float64]]]:
    """Quadrilaterals from the long straight runs of a hull."""
    perimeter = cv2.arcLength(hull.astype(np.float32), True)
    outline = (
        cv2.approxPolyDP(hull.astype(np.float32), 0.008 * perimeter, True).reshape(-1, 2).astype(np.float64)
    )
    if not 4 <= len(outline) <= 12:
        return []
    lengths = np.linalg.norm(np.roll(outline, -1, axis=0) - outline, axis=1)
    long_enough = np.flatnonzero(lengths > 0.25 * lengths.max())
    order = long_enough[np.argsort(-lengths[long_enough])][:6]
    found = []
    for chosen in itertools.combinations(sorted(order), 4):
        corners = _corners_of_edges(outline, chosen, grow_px)
        if corners is not None and _card_like(corners):
            area = cv2.contourArea(corners.astype(np.float32))
            if area < 1.35 * cv2.contourArea(hull.astype(np.float32)):
                found.append((float(lengths[list(chosen)].sum() / perimeter), corners))
    return found


def _corners_of_edges(
    outline: NDArray[np.float64], chosen: tuple[int, ...], grow_px: float
) -> NDArray[np.float64] | None:
    centre = outline.mean(axis=0)
    lines = []
    for index in chosen:
        a, b = outline[index], outline[(index + 1) % len(outline)]
        normal = np.array([b[1] - a[1], a[0] - b[0]]) / np.linalg.norm(b - a)
        if normal @ (a - centre) < 0:
            normal = -normal
        lines.append((normal, normal @ a + grow_px))
    corners = np.empty((4, 2))
    for i in range(4):
        (n1, d1), (n2, d2) = lines[i - 1], lines[i]
        determinant = n1[0] * n2[1] - n1[1] * n2[0]
        if abs(determinant) < 0.4:  # sides of a card seen from any usable height meet at 60 to 120 degrees
            return None
        corners[i] = [(d1 * n2[1] - d2 * n1[1]) / determinant, (n1[0] * d2 - n2[0] * d1) / determinant]
    return corners


def _card_like(corners: NDArray[np.float64]) -> bool:
    """Loose test of shape: opposite sides alike, and neither square nor a strip."""
    sides = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
    if sides.min() < 12:
        return False
    if max(sides[0], sides[2]) > 1.6 * min(sides[0], sides[2]) or max(sides[1], sides[3]) > 1.6 * min(
        sides[1], sides[3]
    ):
        return False
    ratio = (sides[0] + sides[2]) / (sides[1] + sides[3])
    ratio = max(ratio, 1 / ratio)
    return bool(cv2.isContourConvex(corners.astype(np.float32))) and 1.15 < ratio < 2.2


_MOST_LINES = 26  # four of these make at most some thousand quadrilaterals
_LEAST_LINE_SHARE = 0.035  # of the picture's longer side


def find_quads_from_lines(bgr: NDArray[np.uint8], *, most: int = 16) -> list[NDArray[np.float64]]:
    """Put quadrilaterals together from straight borders of different regions.

    For a card whose face is divided, by a shadow, a stripe or a picture, so that no one region shows all of it.

    Parameters
    ----------
    bgr : ndarray of uint8, shape (M, N, 3)
        Reduced photo.
    most : int
        How many to return.

    Returns
    -------
    list of ndarray of shape (4, 2)
        Corners in order around, best covered by the lines first.
    """
    lines = _straight_borders(colour_gradient(bgr))
    found: list[tuple[float, NDArray[np.float64]]] = []
    pairs = [
        (i, j)
        for i, j in itertools.combinations(range(len(lines)), 2)
        if _face_each_other(lines[i], lines[j])
    ]
    for (i, j), (k, m) in itertools.combinations(pairs, 2):
        cosine = abs(float(lines[i][2] @ lines[k][2]))
        if cosine > 0.5 or len({i, j, k, m}) < 4:
            continue
        corners = np.array([_meet(lines[a], lines[b]) for a, b in ((i, k), (k, j), (j, m), (m, i))])
        if not np.all(np.isfinite(corners)) or not _card_like(corners):
            continue
        # Side 0 joins (i, k) and (k, j), so it lies on line k, and so on around.
        covered = [_covered(lines[n], corners[a], corners[(a + 1) % 4]) for a, n in enumerate((k, j, m, i))]
        if min(covered) > 0.25 and sum(covered) > 2.2:
            found.append((sum(covered), corners))
    found.sort(key=lambda item: -item[0])
    chosen: list[NDArray[np.float64]] = []
    for _, corners in found:
        if all(np.abs(np.sort(corners, axis=0) - np.sort(other, axis=0)).max() > 3 for other in chosen):
            chosen.append(corners)
        if len(chosen) == most:
            break
    return chosen


_Line = tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]  # start, end, unit direction


def _straight_borders(gradient: NDArray[np.float32]) -> list[_Line]:
    """Long straight borders of plain regions, each once, longest first."""
    height, width = gradient.shape
    limits = (0.0012 * height * width, 0.75 * height * width)
    shortest = _LEAST_LINE_SHARE * max(height, width)
    segments: list[_Line] = []
    for threshold in _THRESHOLDS:
        edges = (gradient > threshold).astype(np.uint8)
        barrier = np.asarray(cv2.dilate(edges, _disc(1)), dtype=np.uint8)
        for hull in _hulls(np.asarray(1 - barrier, dtype=np.uint8), limits):
            perimeter = cv2.arcLength(hull.astype(np.float32), True)
            outline = cv2.approxPolyDP(hull.astype(np.float32), max(1.5, 0.006 * perimeter), True).reshape(
                -1, 2
            )
            for a, b in zip(
                outline.astype(np.float64), np.roll(outline, -1, axis=0).astype(np.float64), strict=True
            ):
                length = float(np.linalg.norm(b - a))
                if length > shortest:
                    segments.append((a, b, (b - a) / length))
    segments.sort(key=lambda line: -float(np.linalg.norm(line[1] - line[0])))
    merged: list[_Line] = []
    for line in segments[: 8 * _MOST_LINES]:
        for n, other in enumerate(merged):
            if _same_line(line, other):
                merged[n] = _joined(other, line)
                break
        else:
            merged.append(line)
    merged.sort(key=lambda line: -float(np.linalg.norm(line[1] - line[0])))
    return merged[:_MOST_LINES]


def _same_line(line: _Line, other: _Line) -> bool:
    normal = np.array([-other[2][1], other[2][0]])
    apart = max(abs(float((line[0] - other[0]) @ normal)), abs(float((line[1] - other[0]) @ normal)))
    return apart < 4.0 and abs(float(line[2] @ other[2])) > 0.995


def _joined(line: _Line, other: _Line) -> _Line:
    """Stretch a line to the far ends of both; points of the other are dropped onto it."""
    along = sorted(float((point - line[0]) @ line[2]) for point in (line[0], line[1], other[0], other[1]))
    return line[0] + along[0] * line[2], line[0] + along[-1] * line[2], line[2]


def _face_each_other(line: _Line, other: _Line) -> bool:
    """Tell whether two lines could be opposite sides: nearly parallel, apart, and beside each other."""
    if abs(float(line[2] @ other[2])) < 0.94:
        return False
    normal = np.array([-line[2][1], line[2][0]])
    apart = abs(float(((other[0] + other[1]) / 2 - line[0]) @ normal))
    length = float((line[1] - line[0]) @ line[2])
    ends = sorted(float((point - line[0]) @ line[2]) for point in (other[0], other[1]))
    return apart > 20 and min(length, ends[1]) - max(0.0, ends[0]) > 0.2 * min(length, ends[1] - ends[0])


def _meet(line: _Line, other: _Line) -> NDArray[np.float64]:
    determinant = line[2][0] * other[2][1] - line[2][1] * other[2][0]
    if abs(determinant) < 0.4:
        return np.array([np.nan, np.nan])
    offset = other[0] - line[0]
    return np.asarray(line[0] + (offset[0] * other[2][1] - offset[1] * other[2][0]) / determinant * line[2])


def _covered(line: _Line, start: NDArray[np.float64], end: NDArray[np.float64]) -> float:
    """Share of a side that its line covers; a line much longer than the side is no side of it."""
    length = float(np.linalg.norm(end - start))
    along = (end - start) / length
    ends = sorted(float((point - start) @ along) for point in (line[0], line[1]))
    beyond = max(0.0, -ends[0]) + max(0.0, ends[1] - length)
    return 0.0 if beyond > 0.35 * length else max(0.0, min(ends[1], length) - max(ends[0], 0.0)) / length


def find_cut_corners(bgr: NDArray[np.uint8]) -> list[str]:
    """Find plain parts that run out of the picture and show a right-angled corner inside: cards cut off.

    Parameters
    ----------
    bgr : ndarray of uint8, shape (M, N, 3)
        Reduced photo.

    Returns
    -------
    list of str
        At which sides of the photo ("left", "right", "top", "bottom") the largest such part is cut off.
    """
    gradient = colour_gradient(bgr)
    height, width = gradient.shape
    limits = (0.004 * height * width, 0.3 * height * width)
    best: tuple[float, list[str]] = (0.0, [])
    for threshold in _THRESHOLDS[1:]:
        edges = (gradient > threshold).astype(np.uint8)
        barrier = np.asarray(cv2.dilate(edges, _disc(1)), dtype=np.uint8)
        for hull in _hulls(np.asarray(1 - barrier, dtype=np.uint8), limits, least_filling=0.93):
            sides = _sides_touched(hull, width, height)
            area = cv2.contourArea(hull.astype(np.float32))
            if 1 <= len(sides) <= 2 and area > best[0] and _has_inner_corner(hull, width, height):
                best = (area, sides)
    return best[1]


def _sides_touched(hull: NDArray[np.float64], width: int, height: int) -> list[str]:
    low, high = hull.min(axis=0), hull.max(axis=0)
    touches = {
        "left": low[0] < 2,
        "right": high[0] > width - 3,
        "top": low[1] < 2,
        "bottom": high[1] > height - 3,
    }
    return [side for side, touched in touches.items() if touched]


def _has_inner_corner(hull: NDArray[np.float64], width: int, height: int) -> bool:
    """Tell whether two long straight edges away from the picture's border meet at nearly a right angle."""
    perimeter = cv2.arcLength(hull.astype(np.float32), True)
    outline = (
        cv2.approxPolyDP(hull.astype(np.float32), 0.012 * perimeter, True).reshape(-1, 2).astype(np.float64)
    )
    if not 3 <= len(outline) <= 10:
        return False
    vectors = np.roll(outline, -1, axis=0) - outline
    lengths = np.linalg.norm(vectors, axis=1)
    middle = outline + vectors / 2
    inner = (middle[:, 0] > 4) & (middle[:, 0] < width - 5) & (middle[:, 1] > 4) & (middle[:, 1] < height - 5)
    straight = np.flatnonzero(inner & (lengths > 0.15 * perimeter))
    for i, j in itertools.combinations(straight, 2):
        cosine = abs(float(vectors[i] @ vectors[j])) / (lengths[i] * lengths[j])
        if cosine < 0.34:  # 70 to 110 degrees
            return True
    return False
