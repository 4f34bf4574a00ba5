"""The outline of the sample in its own axes: selvedges, first and last pick, width."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ..calibration.errors import SampleError
from ..calibration.plane import Plane
from ..calibration.ranks import median, percentile
from .frame import ClothFrame, curved_frame, straight_frame
from .fringe import woven_limit
from .hem import cloth_end, ends_with
from .placing import REGION_HALO_CELLS, WorkPicture
from .selvedge import (
    RowEdges,
    cloth_evidence,
    edges_beside_shadow,
    row_edges,
    sharpen_edges,
    station_means,
)
from .silhouette import NOISE_ENERGY
from .stubs import outermost_ends

__all__ = ["STATION_MM", "Outline", "measure_outline"]

Floats = NDArray[np.float64]

STATION_MM = 5.0
STATIONS_WITHOUT_SCALE = 20
EDGE_STANDARD_MM = 0.15  # what blur, fuzz and shadow leave in the place of one edge, standard uncertainty
LEAST_STRAY_SHARE = 0.1
STRAY_SHARE = 0.5  # of the length; a selvedge missed is missed along most of it
LEAST_FRINGE_UNITS = 4.0  # at the photo's border a shorter quiet stretch may be the space between two picks
STRIP_UNITS = 15.0  # of cloth beside a selvedge whose colours tell it from the table
CUT_SHARE = 0.2  # a selvedge that leaves the photo over more of the length than this is not seen


@dataclass(frozen=True, slots=True, kw_only=True)
class Outline:
    """Everything about the outline, named as in `Sample`."""

    frame: ClothFrame
    outline_mm: Floats
    left_u_mm: Floats
    right_u_mm: Floats
    station_v_mm: Floats
    v_start_mm: float
    v_end_mm: float
    width_mm: float | None
    width_u95_mm: float | None
    cut_off: frozenset[str]
    start_curve: Floats
    end_curve: Floats


def measure_outline(
    plane: Plane, work: WorkPicture, energy: NDArray[np.float32], *, is_band: bool
) -> Outline:
    """Measure selvedges and first and last pick on the working picture, whose `fringe.pick_energy` is `energy`.

    Raises
    ------
    SampleError
        ``sample-too-small`` when too few pixels show cloth.
    """
    rows = len(work.region)
    inside = np.flatnonzero(work.region[rows // 4 : rows - rows // 4].mean(axis=0) > 0.7)
    if len(inside) < 16:
        raise _too_small()
    evidence = cloth_evidence(work.bgr, work.inner, work.outer)
    if evidence is None:
        # Hardly any table around the sample: its region is all that can be said.
        evidence = np.where(work.region, 1.0, -1.0).astype(np.float32)
    middle = np.full(rows, int((inside[0] + inside[-1]) // 2), dtype=np.intp)
    edges = row_edges(evidence, work.in_photo, work.card, middle)
    curves, cut = _limits(work, (evidence, energy), _columns_between(edges, work, inside))
    left, right, doubt_px = _settle_sides(work, edges, curves, energy)
    return _assemble(plane, work, edges, (left, right, doubt_px), curves, cut, is_band)


def _too_small() -> SampleError:
    return SampleError(
        "sample-too-small",
        "The piece of cloth covers too few pixels of the photo.",
        "Move the camera closer, so that the sample fills more of the photo.",
    )


def _columns_between(edges: RowEdges, work: WorkPicture, inside: NDArray[np.intp]) -> tuple[int, int]:
    """First and last column that are cloth all along the middle of the sample."""
    rows = len(work.region)
    core = slice(rows // 3, rows - rows // 3)
    limits = []
    for edge, fallback, share in ((edges.left, inside[0], 75), (edges.right, inside[-1], 25)):
        seen = edge[core][np.isfinite(edge[core])]
        limits.append(float(percentile(seen, share)) if len(seen) > 8 else float(fallback))
    low, high = limits
    if high - low < 16:
        low, high = float(inside[0]), float(inside[-1])
    return max(0, int(np.ceil(low))), min(work.region.shape[1] - 1, int(high))


def _middle_rows(work: WorkPicture, curves: tuple[Floats, Floats]) -> tuple[int, int]:
    """Rows of the first and the last pick in the middle of the picture."""
    middle_column = work.bgr.shape[1] / 2
    rows = len(work.region)
    first = int(np.clip(round(float(np.polyval(curves[0], middle_column))), 0, rows - 4))
    last = int(np.clip(round(float(np.polyval(curves[1], middle_column))), first + 3, rows - 1))
    return first, last


def _settle_sides(
    work: WorkPicture, edges: RowEdges, curves: tuple[Floats, Floats], energy: NDArray[np.float32]
) -> tuple[Floats, Floats, float]:
    """Place both edges precisely; where a side was cut, leave the stubs of weft out.

    Returns
    -------
    left, right : ndarray of shape (M,)
        Columns of the edges.
    doubt_px : float
        Standard uncertainty of the width from rows where colour could not tell cloth from table.
    """
    first, last = _middle_rows(work, curves)
    left = sharpen_edges(work.bgr, edges.left, cloth_right=True)
    right = sharpen_edges(work.bgr, edges.right, cloth_right=False)
    ends = outermost_ends(work, energy, (left, right), (first, last))
    if ends is not None:
        return ends[0], ends[1], 0.0
    rows = slice(first, last + 1)
    again = _without_fringe(work, edges, curves, rows)
    sides, shares = [], []
    for guess, edge, cut, is_left in (
        (left, again.left, edges.left_cut, True),
        (right, again.right, edges.right_cut, False),
    ):
        held, share = _held_to_region(work, guess, cut, rows, 1 if is_left else -1)
        near = sharpen_edges(work.bgr, edge, cloth_right=is_left)
        refined = edges_beside_shadow(work.bgr, edge, near, work.unit_px, cloth_right=is_left)
        sides.append(np.where(np.isfinite(held) & (held != guess), held, refined))
        shares.append(share)
    return sides[0], sides[1], work.cell_px * float(np.hypot(shares[0], shares[1]))


def _without_fringe(
    work: WorkPicture, edges: RowEdges, curves: tuple[Floats, Floats], rows: slice
) -> RowEdges:
    """Find both edges of the woven rows again, with the colours of the cloth learned between first and last pick.

    Between the threads of a fringe the table shows, in their shadow: learned with them, that shadow would pass for cloth.
    Only strips beside the selvedges are looked at.
    """
    columns = work.bgr.shape[1]
    reach = round(STRIP_UNITS * work.unit_px)
    seen = [edge[rows][np.isfinite(edge[rows])] for edge in (edges.left, edges.right)]
    if min(len(part) for part in seen) < 16:
        return edges
    stop = min(columns, int(np.ceil(np.max(seen[0]))) + reach)
    start = max(0, int(np.floor(np.min(seen[1]))) - reach)
    middle = (stop + start) // 2
    stop, start = (stop, start) if stop < start else (middle, middle)

    def strips(picture: NDArray[Any]) -> NDArray[Any]:
        return np.concatenate([picture[rows, :stop], picture[rows, start:]], axis=1)

    x, y = np.arange(columns)[None, :], np.arange(len(work.bgr))[:, None]
    woven = (y > np.polyval(curves[0], x) + work.unit_px) & (y < np.polyval(curves[1], x) - work.unit_px)
    evidence = cloth_evidence(work.bgr, work.inner & woven, work.outer, weighed=strips(work.bgr))
    if evidence is None:
        return edges
    inside = np.full(rows.stop - rows.start, stop, dtype=np.intp)
    again = row_edges(evidence, strips(work.in_photo), strips(work.card), inside)
    left, right = edges.left.copy(), edges.right.copy()
    left[rows], right[rows] = again.left, again.right + (start - stop)
    return RowEdges(left=left, right=right, left_cut=edges.left_cut, right_cut=edges.right_cut)


def _held_to_region(
    work: WorkPicture, edge: Floats, cut: NDArray[np.bool_], rows: slice, sign: int
) -> tuple[Floats, float]:
    """Replace an edge that strays from the region which colour and roughness gave together.

    A selvedge of the table's colour is missed by colour all along; the coarse region, though blurred, has it. A
    region that is ragged in places (lines printed on the table run into it) leaves the edge alone, but adds doubt.

    Returns
    -------
    edge : ndarray of shape (M,)
        The edge, from the region where the two disagree nearly everywhere.
    share : float
        Part of the rows where they disagree.
    """
    region = work.region if sign > 0 else work.region[:, ::-1]
    from_side = np.argmax(region, axis=1).astype(np.float64) - 0.5
    border = from_side if sign > 0 else region.shape[1] - 1 - from_side
    expected = border + sign * REGION_HALO_CELLS * work.cell_px
    allowed = max(1.5 * work.cell_px, 1.2 * work.unit_px)
    # Single rows stray at turns and hairs; only a stretch of them is a selvedge missed.
    length = max(3, round(4 * work.unit_px)) | 1
    unseen = np.isnan(edge) & ~cut & ~work.card.any(axis=1)
    distance = np.where(unseen, 2 * allowed, edge - expected)
    distance = np.where(np.isfinite(distance) & region.any(axis=1), distance, 0.0)
    smooth = cv2.blur(distance.reshape(-1, 1), (1, length))[:, 0]
    strays = sign * smooth > allowed
    strays[: rows.start] = strays[rows.stop :] = False
    share = float(np.mean(strays[rows]))
    if share < LEAST_STRAY_SHARE or not _looks_woven(work, np.where(strays, edge, np.nan), sign):
        return edge, 0.0
    return (np.where(strays, expected, edge) if share > STRAY_SHARE else edge), share


def _looks_woven(work: WorkPicture, edge: Floats, sign: int) -> bool:
    """Tell whether the strip just outside an edge is rough in two directions like the cloth, not like the table."""
    gray = cv2.cvtColor(work.bgr, cv2.COLOR_BGR2GRAY)
    gx = cv2.Sobel(gray, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
    gy = cv2.Sobel(gray, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
    sigma = 0.3 * work.unit_px  # the cloth's own roughness must not reach the strip
    xx, yy, xy = (cv2.GaussianBlur(product, (0, 0), sigma) for product in (gx * gx, gy * gy, gx * gy))
    rough = np.log(np.maximum((xx + yy) / 2 - np.sqrt(((xx - yy) / 2) ** 2 + xy**2), 0) + NOISE_ENERGY)
    column = np.arange(work.bgr.shape[1])[None, :]
    outward = -sign * (column - np.where(np.isfinite(edge), edge, 0.0)[:, None])
    strip = (outward > work.unit_px) & (outward < 2.2 * work.unit_px) & np.isfinite(edge)[:, None]
    strip &= work.in_photo & ~work.card
    if not (strip.any() and work.inner.any() and work.outer.any()):
        return bool(np.isnan(edge).all())
    table, cloth = float(median(rough[work.outer])), float(median(rough[work.inner]))
    return float(median(rough[strip])) > (table + cloth) / 2


def _row_range(work: WorkPicture) -> tuple[int, int, bool, bool]:
    """First and last row that may be woven, and whether the photo's border ends them."""
    cloth = np.flatnonzero(work.region.any(axis=1))
    columns = work.region.any(axis=0)
    seen = np.flatnonzero(work.in_photo[:, columns].mean(axis=1) > 0.6)
    if len(cloth) < 16 or len(seen) < 16:
        raise _too_small()
    first, last = max(cloth[0], seen[0]), min(cloth[-1], seen[-1])
    slack = 0.02 * (last - first) + 2
    return int(first), int(last), bool(seen[0] > cloth[0] - slack), bool(seen[-1] < cloth[-1] + slack)


def _limits(
    work: WorkPicture, seen_as: tuple[NDArray[np.float32], NDArray[np.float32]], columns: tuple[int, int]
) -> tuple[tuple[Floats, Floats], set[str]]:
    """Return the curves (row as a polynomial of the column) of the first and last pick, and the sides cut off.

    `seen_as` is what `cloth_evidence` and `pick_energy` make of the picture.
    """
    evidence, energy = seen_as
    first, last, cut_first, cut_last = _row_range(work)
    seen = work.in_photo & ~work.card
    depth = int(max(0.45 * (last - first), min(8 * work.unit_px, last - first)))
    cut: set[str] = set()
    curves = []
    bottom = len(energy) - 1
    for side, touches in (("start", cut_first), ("end", cut_last)):
        flip = side == "end"
        way = slice(None, None, -1 if flip else 1)
        outermost = bottom - last if flip else first
        rows = (outermost, outermost + depth)
        end = cloth_end(evidence[way], work.in_photo[way], work.card[way], columns, rows[1], work.unit_px)
        turned = np.ascontiguousarray(energy[way])
        curve = woven_limit(turned, seen[way], columns, rows, work.unit_px, straight_end=end is not None)
        middle = (columns[0] + columns[1]) / 2
        if curve is not None and touches:
            short = np.polyval(curve, middle) < outermost + LEAST_FRINGE_UNITS * work.unit_px
            curve = None if short else curve
        if curve is None or (end is not None and ends_with(curve, end, columns, work.unit_px)):
            curve = end
        if curve is None:
            curve = np.array([0.0, 0.0, float(outermost)])
            if touches:
                cut.add(side)
        curves.append(np.array([0.0, 0.0, float(bottom)]) - curve if flip else curve)
    return (curves[0], curves[1]), cut


def _assemble(
    plane: Plane,
    work: WorkPicture,
    edges: RowEdges,
    sides: tuple[Floats, Floats, float],
    curves: tuple[Floats, Floats],
    cut: set[str],
    is_band: bool,
) -> Outline:
    """Turn rows and columns of the working picture into cloth millimetres along a refined centre line."""
    scale = work.px_per_mm
    first, last = _middle_rows(work, curves)
    for side, flags in (("left", edges.left_cut), ("right", edges.right_cut)):
        if np.mean(flags[first : last + 1]) > CUT_SHARE:
            cut.add(side)
    rows_per_station = (
        STATION_MM * scale if plane.source != "none" else (last - first) / STATIONS_WITHOUT_SCALE
    )
    row, left = station_means(sides[0], first, last, rows_per_station)
    _, right = station_means(sides[1], first, last, rows_per_station)
    border = (0.0, float(work.bgr.shape[1] - 1))
    left = np.full_like(left, border[0]) if not np.isfinite(left).any() else _filled(left)
    right = np.full_like(right, border[1]) if not np.isfinite(right).any() else _filled(right)

    def to_plane(column: Floats, at_row: Floats) -> Floats:
        uv = np.stack([work.u0_mm + column / scale, work.v0_mm + at_row / scale], axis=-1)
        return work.frame.to_plane(uv)

    refined = _refined_frame(to_plane, row, (left + right) / 2, (first, last), is_band)
    left_uv = refined.to_cloth(to_plane(left, row))
    right_uv = refined.to_cloth(to_plane(right, row))
    station = (left_uv[:, 1] + right_uv[:, 1]) / 2
    left_u = np.interp(station, left_uv[:, 1], left_uv[:, 0])
    right_u = np.interp(station, right_uv[:, 1], right_uv[:, 0])

    sweep = np.linspace(float(np.mean(left)), float(np.mean(right)), 9)
    polynomials = []
    for curve in curves:
        uv = refined.to_cloth(to_plane(sweep, np.asarray(np.polyval(curve, sweep), dtype=np.float64)))
        polynomials.append(np.polyfit(uv[:, 0], uv[:, 1], 2))
    u_sweep = np.linspace(float(np.mean(left_u)), float(np.mean(right_u)), 17)
    v_start, v_end = (float(np.mean(np.polyval(p, u_sweep))) for p in polynomials)
    width = right_u - left_u
    seen = not (cut & {"left", "right"})
    spread = float(np.std(width)) / np.sqrt(len(width))
    outline = np.concatenate(
        [
            np.stack([u_sweep, np.polyval(polynomials[0], u_sweep)], axis=-1),
            np.stack([right_u, station], axis=-1),
            np.stack([u_sweep, np.polyval(polynomials[1], u_sweep)], axis=-1)[::-1],
            np.stack([left_u, station], axis=-1)[::-1],
        ]
    )
    return Outline(
        frame=refined,
        outline_mm=refined.to_plane(outline),
        left_u_mm=left_u,
        right_u_mm=right_u,
        station_v_mm=station,
        v_start_mm=v_start,
        v_end_mm=v_end,
        width_mm=float(np.mean(width)) if seen else None,
        width_u95_mm=_expanded(spread, sides[2] / scale) if seen else None,
        cut_off=frozenset(cut),
        start_curve=polynomials[0],
        end_curve=polynomials[1],
    )


def _refined_frame(
    to_plane: Callable[[Floats, Floats], Floats],
    row: Floats,
    middle: Floats,
    ends: tuple[int, int],
    is_band: bool,
) -> ClothFrame:
    """Return the frame whose centre line is the smooth course of the middle, from the first to the last pick."""
    first, last = ends
    degree = min(3 if is_band else 1, len(row) - 1)
    course = np.polyfit((row - first) / (last - first), middle, degree)
    t = np.linspace(0.0, 1.0, 25 if is_band else 2)
    nodes = to_plane(np.asarray(np.polyval(course, t), dtype=np.float64), first + t * (last - first))
    if is_band:
        return curved_frame(nodes)
    step = nodes[1] - nodes[0]
    length = float(np.linalg.norm(step))
    return straight_frame(nodes[0], step / length, length)


def _expanded(spread_mm: float, doubt_mm: float) -> float:
    """Combine scatter along the warp, the two edges and doubt about them to an expanded uncertainty (k = 2)."""
    return 2.0 * float(np.sqrt(spread_mm**2 + 2 * EDGE_STANDARD_MM**2 + doubt_mm**2))


def _filled(values: Floats) -> Floats:
    good = np.flatnonzero(np.isfinite(values))
    return np.interp(np.arange(len(values)), good, values[good])
