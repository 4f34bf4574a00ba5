"""Bench marks: sewn or pinned marks of contrasting thread, found in the cloth or pointed out by hand.

The distances between the same marks before and after a wash give the change of size (the way of ISO 3759 and ISO 5077).
"""

from __future__ import annotations

import itertools
import math

import numpy as np
from numpy.typing import NDArray

from ..calibration.errors import UsageError
from .sett import SettMeasurement
from .shrinkage import Change, Direction

__all__ = ["MARK_DOUBT_MM", "change_of_marks", "find_marks", "marks_by_hand", "match_marks", "spots_in_cloth"]

Points = NDArray[np.float64]

MARK_DOUBT_MM = 0.3
"""Standard uncertainty of a mark's place, each way: about half the thickness of a sewing thread."""

_APART_LAB = 22.0  # CIELAB: contrasting thread, told apart from dyed yarn in shadow
_COMMON = 0.004  # a colour on more of the cloth than this is the cloth's own
_LEAST_MARKS, _MOST_MARKS = 3, 12
_SAME_PLACE = 0.03  # of the sample's size: marks keep their relative place in a wash
_AXIS_DEG = 15.0  # two marks tell of one direction if the line through them runs this near to it


def marks_by_hand(measurement: SettMeasurement, points_px: Points) -> Points:
    """Turn points of the photo (shape (N, 2), pixels) to cloth millimetres (u, v), corrected for the cloth's height."""
    on_plane = measurement.plane.to_mm(np.asarray(points_px, dtype=np.float64))
    factor = 1.0 if measurement.height is None else measurement.height.length_factor
    return measurement.patch.frame.to_cloth(on_plane) * factor


def find_marks(measurement: SettMeasurement) -> Points:
    """Return the middles of small spots in a colour foreign to the cloth, cloth millimetres (u, v), shape (N, 2)."""
    patch = measurement.patch
    pitch = min(measurement.result.ends.pitch_px, measurement.result.picks.pitch_px)
    spots = spots_in_cloth(patch.bgr, patch.mask, pitch)
    factor = 1.0 if measurement.height is None else measurement.height.length_factor
    marks: Points = (spots / patch.px_per_mm + np.array([patch.u0_mm, patch.v0_mm])) * factor
    return marks


def spots_in_cloth(bgr: NDArray[np.uint8], mask: NDArray[np.bool_], pitch_px: float) -> Points:
    """Return the middles (x, y) of compact spots whose colour is not the cloth's own, pixels, shape (N, 2).

    Parameters
    ----------
    bgr : ndarray of uint8, shape (M, N, 3)
        Straightened cloth.
    mask : ndarray of bool, shape (M, N)
        True where there is cloth.
    pitch_px : float
        The finer thread spacing.
    """
    import cv2

    step = max(1.0, pitch_px / 4.0)  # four cells a thread are enough to see a mark as thick as one
    size = (max(8, round(bgr.shape[1] / step)), max(8, round(bgr.shape[0] / step)))
    small = cv2.resize(bgr, size, interpolation=cv2.INTER_AREA)
    lab = np.asarray(cv2.cvtColor(small.astype(np.float32) / 255.0, cv2.COLOR_BGR2LAB), dtype=np.float32)
    covered = cv2.resize(mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    inside = cv2.erode(covered, np.ones((9, 9), np.uint8), borderValue=0) > 0
    if not inside.any():
        return np.zeros((0, 2))
    foreign = (_distance_to_cloth(lab, inside) > _APART_LAB) & inside
    joined = cv2.morphologyEx(foreign.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
    count, _, stats, centres = cv2.connectedComponentsWithStats(joined)
    found = [centres[k] for k in range(1, count) if 6 <= stats[k, cv2.CC_STAT_AREA] <= 1500]
    if not found:
        return np.zeros((0, 2))
    ratio = np.array([bgr.shape[1] / size[0], bgr.shape[0] / size[1]])
    return np.asarray((np.array(found) + 0.5) * ratio - 0.5, dtype=np.float64)


def match_marks(before: Points, after: Points) -> tuple[Points, Points] | None:
    """Pair the marks of two photos by their relative places, either way up; None when they do not fit each other."""
    if len(before) != len(after) or not _LEAST_MARKS <= len(before) <= _MOST_MARKS:
        return None
    one, flat_one = _relative(before)
    best: tuple[float, Points] | None = None
    for sign in itertools.product((1.0, -1.0), repeat=2):  # half a turn, or the back of the cloth
        other, flat_other = _relative(after * np.array(sign))
        if flat_one or flat_other:
            return None
        gap = np.linalg.norm(one[:, None] - other[None], axis=2)
        order = gap.argmin(axis=1)
        if len(set(order.tolist())) < len(order):
            continue
        worst = float(gap[np.arange(len(order)), order].max())
        if best is None or worst < best[0]:
            best = worst, order
    if best is None or best[0] > _SAME_PLACE:
        return None
    return before, after[best[1].astype(int)]


def change_of_marks(before: Points, after: Points) -> dict[Direction, Change]:
    """Return the change of size between the same marks in the same order, cloth millimetres (u, v), shape (N, 2).

    Two marks tell of the direction they lie in; three or more that do not lie on a line tell of both, by the affine
    map that fits best: its columns are the stretches along the ends and along the picks.

    Raises
    ------
    UsageError
        Fewer than two marks, unequal numbers, or marks that tell of neither direction.
    """
    if len(before) != len(after) or len(before) < 2:
        raise UsageError(
            "bad-marks",
            f"{len(before)} marks before and {len(after)} after cannot be compared.",
            "Give the same marks in the same order for both photos, at least two.",
        )
    centred = before - before.mean(axis=0)
    if len(before) == 2 or np.linalg.svd(centred, compute_uv=False)[1] < 0.1 * np.ptp(before):
        return _along_a_line(before, after)
    target = after - after.mean(axis=0)
    solution = np.linalg.lstsq(centred, target, rcond=None)[0]
    spread = np.sqrt(np.diag(np.linalg.inv(centred.T @ centred)))
    free = 2 * len(before) - 6
    scatter = math.sqrt(float(((centred @ solution - target) ** 2).sum()) / free) if free > 0 else 0.0
    doubt = max(math.sqrt(2.0) * MARK_DOUBT_MM, scatter)
    stretch = np.linalg.norm(solution, axis=1)
    return {
        "warpwise": _change(stretch[1], doubt * spread[1]),
        "weftwise": _change(stretch[0], doubt * spread[0]),
    }


def _along_a_line(before: Points, after: Points) -> dict[Direction, Change]:
    far = np.array([np.argmin(before @ _main_axis(before)), np.argmax(before @ _main_axis(before))])
    line, line_after = np.diff(before[far], axis=0)[0], np.diff(after[far], axis=0)[0]
    length = float(np.linalg.norm(line))
    angle = math.degrees(math.atan2(abs(line[0]), abs(line[1])))
    if length < 10 * MARK_DOUBT_MM or _AXIS_DEG < angle < 90.0 - _AXIS_DEG:
        raise UsageError(
            "bad-marks",
            "The marks lie askew in the cloth or too close together, so they tell of neither warp nor weft.",
            "Give marks that lie along the warp or along the weft, or three or more that do not lie on one line.",
        )
    way: Direction = "warpwise" if angle <= _AXIS_DEG else "weftwise"
    return {way: _change(float(np.linalg.norm(line_after)) / length, 2.0 * MARK_DOUBT_MM / length)}


def _main_axis(points: Points) -> Points:
    axis: Points = np.linalg.svd(points - points.mean(axis=0))[2][0]
    return axis


def _change(stretch: float, u: float) -> Change:
    return Change(
        change_percent=100.0 * (float(stretch) - 1.0),
        u95_percent=200.0 * float(u),
        own_u_percent=100.0 * float(u),
    )


def _relative(points: Points) -> tuple[Points, bool]:
    """Return places within the span of the marks, and whether they lie on a line."""
    span = np.ptp(points, axis=0)
    flat = bool(span.min() < 0.1 * span.max())
    return (points - points.min(axis=0)) / np.maximum(span, 1e-9), flat


def _distance_to_cloth(lab: NDArray[np.float32], inside: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return every pixel's distance to the nearest colour that is common on the cloth, CIELAB."""
    cell = 8.0
    keys = np.floor(lab / cell).astype(np.int64)
    keys -= keys.reshape(-1, 3).min(axis=0)
    sides = keys.reshape(-1, 3).max(axis=0) + 1
    flat = (keys[..., 0] * sides[1] + keys[..., 1]) * sides[2] + keys[..., 2]
    bins = np.bincount(flat[inside], minlength=int(sides.prod()))
    common = bins >= max(1.0, _COMMON * float(inside.sum()))
    out = np.full(flat.shape, np.inf)
    for code in np.flatnonzero(common):
        middle = lab[(flat == code) & inside].mean(axis=0)
        out = np.minimum(out, np.sqrt(((lab - middle) ** 2).sum(axis=-1)))
    return np.where(np.isfinite(out), out, 0.0)
