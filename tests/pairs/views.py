"""Other photos of a rendered sample, made from the one there is and its truth: turned, scanned, with another card, in part."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from card_scene import RASTER_PX_PER_MM, card_raster
from numpy.typing import NDArray

from pickglass.calibration.card_design import POCKET_SIZE_MM
from pickglass.calibration.photo import Photo, load_photo
from pickglass.cli.pipeline import Request

__all__ = ["PARTS", "VIEWS", "View", "read_truth", "view_of"]

SCAN_PX_PER_MM = 300 / 25.4
_TABLE_MM = 12.0  # table kept around the cloth on a made scan
_PAPER_WHITE = 0.9  # of full light, sRGB coded
_STEP = 24  # pixels between nodes of the smooth map from scan to photo

# Share of the cloth's length and width that a part shows.
PARTS: dict[str, tuple[tuple[float, float], tuple[float, float]]] = {
    "first half": ((0.0, 0.55), (0.0, 1.0)),
    "middle": ((0.25, 0.70), (0.0, 1.0)),
    "later middle": ((0.35, 0.80), (0.0, 1.0)),
    "corner": ((0.40, 1.0), (0.0, 0.65)),
    "inside": ((0.15, 0.85), (0.2, 0.85)),
}
VIEWS = ("as taken", "half a turn", "other face", "scan", "pocket card")


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """A photo and what a weaver would say with it."""

    photo: Photo
    request: Request


def read_truth(path: Path) -> dict[str, Any]:
    """Read the true values beside a photo."""
    truth: dict[str, Any] = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
    return truth


def view_of(path: Path, kind: str) -> View:
    """Return one of `VIEWS` or `PARTS`; parts are cut from the made scan."""
    photo = load_photo(path)
    if kind == "as taken":
        return View(photo=photo, request=Request())
    if kind == "half a turn":
        return View(photo=_renamed(photo, cv2.rotate(photo.bgr, cv2.ROTATE_180), kind), request=Request())
    if kind == "other face":
        return View(photo=_renamed(photo, cv2.flip(photo.bgr, 1), kind), request=Request())
    truth = read_truth(path)
    if kind == "pocket card":
        return View(photo=_renamed(photo, _with_pocket_card(photo.bgr, truth), kind), request=Request())
    along, across = PARTS.get(kind, ((0.0, 1.0), (0.0, 1.0)))
    bgr = _scan(photo.bgr, truth, along, across)
    request = Request(scan=True, dpi=SCAN_PX_PER_MM * 25.4, warp="auto" if kind == "scan" else "down")
    return View(photo=Photo(bgr=bgr, name=f"{path.stem}, {kind}"), request=request)


def _renamed(photo: Photo, bgr: NDArray[np.uint8], kind: str) -> Photo:
    return Photo(
        bgr=np.ascontiguousarray(bgr),
        name=f"{photo.name}, {kind}",
        camera=photo.camera,
        focal_length_mm=photo.focal_length_mm,
        focal_length_35mm=photo.focal_length_35mm,
    )


def _scan(
    bgr: NDArray[np.uint8], truth: dict[str, Any], along: tuple[float, float], across: tuple[float, float]
) -> NDArray[np.uint8]:
    """Return the cloth as a flat-bed scanner would see it, warp down; table shows where the cloth ends."""
    ends, picks = np.array(truth["end_u_mm"]), np.array(truth["pick_v_mm"])
    box = []
    for places, (low, high) in ((ends, across), (picks, along)):
        first, last = float(places.min()), float(places.max())
        start = first - _TABLE_MM if low == 0.0 else first + low * (last - first)
        stop = last + _TABLE_MM if high == 1.0 else first + high * (last - first)
        box.append((start, stop))
    (u0, u1), (v0, v1) = box
    columns, rows = round((u1 - u0) * SCAN_PX_PER_MM), round((v1 - v0) * SCAN_PX_PER_MM)
    x = np.append(np.arange(0, columns - 1, _STEP), columns - 1)
    y = np.append(np.arange(0, rows - 1, _STEP), rows - 1)
    u, v = np.meshgrid(u0 + x / SCAN_PX_PER_MM, v0 + y / SCAN_PX_PER_MM)
    nodes = _photo_px(truth, u, v)
    if _turned_over(nodes):  # keep the handedness of the photo: a scan shows no mirror picture
        u = u[:, ::-1]
        nodes = _photo_px(truth, u, v)
    maps = [_between(plane, x, y, (rows, columns)) for plane in nodes]
    return np.asarray(cv2.remap(bgr, maps[0], maps[1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT))


def _between(
    plane: NDArray[np.float64], x: NDArray[np.int_], y: NDArray[np.int_], shape: tuple[int, int]
) -> NDArray[np.float32]:
    from scipy.interpolate import RectBivariateSpline

    spline = RectBivariateSpline(y, x, plane, kx=2, ky=2)
    return np.asarray(spline(np.arange(shape[0]), np.arange(shape[1])), dtype=np.float32)


def _turned_over(nodes: tuple[NDArray[np.float64], NDArray[np.float64]]) -> bool:
    x, y = nodes
    turn = (x[0, 1] - x[0, 0]) * (y[1, 0] - y[0, 0]) - (y[0, 1] - y[0, 0]) * (x[1, 0] - x[0, 0])
    return bool(turn < 0)


def _photo_px(
    truth: dict[str, Any], u: NDArray[np.float64], v: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Map cloth millimetres to photo pixels by the truth's own formulas (sample_images/README.md)."""
    frame = truth["fabric_to_plane"]
    bend, y = frame["bend_per_mm"], v + truth["v_origin_fabric_mm"] - frame["v_centre_mm"]
    x = u
    if bend:
        x, y = (
            (1 - np.cos(bend * y)) / bend + u * np.cos(bend * y),
            np.sin(bend * y) / bend - u * np.sin(bend * y),
        )
    c, s = np.cos(frame["theta_rad"]), np.sin(frame["theta_rad"])
    plane = np.stack([c * x - s * y + frame["tx"], s * x + c * y + frame["ty"]], axis=-1)
    px = _through_lens(truth, plane, truth["homography_cloth_mm_to_undistorted_px"])
    return px[..., 0], px[..., 1]


def _through_lens(
    truth: dict[str, Any], plane_mm: NDArray[np.float64], homography: list[list[float]]
) -> NDArray[np.float64]:
    flat = cv2.perspectiveTransform(plane_mm.reshape(1, -1, 2).astype(np.float64), np.array(homography))[0]
    lens = truth.get("distortion") or {}
    if lens.get("k1"):
        centre = np.array([lens["cx"], lens["cy"]])
        offset = (flat - centre) / lens["f_px"]
        flat = centre + offset * (1 + lens["k1"] * (offset**2).sum(axis=1, keepdims=True)) * lens["f_px"]
    return np.asarray(flat).reshape(plane_mm.shape)


def _with_pocket_card(bgr: NDArray[np.uint8], truth: dict[str, Any]) -> NDArray[np.uint8]:
    """Lay a printed pocket card flat on the table over the bank card, as bright as white paper there."""
    corners = np.array(truth["card"]["corners_mm"])
    centre = corners.mean(axis=0)
    right = corners[1] - corners[0]
    right /= np.linalg.norm(right)
    down = corners[3] - corners[0]
    down -= right * (down @ right)
    down /= np.linalg.norm(down)
    raster = card_raster("POCKET-1")
    rows, columns = raster.shape
    middle = np.array([(columns - 1) / 2, (rows - 1) / 2])
    at = np.array([[0, 0], [columns - 1, 0], [columns - 1, rows - 1], [0, rows - 1]], dtype=np.float64)
    local = (at - middle) / RASTER_PX_PER_MM
    assert abs(local[1, 0] * 2 - POCKET_SIZE_MM[0]) < 1.0
    table_mm = centre + local[:, :1] * right + local[:, 1:] * down
    seen = _through_lens(truth, table_mm, truth["homography_table_mm_to_undistorted_px"])
    to_photo = cv2.getPerspectiveTransform(at.astype(np.float32), seen.astype(np.float32))
    size = (bgr.shape[1], bgr.shape[0])
    shrink = RASTER_PX_PER_MM * np.linalg.norm(local[1] - local[0]) / np.linalg.norm(seen[1] - seen[0])
    soft = cv2.GaussianBlur(raster.astype(np.float32), (0, 0), 0.7 * float(shrink))
    card = cv2.warpPerspective(soft, to_photo, size, flags=cv2.INTER_LINEAR)
    cover = cv2.warpPerspective(np.ones_like(soft), to_photo, size, flags=cv2.INTER_LINEAR)[..., None]
    paper = (16.0 + (255.0 * _PAPER_WHITE - 16.0) * card / 255.0)[..., None]
    return np.asarray(np.clip(bgr * (1 - cover) + paper * cover, 0, 255), dtype=np.uint8)
