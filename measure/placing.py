"""A first frame for a region of cloth, and the straightened working picture in which its edges are measured."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from ..calibration.photo import Photo
from ..calibration.plane import Plane
from ..calibration.ranks import percentile
from .frame import (
    ClothFrame,
    curved_frame,
    inside_photo,
    local_px_per_mm,
    look_up,
    resample,
    straight_frame,
)
from .silhouette import CellPicture, Region

__all__ = ["REGION_HALO_CELLS", "WarpWay", "WorkPicture", "coarse_frame", "work_picture"]

Mask = NDArray[np.bool_]
WarpWay = Literal["auto", "down", "across"]

BAND_RATIO = 2.0  # longer than this against its width, fringe included, a sample is a band
# How far the coarse region's blur reaches beyond the cloth: 1.2 to 3 cells as measured.
REGION_HALO_CELLS = 2.0
CURVE_RATIO = 3.0  # a shorter piece cannot lie in a curve worth following
WORK_MEGAPIXELS = 0.9  # about: the working picture may have up to twice as many
MARGIN_CELLS = 6.0  # table shown around the region, so that its colours are known


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkPicture:
    """A straightened picture of the region and a margin, all masks of shape (M, N).

    Attributes
    ----------
    bgr : ndarray of uint8, shape (M, N, 3)
        Pixels; `px_per_mm`, `u0_mm`, `v0_mm` and `frame` place them as in a `ClothPatch`.
    unit_px : float
        About a millimetre in pixels, also for photos without a scale.
    cell_px : float
        Side of a coarse cell in pixels of this picture.
    region : ndarray of bool
        Cells that are not table.
    in_photo, card : ndarray of bool
        Pixels the photo shows; pixels the card covers.
    inner, outer : ndarray of bool
        Surely cloth (or fringe); surely table.
    """

    bgr: NDArray[np.uint8]
    frame: ClothFrame
    u0_mm: float
    v0_mm: float
    px_per_mm: float
    unit_px: float
    cell_px: float
    region: Mask
    in_photo: Mask
    card: Mask
    inner: Mask
    outer: Mask


@dataclass(frozen=True, slots=True, kw_only=True)
class CellView:
    """What the coarse picture says.

    Attributes
    ----------
    cells : CellPicture
        The photo in cells.
    region : Region
        The sample.
    known, others, wanted : ndarray of bool
        Cells the card leaves free; cells of other regions; cells that may be looked at.
    """

    cells: CellPicture
    region: Region
    known: Mask
    others: Mask
    wanted: Mask


def coarse_frame(
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
    halo_mm = 2.0 * REGION_HALO_CELLS * cells.cell_px / plane.px_per_mm_at(border.mean(axis=0))
    is_band = max(sides) - halo_mm > BAND_RATIO * (min(sides) - halo_mm) and warp == "auto"
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
    centres = (np.stack([x, y], axis=-1) + 0.5) * cells.cell_px - 0.5
    points = plane.to_mm(centres.astype(np.float64))
    u, v = points @ across, points @ along
    v0, length = float(v.min()), float(v.max() - v.min())
    middle = (u.min() + u.max()) / 2
    frame = straight_frame(middle * across + v0 * along, along, length)
    if not (is_band and max(sides) > CURVE_RATIO * min(sides)):
        return frame, float(u.max() - u.min()), is_band
    # A band may lie in a curve: the middles of its cross-sections tell.
    bounds = np.linspace(0, length, 25)
    place, centre, span = [], [], []
    for low, high in pairwise(bounds):
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
    return curved_frame(nodes), float(percentile(span, 90)), is_band


def work_picture(photo: Photo, plane: Plane, view: CellView, frame: ClothFrame, width: float) -> WorkPicture:
    """Resample the region and a margin of table, at most a megapixel, and carry the masks along."""
    cells, region = view.cells, view.region
    cell_mm = cells.cell_px / local_px_per_mm(plane, frame)
    margin = MARGIN_CELLS * cell_mm
    length = float(frame.v_mm[-1])
    u_range = (-width / 2 - margin, width / 2 + margin)
    v_range = (-margin, length + margin)
    local = local_px_per_mm(plane, frame)
    wanted = float(np.sqrt(WORK_MEGAPIXELS * 1e6 / ((u_range[1] - u_range[0]) * (v_range[1] - v_range[0]))))
    px_per_mm = local / max(1, round(local / wanted))  # whole blocks of photo pixels are averaged quickly
    bgr, map_px = resample(photo, plane, frame, u_range, v_range, px_per_mm)
    at_cell = (map_px + np.float32(0.5)) / np.float32(cells.cell_px) - np.float32(0.5)

    def carried(mask: Mask) -> Mask:
        return np.asarray(look_up(mask.astype(np.uint8), at_cell, cv2.INTER_NEAREST) > 0)

    cell_px = cell_mm * px_per_mm
    region_mask, card = carried(region.mask), ~carried(view.known)
    in_photo = inside_photo(map_px, photo.bgr.shape)
    card &= in_photo
    if not view.wanted.all():
        in_photo &= carried(view.wanted)
    inset = min(8.0 * cell_px, 0.4 * width * px_per_mm)
    inner = cv2.erode(region_mask.astype(np.uint8), _square(inset), borderValue=0) > 0
    outer = cv2.dilate(region_mask.astype(np.uint8), _square(2.0 * cell_px)) == 0
    return WorkPicture(
        bgr=bgr,
        frame=frame,
        u0_mm=u_range[0],
        v0_mm=v_range[0],
        px_per_mm=px_per_mm,
        unit_px=px_per_mm if plane.source != "none" else cell_px,
        cell_px=cell_px,
        region=region_mask,
        in_photo=in_photo,
        card=card,
        inner=inner & in_photo & ~card,
        outer=outer & in_photo & ~card & ~carried(view.others),
    )


def _square(side: float) -> NDArray[np.uint8]:
    size = max(3, round(side)) | 1
    return np.ones((size, size), dtype=np.uint8)
