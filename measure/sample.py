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
from ..calibration.ranks import median
from .frame import ClothFrame, straight_frame, straighten
from .fringe import pick_energy
from .outline import STATION_MM, measure_outline
from .placing import CellView, WarpWay, WorkPicture, coarse_frame, work_picture
from .silhouette import CellPicture, Region, look_at_cells, regions, table_distance
from .warp_way import fringe_sides

__all__ = ["Sample", "WarpWay", "find_sample", "straighten"]

Mask = NDArray[np.bool_]
WarpSeen = Literal["down", "across"]

MIN_ROUGHNESS = 0.7  # natural logarithm of energy above the table's: cloth has at least twice the table's
ALL_CLOTH_ROUGHNESS = 1.5  # no table is as rough in two directions all over the photo
RIVAL_SHARE = 0.4  # a second region this large against the first could be meant as well
TABLE_BESIDE_CELLS = 6.0  # looked at beyond an area: two are blurred, the others show the table's colours
BLUR_CELLS = 3.0  # how far beyond an area the region of a cloth that ends there may still reach
CARD_GROWTH = 1.06  # cards are found to within their edge; the shadow beside it is no table either


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
    turn_deg : float
        How far the threads of a picture that is all cloth lie turned, positive when x turns towards y.
    fringe_tells : {"down", "across"} or None
        Way of the warp in the photo as the fringe of a sample that is no band tells it; None where it was told or nothing is seen.
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
    turn_deg: float = 0.0
    fringe_tells: WarpSeen | None = None
    score: float = 0.0


def find_sample(
    photo: Photo,
    plane: Plane,
    *,
    warp: WarpWay = "auto",
    area_px: tuple[float, float, float, float] | None = None,
    all_cloth: bool = False,
    turn_deg: float = 0.0,
) -> Sample:
    """Find the woven sample on the table.

    Parameters
    ----------
    photo : Photo
        The upright photo.
    plane : Plane
        The plane of the card; what lies inside its `card_outline_px` is no cloth.
    warp : {"auto", "down", "across"}
        Way of the warp in the photo. By default a band's warp is its length; any other sample's runs between the sides that
        have a fringe (`warp_way`), or, where none is seen, from the top to the bottom of the photo (the side nearest to it).
    area_px : tuple of float, optional
        Look only inside (x0, y0, x1, y1), photo pixels.
    all_cloth : bool
        Take the whole picture (or the whole area) for cloth.
    turn_deg : float
        How far cloth that fills the picture lies turned (see `turn.likely_turns_deg`); what is measured is then the largest
        rectangle along the threads that fits.

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
        return _whole_picture(photo, plane, warp, box, 0.0, turn_deg)
    cells = look_at_cells(photo.bgr)
    reach = _reach(plane, cells)
    known = _uncovered(plane, cells) & reach
    distance, excess, table_rough = table_distance(cells, known, reach)
    wanted = _with_table_beside(cells, box, distance, excess, known)
    found = [r for r in regions(distance, excess, known, wanted) if r.roughness >= MIN_ROUGHNESS]
    # A rail lies beside its band, on the table, and the band may leave the photo on two sides.
    if found and table_rough >= ALL_CLOTH_ROUGHNESS and _touches_border(found[0]) and plane.source != "rail":
        found = []  # a stripe or a corner of a picture that is cloth throughout
    if not found:
        rough_here = float(median(cells.rough[known & wanted])) if np.any(known & wanted) else table_rough
        if rough_here >= ALL_CLOTH_ROUGHNESS:
            return _whole_picture(photo, plane, warp, box, rough_here, turn_deg)
        raise SampleError(
            "no-cloth",
            "Nothing in the photo stands out from the table as woven cloth.",
            "Lay the sample flat on a plain table, let it fill at least a sixth of the photo and keep it sharp; "
            "if the whole picture is cloth, say so with --all-cloth.",
        )
    _refuse_rivals(found, cells)
    region = found[0]
    others = np.zeros_like(region.mask)
    for other in found[1:]:
        others |= other.mask
    view = CellView(cells=cells, region=region, known=known, others=others, wanted=wanted)
    laid = _laid(photo, plane, view, warp)
    is_band = laid.is_band
    outline = measure_outline(plane, laid.work, laid.energy, is_band=is_band)
    return Sample(
        frame=outline.frame,
        outline_mm=outline.outline_mm,
        left_u_mm=outline.left_u_mm,
        right_u_mm=outline.right_u_mm,
        station_v_mm=outline.station_v_mm,
        v_start_mm=outline.v_start_mm,
        v_end_mm=outline.v_end_mm,
        width_mm=outline.width_mm,
        width_u95_mm=outline.width_u95_mm,
        is_band=is_band,
        cut_off=outline.cut_off,
        start_curve=outline.start_curve,
        end_curve=outline.end_curve,
        fringe_tells=laid.fringe_tells,
        score=region.roughness,
    )


@dataclass(frozen=True, slots=True)
class _Laid:
    """The sample straightened along its warp, and what told the way."""

    work: WorkPicture
    energy: NDArray[np.float32]
    is_band: bool
    fringe_tells: WarpSeen | None


def _laid(photo: Photo, plane: Plane, view: CellView, warp: WarpWay) -> _Laid:
    def straightened(way: WarpWay) -> tuple[WorkPicture, NDArray[np.float32], bool]:
        frame, region_width, is_band = coarse_frame(view.region, view.cells, plane, way)
        work = work_picture(photo, plane, view, frame, region_width)
        return work, pick_energy(work.bgr, work.inner, work.unit_px), is_band

    work, energy, is_band = straightened(warp)
    if is_band or warp != "auto":
        return _Laid(work, energy, is_band, None)
    sides = fringe_sides(work, energy)
    if sides.warp_across:
        return _Laid(*straightened("across"), "across")
    return _Laid(work, energy, is_band, "down" if sides.warp_along else None)


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
            "Give the area as left,top,width,height in pixels of the upright photo.",
        )
    return (x0, y0, x1, y1)


def _uncovered(plane: Plane, cells: CellPicture) -> Mask:
    """Return the cells that the card leaves free."""
    free = np.ones(cells.rough.shape, dtype=np.uint8)
    if plane.card_outline_px is not None and plane.blank_region_mm is None:
        corners = np.asarray(plane.card_outline_px, dtype=np.float64)
        centre = corners.mean(axis=0)
        grown = centre + (corners - centre) * CARD_GROWTH
        polygon = np.round((grown + 0.5) / cells.cell_px - 0.5).astype(np.int32)
        cv2.fillPoly(free, [polygon], 0)
        free = cv2.erode(free, np.ones((3, 3), np.uint8)).astype(np.uint8)
    return free > 0


def _reach(plane: Plane, cells: CellPicture) -> Mask:
    """Return the cells where the sample may lie: all of them, or the empty middle of a page card."""
    if plane.blank_region_mm is None:
        return np.ones(cells.rough.shape, dtype=bool)
    reach = np.zeros(cells.rough.shape, dtype=np.uint8)
    corners = plane.to_px(plane.blank_region_mm)
    cv2.fillPoly(reach, [np.round((corners + 0.5) / cells.cell_px - 0.5).astype(np.int32)], 1)
    return reach > 0


def _cells_inside(cells: CellPicture, box: tuple[float, float, float, float]) -> Mask:
    rows, columns = cells.rough.shape
    x = (np.arange(columns) + 0.5) * cells.cell_px
    y = (np.arange(rows) + 0.5) * cells.cell_px
    return ((y >= box[1]) & (y <= box[3]))[:, None] & ((x >= box[0]) & (x <= box[2]))[None, :]


def _with_table_beside(
    cells: CellPicture,
    box: tuple[float, float, float, float],
    distance: NDArray[np.float32],
    excess: NDArray[np.float32],
    known: Mask,
) -> Mask:
    """Return the cells of an area, and of the table beyond those of its sides where the cloth ends.

    An area drawn close around a sample hides the table beside it, and its edges would pass for ones that leave the
    photo. Where the cloth goes on beyond the area, the area ends it as before.
    """
    inside = _cells_inside(cells, box)
    if inside.all():
        return inside
    beyond = TABLE_BESIDE_CELLS * cells.cell_px
    near = _cells_inside(cells, (box[0] - beyond, box[1] - beyond, box[2] + beyond, box[3] + beyond))
    found = [region.mask for region in regions(distance, excess, known, near)]
    if not found:
        return inside
    cloth = max(found, key=lambda mask: np.count_nonzero(mask & inside))
    blur = BLUR_CELLS * cells.cell_px
    y, x = ((np.flatnonzero(cloth.any(axis=axis)) + 0.5) * cells.cell_px for axis in (1, 0))
    ends = (x[0] > box[0] - blur, y[0] > box[1] - blur, x[-1] < box[2] + blur, y[-1] < box[3] + blur)
    x0, y0, x1, y1 = (
        side + sign * beyond * end for side, sign, end in zip(box, (-1, -1, 1, 1), ends, strict=True)
    )
    return _cells_inside(cells, (x0, y0, x1, y1))


def _touches_border(region: Region) -> bool:
    mask = region.mask
    return bool(mask[0].any() or mask[-1].any() or mask[:, 0].any() or mask[:, -1].any())


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
        "Say which one to measure with --area left,top,width,height (pixels), or photograph them one at a time.",
    )


def _whole_picture(
    photo: Photo,
    plane: Plane,
    warp: WarpWay,
    box: tuple[float, float, float, float],
    score: float,
    turn_deg: float,
) -> Sample:
    """Return the picture (or area) itself as the sample: no selvedge, no width."""
    corners = plane.to_mm(_turned_box(box, turn_deg))
    along = np.array([1.0, 0.0]) if warp == "across" else np.array([0.0, 1.0])
    if turn_deg:
        side = corners[1] - corners[0] if warp == "across" else corners[3] - corners[0]
        along = side / np.linalg.norm(side)
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
        turn_deg=turn_deg,
        score=score,
    )


def _turned_box(box: tuple[float, float, float, float], turn_deg: float) -> NDArray[np.float64]:
    """Corners of the largest rectangle that fits the box turned about its middle, first corner at its top left.

    Found by the condition that either two or four of its corners touch the sides of the box (elementary geometry).
    """
    width, height = box[2] - box[0], box[3] - box[1]
    turn = np.deg2rad(turn_deg)
    sine, cosine = abs(np.sin(turn)), abs(np.cos(turn))
    short, long = min(width, height), max(width, height)
    if short <= 2 * sine * cosine * long or abs(sine - cosine) < 1e-9:
        half = short / 2
        size = (half / sine, half / cosine) if width >= height else (half / cosine, half / sine)
    else:
        rest = cosine**2 - sine**2
        size = ((width * cosine - height * sine) / rest, (height * cosine - width * sine) / rest)
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * np.array(size) / 2
    way = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    return np.asarray(corners @ way + [(box[0] + box[2]) / 2, (box[1] + box[3]) / 2], dtype=np.float64)
