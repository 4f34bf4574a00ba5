"""Rows of marks along straight edges: where a rule could lie in a photo, and how long each of its marks is."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["FEWEST_MARKS", "TickRow", "find_tick_rows"]

_WORK_SIDE_PX = 3000
_SHORTEST_STROKE_PX = 7.0
_ANGLE_STEP_DEG, _ANGLE_WINDOW_DEG = 4.0, 5.0
_SLOPES = [float(k) for k in np.arange(-0.15, 0.1501, 0.003)]  # a tilted phone shows marks askew to the edge
_BIN_PX = 2.0
_LINES_PER_DIRECTION = 4
_MOST_LINES = 40
_MARK_WIDTHS_PX = (7, 17)  # marks are narrower; what is wider is no mark
_ENDS_AT_EDGE = 0.5  # of the marks' darkness may be left beyond the edge; threads of cloth go on
_STRIP_DEPTH = 0.09  # of the longer side: the longest mark of a rule seen close up
_ABOVE_PX = 30  # of the strip outside the line
FEWEST_MARKS = 24  # marks in a row; twice ten and some
_FINEST_PX = 3.0  # spacing below which single marks cannot be told
_EVEN = 0.28  # how much neighbouring spaces may differ
_ROW_STEP = 6  # px between the rows at which marks are looked for
_MOST_CUT = 0.02
_LOOK_DEPTH = 0.45  # of the strip: all marks begin near the edge
_FADED = 0.45  # of a mark's own darkness, below which it has ended

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class TickRow:
    """One row of marks, numbered one after the other.

    Attributes
    ----------
    number : ndarray of int, shape (N,)
        Running number of each mark; a mark that does not show leaves a gap.
    foot_px, tip_px : ndarray of shape (N, 2)
        Both ends of each mark in photo pixels: at the edge of the rule, and the free end.
    length_px : ndarray of shape (N,)
        Length of each mark from the common line at which all begin.
    spacing_px : float
        Median distance from mark to mark.
    foot_scatter_px : float
        How far the ends at the edge scatter about the common line before they were moved onto it.
    """

    number: NDArray[np.int_]
    foot_px: Array
    tip_px: Array
    length_px: Array
    spacing_px: float
    foot_scatter_px: float


def find_tick_rows(gray: NDArray[np.uint8]) -> list[TickRow]:
    """Find rows of evenly spaced marks at straight edges, those with the most marks first.

    Parameters
    ----------
    gray : ndarray of uint8, shape (M, N)
        Photo.
    """
    rows: list[TickRow] = []
    for start, along, length in _lines(gray):
        for side in (1.0, -1.0):
            rows.extend(_read_strip(gray, start, along, length, side))
    rows.sort(key=lambda row: -len(row.number))
    return rows


def _lines(gray: NDArray[np.uint8]) -> list[tuple[Array, Array, float]]:
    """Return lines at which many short parallel strokes end, as (start, unit direction, length) in photo pixels.

    The edge of a rule is broken up by its marks; the ends of the marks show it better than the edge itself.
    """
    reduction = min(1.0, _WORK_SIDE_PX / max(gray.shape))
    work = (
        gray
        if reduction == 1.0
        else cv2.resize(gray, None, fx=reduction, fy=reduction, interpolation=cv2.INTER_AREA)
    )
    found = cv2.createLineSegmentDetector(cv2.LSD_REFINE_NONE).detect(work)[0]
    if found is None:
        return []
    strokes = np.asarray(found, dtype=np.float64).reshape(-1, 2, 2)
    span = strokes[:, 1] - strokes[:, 0]
    length = np.hypot(span[:, 0], span[:, 1])
    strokes, span = strokes[length >= _SHORTEST_STROKE_PX], span[length >= _SHORTEST_STROKE_PX]
    angle = np.degrees(np.arctan2(span[:, 1], span[:, 0])) % 180.0
    found_lines: list[tuple[int, Array]] = []
    for centre in np.arange(0.0, 180.0, _ANGLE_STEP_DEG):
        apart = np.abs((angle - centre + 90.0) % 180.0 - 90.0)
        chosen = strokes[apart <= _ANGLE_WINDOW_DEG]
        if len(chosen) >= FEWEST_MARKS:
            found_lines += _lines_of_ends(chosen, math.radians(centre))
    found_lines.sort(key=lambda item: -item[0])
    kept: list[Array] = []
    for _, line in found_lines:
        if not any(_alike(line, other) for other in kept):
            kept.append(line)
        if len(kept) == _MOST_LINES:
            break
    out = []
    for line in kept:
        ends = (line + 0.5) / reduction - 0.5
        reach = float(np.linalg.norm(ends[1] - ends[0]))
        out.append((ends[0], (ends[1] - ends[0]) / reach, reach))
    return out


def _lines_of_ends(strokes: Array, stroke_angle: float) -> list[tuple[int, Array]]:
    """Return (number of strokes, both ends) of lines nearly at right angles to strokes of one direction.

    A Hough transform of the strokes' ends, upper and lower ones apart.
    """
    down = np.array([math.cos(stroke_angle), math.sin(stroke_angle)])
    across = np.array([down[1], -down[0]])
    y = strokes @ down
    flip = y[:, 0] > y[:, 1]
    x, y = strokes @ across, np.where(flip[:, None], y[:, ::-1], y)
    x = np.where(flip[:, None], x[:, ::-1], x)
    lines = []
    for end in (0, 1):
        left = np.ones(len(strokes), dtype=bool)
        for _ in range(_LINES_PER_DIRECTION):
            if np.count_nonzero(left) < FEWEST_MARKS:
                break
            ends = np.column_stack([x[left, end], y[left, end]])
            count, slope, offset = max(_busiest(ends, slope) for slope in _SLOPES)
            if count < FEWEST_MARKS:
                break
            near = np.abs(y[:, end] - slope * x[:, end] - offset) <= 1.5 * _BIN_PX
            member = near & left
            reach = np.array([x[member, end].min(), x[member, end].max()])
            if np.ptp(reach) >= FEWEST_MARKS * _FINEST_PX:
                fitted = _robust_line(np.column_stack([x[member, end], y[member, end]]))
                lines.append((count, reach[:, None] * across + np.polyval(fitted, reach)[:, None] * down))
            left &= ~near
    return lines


def _busiest(ends: Array, slope: float) -> tuple[int, float, float]:
    """Return (number of ends, slope, offset) of the line of one slope that passes most ends."""
    offset = ends[:, 1] - slope * ends[:, 0]
    low = float(offset.min())
    bins = np.bincount(((offset - low) / _BIN_PX).astype(int), minlength=2)
    pairs = bins[:-1] + bins[1:]
    top = int(np.argmax(pairs))
    return int(pairs[top]), slope, low + (top + 1) * _BIN_PX


def _alike(line: Array, other: Array) -> bool:
    span = other[1] - other[0]
    unit = span / np.linalg.norm(span)
    normal = np.array([-unit[1], unit[0]])
    along = (line - other[0]) @ unit
    inside = along.max() > 0 and along.min() < np.linalg.norm(span)
    return bool(inside and np.abs((line - other[0]) @ normal).max() < 6.0)


def _read_strip(
    gray: NDArray[np.uint8], start: Array, along: Array, length: float, side: float
) -> Iterator[TickRow]:
    """Look for marks on one side of a line, dark ones and bright ones: the gaps between marks look like marks too."""
    depth = round(_STRIP_DEPTH * max(gray.shape))
    inward = side * np.array([-along[1], along[0]])
    columns = int(1.1 * length)
    origin = start - 0.05 * length * along - _ABOVE_PX * inward
    u, w = np.meshgrid(np.arange(columns, dtype=np.float64), np.arange(depth + _ABOVE_PX, dtype=np.float64))
    map_x = (origin[0] + u * along[0] + w * inward[0]).astype(np.float32)
    map_y = (origin[1] + u * along[1] + w * inward[1]).astype(np.float32)
    strip = cv2.remap(gray, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).astype(
        np.float32
    )
    for kind in (cv2.MORPH_BLACKHAT, cv2.MORPH_TOPHAT):
        best: tuple[NDArray[np.float32], int, NDArray[np.int_], Array] | None = None
        for width in _MARK_WIDTHS_PX:
            marks = np.asarray(cv2.morphologyEx(strip, kind, np.ones((1, width), np.uint8)), np.float32)
            chain = _longest_chain(marks)
            if chain is not None and (best is None or len(chain[1]) > len(best[2])):
                best = (marks, *chain)
        if best is not None and _ends_at_edge(best[0], best[1], best[3]):
            row = _follow(*best, origin, along, inward)
            if row is not None:
                yield row


def _ends_at_edge(marks: NDArray[np.float32], row: int, places: Array) -> bool:
    """Tell whether the marks are gone on one side of the row within the strip's rim, as beyond the edge of a rule."""
    spacing = float(np.median(np.diff(places)))
    reach = max(1, round(0.3 * spacing))
    at = np.clip(np.rint(places).astype(int)[:, None] + np.arange(-reach, reach + 1), 0, marks.shape[1] - 1)
    own = float(np.median(marks[row][at].max(axis=1)))
    outside = marks[: max(3, _ABOVE_PX // 3)].mean(axis=0)
    return float(np.median(outside[at].max(axis=1))) < _ENDS_AT_EDGE * own


def _longest_chain(marks: NDArray[np.float32]) -> tuple[int, NDArray[np.int_], Array] | None:
    """Return the row with most evenly spaced marks: row, their running numbers, their places along it."""
    best: tuple[int, NDArray[np.int_], Array] | None = None
    for row in range(_ABOVE_PX - 2, _ABOVE_PX + int(_LOOK_DEPTH * (len(marks) - _ABOVE_PX)), _ROW_STEP):
        profile = marks[row - 2 : row + 3].mean(axis=0)
        chain = _chain(_peaks(profile))
        if chain is not None and (best is None or len(chain[0]) > len(best[1])):
            best = (row, *chain)
    return best


def _peaks(profile: NDArray[np.float32]) -> Array:
    """Return the places of marked maxima to a fraction of a pixel."""
    inner = profile[1:-1]
    top = (inner > profile[:-2]) & (inner >= profile[2:])
    heights = inner[top]
    if len(heights) < FEWEST_MARKS:
        return np.empty(0)
    strong = float(np.percentile(heights, 85))
    if strong < 4.0:
        return np.empty(0)
    at = np.flatnonzero(top & (inner > 0.3 * strong)) + 1
    left, middle, right = profile[at - 1], profile[at], profile[at + 1]
    bend = left - 2.0 * middle + right
    shift = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, -1.0), 0.0)
    return np.asarray(at + shift, dtype=np.float64)


def _chain(places: Array) -> tuple[NDArray[np.int_], Array] | None:
    """Return the longest run of evenly spaced places with their running numbers; one mark in a row may be missing."""
    if len(places) < FEWEST_MARKS:
        return None
    spaces = np.diff(places).tolist()
    best: tuple[int, int, list[int]] = (0, 0, [])
    start, usual = 0, spaces[0]
    steps = [1]
    for k in range(1, len(spaces) + 1):
        ratio = spaces[k] / usual if k < len(spaces) else math.inf
        step = 1 if ratio < 1.5 else 2
        if abs(ratio - step) < _EVEN:
            steps.append(step)
            usual += (spaces[k] / step - usual) / min(6, len(steps))
            continue
        if len(steps) > len(best[2]):
            best = (start, k, steps)
        if k < len(spaces):
            start, usual, steps = k, spaces[k], [1]
    first, last, run = best
    if last - first + 1 < FEWEST_MARKS:
        return None
    number = np.concatenate([[0], np.cumsum(run)])
    chosen = places[first : last + 1]
    return (number.astype(np.int_), chosen) if _is_one_line(number, chosen) else None


def _is_one_line(number: Array, places: Array) -> bool:
    """Tell whether the places follow their numbers as a straight scale seen in perspective: x = (a n + b) / (c n + 1)."""
    n = (number - number.mean()) / max(float(np.ptp(number)), 1.0)
    rows = np.column_stack([n, np.ones(len(n)), -n * places])
    answer = np.linalg.lstsq(rows, places, rcond=None)[0]
    model = (answer[0] * n + answer[1]) / (answer[2] * n + 1.0)
    spacing = float(np.ptp(places)) / max(float(np.ptp(number)), 1.0)
    off = np.abs(model - places)
    return (
        spacing >= _FINEST_PX
        and float(np.median(off)) < 0.08 * spacing
        and float(np.percentile(off, 90)) < 0.2 * spacing
    )


def _follow(
    marks: NDArray[np.float32],
    row: int,
    number: NDArray[np.int_],
    places: Array,
    origin: Array,
    along: Array,
    inward: Array,
) -> TickRow | None:
    """Follow every mark up and down from the row where it was seen; None when the strip cuts marks off."""
    spacing = float(np.ptp(places)) / max(int(np.ptp(number)), 1)
    soft = np.asarray(cv2.blur(marks, (1, 3)), np.float32)
    slant = _slant(soft, row, places, spacing)
    ends = [_track(soft, row, float(place), slant, spacing) for place in places]
    feet, tips = np.array([e[0] for e in ends]), np.array([e[1] for e in ends])
    cut = (np.minimum(feet[:, 1], tips[:, 1]) < 2) | (np.maximum(feet[:, 1], tips[:, 1]) > len(marks) - 3)
    if np.mean(cut) > _MOST_CUT:
        return None  # what is cut off looks equally long
    # All marks begin at one line, the rule's edge: of both ends the straighter ones.
    if _scatter(tips) < _scatter(feet):
        feet, tips = tips, feet
    line = _robust_line(feet)
    base = np.polyval(line, feet[:, 0])
    scatter = float(np.percentile(np.abs(feet[:, 1] - base), 68.0))
    lengths = np.abs(tips[:, 1] - base) * math.hypot(1.0, slant)
    feet[:, 0] += (base - feet[:, 1]) * slant
    feet[:, 1] = base
    to_photo = np.array([along, inward])
    return TickRow(
        number=number,
        foot_px=origin + feet @ to_photo,
        tip_px=origin + tips @ to_photo,
        length_px=lengths,
        spacing_px=spacing,
        foot_scatter_px=scatter,
    )


def _slant(soft: NDArray[np.float32], row: int, places: Array, spacing: float) -> float:
    """Return the common slant of the marks (px along per px of depth) at which they stand out most."""
    reach = max(4, round(2.5 * spacing))
    steps = np.arange(-reach, reach + 1)
    rows = np.clip(row + steps, 0, len(soft) - 1)
    slants = np.linspace(-0.5, 0.5, 81)
    strength = []
    for slant in slants:
        at = np.clip(np.rint(places[:, None] + slant * steps[None]).astype(int), 0, soft.shape[1] - 1)
        strength.append(float(soft[rows[None], at].mean()))
    return float(slants[int(np.argmax(strength))])


def _track(
    soft: NDArray[np.float32], row: int, place: float, slant: float, spacing: float
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return both ends of one mark as (along, depth), on a straight line through its middle in every row."""
    reach = max(1, round(0.22 * spacing))
    level = float(soft[row, min(max(round(place), 0), soft.shape[1] - 1)])
    middles, depths = [place], [row]
    for step in (-1, 1):
        x, y = place, row
        usual, missed = level, 0
        while 0 <= y + step < len(soft) and missed < 3:
            y += step
            x += step * slant
            low = max(1, round(x) - reach)
            window = soft[y, low : round(x) + reach + 1]
            if len(window) == 0:
                break
            k = int(window.argmax())
            peak = float(window[k])
            if peak < _FADED * usual:
                missed += 1
                continue
            missed = 0
            usual += 0.1 * (peak - usual)
            at = low + k
            if at + 1 < soft.shape[1]:
                left, right = float(soft[y, at - 1]), float(soft[y, at + 1])
                bend = left - 2.0 * peak + right
                fraction = 0.5 * (left - right) / bend if bend < 0 else 0.0
                middles.append(at + min(max(fraction, -0.5), 0.5))
                depths.append(y)
            x += 0.3 * (at - x)
    first, last = min(depths), max(depths)
    if last - first < 3:
        return (place, float(first)), (place, float(last))
    line = _straight(np.array(depths, dtype=np.float64), np.array(middles))
    return (line[0] * first + line[1], float(first)), (line[0] * last + line[1], float(last))


def _straight(depths: Array, middles: Array) -> tuple[float, float]:
    """Fit place over depth by least squares, once more without what lies off by more than half a pixel or so."""
    keep = np.ones(len(depths), dtype=bool)
    slope = offset = 0.0
    for _ in range(2):
        y, x = depths[keep], middles[keep]
        centre = y.mean()
        spread = float(np.sum((y - centre) ** 2))
        slope = float(np.sum((y - centre) * (x - x.mean())) / spread) if spread > 0 else 0.0
        offset = float(x.mean() - slope * centre)
        off = np.abs(middles - slope * depths - offset)
        closer = off <= max(0.4, 2.5 * float(np.median(off)))
        if np.count_nonzero(closer) < 3:
            break
        keep = closer
    return slope, offset


def _robust_line(points: Array) -> Array:
    """Fit depth over place by a line that a third of stray points does not move (iterated trimming)."""
    keep = np.ones(len(points), dtype=bool)
    line = np.polyfit(points[:, 0], points[:, 1], 1)
    middle = np.median(points[:, 1])
    keep = np.abs(points[:, 1] - middle) <= 2.5 * np.median(np.abs(points[:, 1] - middle)) + 2.0
    for _ in range(6):
        if keep.sum() < 3:
            break
        line = np.polyfit(points[keep, 0], points[keep, 1], 1)
        off = np.abs(points[:, 1] - np.polyval(line, points[:, 0]))
        keep = off <= 2.5 * np.median(off) + 0.5
    return np.asarray(line, dtype=np.float64)


def _scatter(points: Array) -> float:
    off = np.abs(points[:, 1] - np.polyval(_robust_line(points), points[:, 0]))
    return float(np.percentile(off, 75))
