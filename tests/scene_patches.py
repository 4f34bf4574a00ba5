"""Path-traced photos with truth, straightened by that truth; None where the pictures are not there."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image, ImageOps

SCENES = Path(__file__).parents[2] / "shared" / "scenes"


@dataclass(frozen=True)
class ScenePatch:
    """Straightened cloth (ends down the rows) with every end's column halfway down, and the truth."""

    bgr: np.ndarray
    mask: np.ndarray
    ends_px: np.ndarray
    truth: dict[str, Any]


def woven_scenes() -> list[str]:
    names = []
    for path in sorted(SCENES.glob("*.json")):
        if json.loads(path.read_text())["kind"] == "woven":
            names.append(path.stem)
    return names


def _photo_px(truth: dict[str, Any], u: np.ndarray, v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Map cloth millimetres to photo pixels by the truth's own formulas."""
    frame = truth["fabric_to_plane"]
    bend, along = frame["bend_per_mm"], v + truth["v_origin_fabric_mm"] - frame["v_centre_mm"]
    x, y = u, along
    if bend:
        x = (1 - np.cos(bend * along)) / bend + u * np.cos(bend * along)
        y = np.sin(bend * along) / bend - u * np.sin(bend * along)
    c, s = np.cos(frame["theta_rad"]), np.sin(frame["theta_rad"])
    plane = np.stack([c * x - s * y + frame["tx"], s * x + c * y + frame["ty"], np.ones_like(x)])
    px = np.einsum("ij,j...->i...", np.array(truth["homography_cloth_mm_to_undistorted_px"]), plane)
    px = px[:2] / px[2]
    lens = truth.get("distortion")
    if lens and lens.get("k1"):
        centre = np.array([lens["cx"], lens["cy"]]).reshape(2, *[1] * (px.ndim - 1))
        offset = (px - centre) / lens["f_px"]
        px = centre + offset * (1 + lens["k1"] * (offset**2).sum(axis=0)) * lens["f_px"]
    return px[0], px[1]


def scene_patch(name: str) -> ScenePatch:
    truth = json.loads((SCENES / f"{name}.json").read_text())
    with Image.open(SCENES / f"{name}.jpg") as opened:
        photo = np.asarray(ImageOps.exif_transpose(opened).convert("RGB"))[:, :, ::-1].copy()
    ends = np.array(truth["end_u_mm"])
    picks = np.array(truth["pick_v_mm"])[truth["first_visible_pick"] : truth["last_visible_pick"] + 1]
    middle = (
        np.array([ends.mean(), ends.mean() + 1, ends.mean()]),
        np.array([picks.mean()] * 2 + [picks.mean() + 1]),
    )
    (x0, x1, x2), (y0, y1, y2) = _photo_px(truth, *middle)
    turn = (x1 - x0) * (y2 - y0) - (y1 - y0) * (x2 - x0)
    per_mm = float(np.sqrt(abs(turn)))
    margin = 1.5 * np.diff(ends).mean()
    u = np.arange(ends.min() - margin, ends.max() + margin, 1 / per_mm)
    at = (ends - u[0]) * per_mm
    if turn < 0:  # keep the handedness of the photo
        u, at = u[::-1], np.sort(len(u) - 1 - at)
    grid_u, grid_v = np.meshgrid(u, np.arange(picks.min(), picks.max(), 1 / per_mm))
    px, py = (a.astype(np.float32) for a in _photo_px(truth, grid_u, grid_v))
    bgr = cv2.remap(photo, px, py, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    mask = np.ones(bgr.shape[:2], dtype=bool)
    card = truth.get("card")
    if card and card.get("on_cloth"):
        covered = np.zeros(photo.shape[:2], np.uint8)
        cv2.fillPoly(covered, [np.round(np.array(card["corners_px"])).astype(np.int32)], 1)
        covered = cv2.dilate(covered, np.ones((25, 25), np.uint8))
        mask = cv2.remap(covered, px, py, cv2.INTER_NEAREST) == 0
    return ScenePatch(bgr=bgr, mask=mask, ends_px=at, truth=truth)
