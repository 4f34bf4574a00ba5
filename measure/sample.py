"""Finding the woven sample on the table: outline, selvedges, width, and the way of the warp."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from ..calibration.errors import SampleError
from ..calibration.photo import Photo
from ..calibration.plane import Plane
from .fringe import pick_energy, woven_limit
from .frame import ClothFrame, curved_frame, local_px_per_mm, resample, straight_frame
from .selvedge import RowEdges, cloth_evidence, row_edges, station_means
from .silhouette import CellPicture, Region, look_at_cells, regions, table_distance

__all__ = ["Sample", "WarpWay", "find_sample"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
WarpWay = Literal["auto", "down", "across"]

BAND_RATIO = 2.0  # longer than this against its width, fringe included, a sample is a band
MIN_ROUGHNESS = 0.7  # natural logarithm of energy above the table's: cloth has at least twice the table's
ALL_CLOTH_ROUGHNESS = 1.5  # no table is as rough in two directions all over the photo
RIVAL_SHARE = 0.4  # a second region this large against the first could be meant as well
CARD_GROWTH = 1.06  # cards are found to within their edge; the shadow beside it is no table either
WORK_MEGAPIXELS = 1.0
STATION_MM = 5.0
EDGE_STANDARD_MM = 0.12  # what blur, fuzz and shadow leave in the place of one edge, standard uncertainty


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """The sample as it lies in the photo. All lengths are in the plane of the card.

    Attributes
    ----------
    frame : ClothFrame
        The cloth's own axes.
    outline_mm : ndarray of shape (N, 2)
        Closed polygon of the woven part (fringe left out) in plane millimetres.
    left_u_mm, right_u_mm : ndarray of shape (S,)
        Outer edges of the selvedges at the stations `station_v_mm` (cloth millimetres, left < right).
    station_v_mm : ndarray of shape (S,)
        Stations along the warp.
    v_start_mm, v_end_mm : float
        Where the woven part begins and ends along the warp (fringe left out), cloth millimetres.
    width_mm, width_u95_mm : float or None
        Mean distance between the selvedges' outer edges at right angles to the warp; None if a selvedge is not seen.
        The uncertainty is that of finding the edges; the scale's comes on top.
    is_band : bool
        True when the sample is clearly longer than wide, so that its length gave the warp direction.
    cut_off : frozenset of str
        Sides that leave the photo: any of ``"left"``, ``"right"``, ``"start"``, ``"end"``.
    start_curve, end_curve : ndarray of shape (3,)
        The first and the last pick's outer edge as v(u), a polynomial in cloth millimetres, highest power first.
    all_cloth : bool
        True when the whole picture is taken as cloth, so that the outline is only the picture's border.
    score : float
        How clearly the sample stands out from the table: roughness above the table's, natural logarithm of energy.
    """

    frame: ClothFrame
    outline_mm: NDArray[np.float64]
    left_u_mm: NDArray[np.float64]
    right_u_mm: NDArray[np.float64]
    station_v_mm: NDArray[np.float64]
    v_start_mm: float
    v_end_mm: float
    width_mm: float | None
    width_u95_mm: float | None
    is_band: bool
    cut_off: frozenset[str]
    start_curve: NDArray[np.float64]
    end_curve: NDArray[np.float64]
    all_cloth: bool = False
    score: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Work:
    """The straightened working picture with its masks; `unit_px` is about a millimetre, also without a scale."""

    bgr: NDArray[np.uint8]
    u0_mm: float
    v0_mm: float
    px_per_mm: float
    unit_px: float
    region: Mask
    in_photo: Mask
    card: Mask
    inner: Mask
    outer: Mask


def find_sample(
    photo: Photo,
    plane: Plane,
    *,
    warp: WarpWay = "auto",
    area_px: tuple[float, float, float, float] | None = None,
    all_cloth: bool = False,
) -> Sample:
    """Find the woven sample on the table.

    Parameters
    ----------
    photo : Photo
        The upright photo.
    plane : Plane
        The plane of the card; what lies inside its `card_outline_px` is no cloth.
    warp : {"auto", "down", "across"}
        Way of the warp in the photo. By default a band's warp is its length, and any other sample's runs from
        the top to the bottom of the photo (the side nearest to it).
    area_px : tuple of float, optional
        Look only inside (x0, y0, x1, y1), photo pixels.
    all_cloth : bool
        Take the whole picture (or the whole area) for cloth.

    Returns
    -------
    Sample
        In millimetres of the card's plane; the cloth's own height above it is corrected later.

    Raises
    ------
    SampleError
        ``no-cloth``: nothing woven is seen; ``two-samples``: two are; ``sample-too-small``: too few pixels;
        ``bad-area``: the area lies outside the photo.
    """
    height, width = photo.bgr.shape[:2]
    box = _checked_area(area_px, width, height)
    if all_cloth:
        return _whole_picture(photo, plane, warp, box, score=0.0)
    cells = look_at_cells(photo.bgr)
    known = _uncovered(plane, cells)
    distance, excess, table_rough = table_distance(cells, known)
    wanted = _cells_inside(cells, box)
    found = [r for r in regions(distance, excess, known, wanted) if r.roughness >= MIN_ROUGHNESS]
    if not found:
        rough_here = float(np.median(cells.rough[known & wanted])) if np.any(known & wanted) else table_rough
        if rough_here >= ALL_CLOTH_ROUGHNESS:
            return _whole_picture(photo, plane, warp, box, score=rough_here)
        raise SampleError(
            "no-cloth",
            "Nothing in the photo stands out from the table as woven cloth.",
            "Lay the sample flat on a plain table, let it fill at least a sixth of the photo and keep it sharp; "
            "if the whole picture is cloth, say so with --all-cloth.",
        )
    _refuse_rivals(found, cells)
    return _measure(photo, plane, cells, found[0], known, warp)


def _checked_area(
    area_px: tuple[float, float, float, float] | None, width: int, height: int
) -> tuple[float, float, float, float]:
    if area_px is None:
        return (0.0, 0.0, width - 1.0, height - 1.0)
    x0, x1 = sorted((area_px[0], area_px[2]))
    y0, y1 = sorted((area_px[1], area_px[3]))
    x0, y0, x1, y1 = max(x0, 0.0), max(y0, 0.0), min(x1, width - 1.0), min(y1, height - 1.0)
    if x1 - x0 < 32 or y1 - y0 < 32:
        raise SampleError(
            "bad-area",
            f"The area given covers less than 32 × 32 pixels of the photo ({width} × {height} pixels).",
            "Give the area as left, top, right, bottom in pixels of the upright photo.",
        )
    return (x0, y0, x1, y1)


def _uncovered(plane: Plane, cells: CellPicture) -> Mask:
    """Return the cells that the card leaves free."""
    free = np.ones(cells.rough.shape, dtype=np.uint8)
    if plane.card_outline_px is not None:
        corners = np.asarray(plane.card_outline_px, dtype=np.float64)
        centre = corners.mean(axis=0)
        grown = centre + (corners - centre) * CARD_GROWTH
        polygon = np.round((grown + 0.5) / cells.cell_px - 0.5).astype(np.int32)
        cv2.fillPoly(free, [polygon], 0)
        free = cv2.erode(free, np.ones((3, 3), np.uint8)).astype(np.uint8)
    return free > 0


def _cells_inside(cells: CellPicture, box: tuple[float, float, float, float]) -> Mask:
    rows, columns = cells.rough.shape
    x = (np.arange(columns) + 0.5) * cells.cell_px
    y = (np.arange(rows) + 0.5) * cells.cell_px
    return ((y >= box[1]) & (y <= box[3]))[:, None] & ((x >= box[0]) & (x <= box[2]))[None, :]


def _refuse_rivals(found: list[Region], cells: CellPicture) -> None:
    if len(found) < 2 or found[1].score < RIVAL_SHARE * found[0].score:
        return
    places = []
    for region in found[:2]:
        y, x = np.nonzero(region.mask)
        centre = (float(x.mean()) * cells.cell_px, float(y.mean()) * cells.cell_px)
        places.append(f"one around pixel ({centre[0]:.0f}, {centre[1]:.0f})")
    raise SampleError(
        "two-samples",
        f"Two pieces of cloth lie in the photo: {' and '.join(places)}.",
        "Say which one to measure with --area left,top,right,bottom (pixels), or photograph them one at a time.",
    )


def _whole_picture(
    photo: Photo, plane: Plane, warp: WarpWay, box: tuple[float, float, float, float], score: float
) -> Sample:
    """Return the picture (or area) itself as the sample: no selvedge, no width."""
    corners = plane.to_mm(np.array([[box[0], box[1]], [box[2], box[1]], [box[2], box[3]], [box[0], box[3]]]))
    along = np.array([1.0, 0.0]) if warp == "across" else np.array([0.0, 1.0])
    across = np.array([along[1], -along[0]])
    u, v = corners @ across, corners @ along
    middle = (u.min() + u.max()) / 2
    half = (u.max() - u.min()) / 2
    length = float(v.max() - v.min())
    frame = straight_frame(middle * across + v.min() * along, along, length)
    stations = np.linspace(0.0, length, max(2, round(length / STATION_MM) if plane.source != "none" else 20))
    return Sample(
        frame=frame,
        outline_mm=corners,
        left_u_mm=np.full(len(stations), -half),
        right_u_mm=np.full(len(stations), half),
        station_v_mm=stations,
        v_start_mm=0.0,
        v_end_mm=length,
        width_mm=None,
        width_u95_mm=None,
        is_band=False,
        cut_off=frozenset({"left", "right", "start", "end"}),
        start_curve=np.zeros(3),
        end_curve=np.array([0.0, 0.0, length]),
        all_cloth=True,
        score=score,
    )


def _coarse_frame(
    region: Region, cells: CellPicture, plane: Plane, warp: WarpWay
) -> tuple[ClothFrame, float, bool]:
    """Return a first frame from the region's cells, the region's width, and whether it is a band."""
    contours, _ = cv2.findContours(region.mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    contour = max(contours, key=cv2.contourArea)[:, 0, :].astype(np.float64)
    border = plane.to_mm((contour + 0.5) * cells.cell_px - 0.5)
    _, sides, turn = cv2.minAreaRect(border.astype(np.float32))
    angle = np.deg2rad(turn)
    axes = (np.array([np.cos(angle), np.sin(angle)]), np.array([-np.sin(angle), np.cos(angle)]))
    long_axis = axes[0] if sides[0] >= sides[1] else axes[1]
    is_band = max(sides) > BAND_RATIO * min(sides) and warp == "auto"
    if is_band:
        along = long_axis
    elif warp == "across":
        along = max(axes, key=lambda a: abs(a[0]))
    else:
        along = max(axes, key=lambda a: abs(a[1]))
    leading = 0 if abs(along[0]) > abs(along[1]) else 1
    along = along * np.sign(along[leading])
    across = np.array([along[1], -along[0]])
    y, x = np.nonzero(region.mask)
    points = plane.to_mm((np.stack([x, y], axis=-1) + 0.5) * cells.cell_px - 0.5)
    u, v = points @ across, points @ along
    v0, length = float(v.min()), float(v.max() - v.min())
    middle = (u.min() + u.max()) / 2
    frame = straight_frame(middle * across + v0 * along, along, length)
    if not (is_band and max(sides) > 3 * min(sides)):
        return frame, float(u.max() - u.min()), is_band
    # A band may lie in a curve: the middles of its cross-sections tell.
    bounds = np.linspace(0, length, 25)
    place, centre, span = [], [], []
    for low, high in zip(bounds[:-1], bounds[1:], strict=True):
        chosen = u[(v - v0 >= low) & (v - v0 < high)]
        if len(chosen) > 3:
            place.append((low + high) / 2)
            centre.append((chosen.min() + chosen.max()) / 2)
            span.append(chosen.max() - chosen.min())
    weight = np.ones(len(place))
    weight[[0, -1]] = 0.2  # the fringe may spread to one side
    fit = np.polyfit(np.array(place) / length, centre, 3, w=weight)
    t = np.linspace(0, 1, 25)
    nodes = (v0 + t * length)[:, None] * along + np.polyval(fit, t)[:, None] * across
    return curved_frame(nodes), float(np.percentile(span, 90)), is_band


def _work_picture(
    photo: Photo,
    plane: Plane,
    cells: CellPicture,
    region: Region,
    known: Mask,
    frame: ClothFrame,
    width: float,
) -> _Work:
    cell_mm = cells.cell_px / local_px_per_mm(plane, frame)
    margin = 6 * cell_mm
    length = float(frame.v_mm[-1])
    u_range = (-width / 2 - margin, width / 2 + margin)
    v_range = (-margin, length + margin)
    px_per_mm = min(
        local_px_per_mm(plane, frame),
        float(np.sqrt(WORK_MEGAPIXELS * 1e6 / ((u_range[1] - u_range[0]) * (v_range[1] - v_range[0])))),
    )
    bgr, map_px = resample(photo, plane, frame, u_range, v_range, px_per_mm)
    at_cell = (map_px + np.float32(0.5)) / np.float32(cells.cell_px) - np.float32(0.5)

    def carried(mask: Mask) -> Mask:
        return cv2.remap(mask.astype(np.uint8), at_cell, None, cv2.INTER_NEAREST) > 0

    cell_px = cell_mm * px_per_mm
    region_mask, card = carried(region.mask), ~carried(known)
    x, y = map_px[..., 0], map_px[..., 1]
    in_photo = (x >= 0) & (y >= 0) & (x <= photo.bgr.shape[1] - 1) & (y <= photo.bgr.shape[0] - 1)
    card &= in_photo
    inset = min(8.0 * cell_px, 0.4 * width * px_per_mm)
    inner = cv2.erode(region_mask.astype(np.uint8), _square(inset), borderValue=0) > 0
    outer = cv2.dilate(region_mask.astype(np.uint8), _square(2.0 * cell_px)) == 0
    return _Work(
        bgr=bgr,
        u0_mm=u_range[0],
        v0_mm=v_range[0],
        px_per_mm=px_per_mm,
        unit_px=px_per_mm if plane.source != "none" else cell_px,
        region=region_mask,
        in_photo=in_photo,
        card=card,
        inner=inner & in_photo & ~card,
        outer=outer & in_photo & ~card,
    )


def _square(side: float) -> NDArray[np.uint8]:
    size = max(3, round(side)) | 1
    return np.ones((size, size), dtype=np.uint8)


def _row_range(work: _Work) -> tuple[int, int, bool, bool]:
    """First and last row that may be woven, and whether the photo's border ends them."""
    cloth = np.flatnonzero(work.region.any(axis=1))
    columns = work.region.any(axis=0)
    seen = np.flatnonzero(work.in_photo[:, columns].mean(axis=1) > 0.6)
    if len(cloth) < 16 or len(seen) < 16:
        raise SampleError(
            "sample-too-small",
            "The piece of cloth covers too few pixels of the photo.",
            "Move the camera closer, so that the sample fills more of the photo.",
        )
    first, last = max(cloth[0], seen[0]), min(cloth[-1], seen[-1])
    slack = 0.02 * (last - first) + 2
    return int(first), int(last), bool(seen[0] > cloth[0] - slack), bool(seen[-1] < cloth[-1] + slack)


def _limits(work: _Work, columns: tuple[int, int]) -> tuple[Floats, Floats, set[str]]:
    """Return the curves (row as a polynomial of the column) of the first and last pick, and the sides cut off."""
    first, last, cut_first, cut_last = _row_range(work)
    energy = pick_energy(work.bgr, work.inner, work.unit_px)
    seen = work.in_photo & ~work.card
    depth = int(max(0.45 * (last - first), min(8 * work.unit_px, last - first)))
    cut: set[str] = set()
    curves = []
    bottom = len(energy) - 1
    for side, touches in (("start", cut_first), ("end", cut_last)):
        flip = side == "end"
        e = np.ascontiguousarray(energy[::-1]) if flip else energy
        s = np.ascontiguousarray(seen[::-1]) if flip else seen
        outermost = bottom - last if flip else first
        curve = woven_limit(e, s, columns, outermost, outermost + depth, work.unit_px)
        middle = (columns[0] + columns[1]) / 2
        if curve is None or (touches and np.polyval(curve, middle) < outermost + 1.5 * work.unit_px):
            curve = np.array([0.0, 0.0, float(outermost)])
            if touches:
                cut.add(side)
        curves.append(np.array([0.0, 0.0, float(bottom)]) - curve if flip else curve)
    return curves[0], curves[1], cut


def _measure(
    photo: Photo, plane: Plane, cells: CellPicture, region: Region, known: Mask, warp: WarpWay
) -> Sample:
    rough_frame, width, is_band = _coarse_frame(region, cells, plane, warp)
    work = _work_picture(photo, plane, cells, region, known, rough_frame, width)
    rows, columns = work.region.shape
    middle_rows = work.region[rows // 4 : rows - rows // 4]
    inside = np.flatnonzero(middle_rows.mean(axis=0) > 0.7)
    if len(inside) < 16:
        raise SampleError(
            "sample-too-small",
            "The piece of cloth covers too few pixels of the photo.",
            "Move the camera closer, so that the sample fills more of the photo.",
        )
    evidence = cloth_evidence(work.bgr, work.inner, work.outer)
    if evidence is None:
        # Hardly any table around the sample: its region is all that can be said.
        evidence = np.where(work.region, 1.0, -1.0).astype(np.float32)
    middle = np.full(rows, int((inside[0] + inside[-1]) // 2), dtype=np.intp)
    edges = row_edges(evidence, work.in_photo, work.card, middle)
    limits = (int(inside[0]), int(inside[-1]))
    start, end, cut = _limits(work, limits)
    return _assemble(plane, work, rough_frame, edges, (start, end), cut, is_band, region.roughness)


def _assemble(
    plane: Plane,
    work: _Work,
    frame: ClothFrame,
    edges: RowEdges,
    curves: tuple[Floats, Floats],
    cut: set[str],
    is_band: bool,
    score: float,
) -> Sample:
    """Turn rows and columns of the working picture into cloth millimetres along a refined centre line."""
    scale = work.px_per_mm
    middle_column = work.bgr.shape[1] / 2
    first = int(np.clip(round(float(np.polyval(curves[0], middle_column))), 0, len(edges.left) - 3))
    last = int(np.clip(round(float(np.polyval(curves[1], middle_column))), first + 2, len(edges.left) - 1))
    for side, flags in (("left", edges.left_cut), ("right", edges.right_cut)):
        if np.mean(flags[first : last + 1]) > 0.2:
            cut.add(side)
    rows_per_station = STATION_MM * scale if plane.source != "none" else (last - first) / 20
    row, left = station_means(edges.left, first, last, rows_per_station)
    _, right = station_means(edges.right, first, last, rows_per_station)
    border = (0.0, float(work.bgr.shape[1] - 1))
    left = np.full_like(left, border[0]) if not np.isfinite(left).any() else _filled(left)
    right = np.full_like(right, border[1]) if not np.isfinite(right).any() else _filled(right)

    def to_plane(column: Floats, at_row: Floats) -> Floats:
        uv = np.stack([work.u0_mm + column / scale, work.v0_mm + at_row / scale], axis=-1)
        return frame.to_plane(uv)

    # Nodes reach from the first to the last pick; their smooth course is the new centre line.
    degree = min(3 if is_band else 1, len(row) - 1)
    node_row = np.linspace(first, last, 25 if is_band else 2)
    t = (row - first) / (last - first)
    course = np.polyfit(t, (left + right) / 2, degree)
    node_column = np.polyval(course, (node_row - first) / (last - first))
    refined = curved_frame(to_plane(node_column, node_row)) if is_band else None
    if refined is None:
        ends = to_plane(node_column, node_row)
        step = ends[1] - ends[0]
        refined = straight_frame(ends[0], step / np.linalg.norm(step), float(np.linalg.norm(step)))
    left_uv = refined.to_cloth(to_plane(left, row))
    right_uv = refined.to_cloth(to_plane(right, row))
    station = (left_uv[:, 1] + right_uv[:, 1]) / 2
    left_u = np.interp(station, left_uv[:, 1], left_uv[:, 0])
    right_u = np.interp(station, right_uv[:, 1], right_uv[:, 0])

    sweep = np.linspace(float(np.mean(left)), float(np.mean(right)), 9)
    polynomials = []
    for curve in curves:
        uv = refined.to_cloth(to_plane(sweep, np.polyval(curve, sweep)))
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
    return Sample(
        frame=refined,
        outline_mm=refined.to_plane(outline),
        left_u_mm=left_u,
        right_u_mm=right_u,
        station_v_mm=station,
        v_start_mm=v_start,
        v_end_mm=v_end,
        width_mm=float(np.mean(width)) if seen else None,
        width_u95_mm=2.0 * float(np.hypot(spread, np.sqrt(2.0) * EDGE_STANDARD_MM)) if seen else None,
        is_band=is_band,
        cut_off=frozenset(cut),
        start_curve=polynomials[0],
        end_curve=polynomials[1],
        score=score,
    )


def _filled(values: Floats) -> Floats:
    good = np.flatnonzero(np.isfinite(values))
    return np.interp(np.arange(len(values)), good, values[good])
