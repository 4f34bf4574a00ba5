"""Drawn samples on drawn tables, with the truth known from the drawing."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from cloth import Setting, Yarn, make_cloth
from pickglass.calibration.photo import Photo
from pickglass.calibration.plane import Plane, scaling_plane

PX_PER_MM = 6.0
PITCH_PX = 10.0


@dataclass(frozen=True)
class Drawn:
    photo: Photo
    width_mm: float
    length_mm: float


def table(kind: str, shape: tuple[int, int], seed: int = 1) -> np.ndarray:
    """Return a bare table, float 0..255, light falling off to one side."""
    rng = np.random.default_rng(seed)
    rows, columns = shape
    fall = (1.0 - 0.15 * np.arange(columns) / columns)[None, :, None]
    if kind == "plain":
        base = np.full((rows, columns, 3), (150, 155, 160), dtype=np.float32)
    elif kind == "white":
        base = np.full((rows, columns, 3), 228, dtype=np.float32)
    elif kind == "grain":
        noise = cv2.GaussianBlur(rng.normal(0, 1, (rows, columns)).astype(np.float32), (0, 0), 40, sigmaY=1.5)
        base = np.array((90, 140, 185), np.float32) + 25 * (noise / noise.std())[..., None]
    elif kind == "grid":
        base = np.full((rows, columns, 3), (85, 105, 40), dtype=np.float32)
        base[::60] = base[:, ::60] = 215
        base[1::60] = base[:, 1::60] = 215
    else:
        raise ValueError(kind)
    return np.asarray(base * fall + rng.normal(0, 1.5, (rows, columns, 1)))


def piece(width_px: int, length_px: int, fringe_px: int, seed: int = 2) -> tuple[np.ndarray, np.ndarray]:
    """Return a woven piece with fringe at both ends and its alpha; ends run down the rows."""
    cloth = make_cloth(
        (length_px, width_px),
        end_pitch_px=PITCH_PX,
        pick_pitch_px=PITCH_PX,
        ends=Yarn(colours=((0.25, 0.2, 0.6),), cover=0.95),
        picks=Yarn(colours=((0.7, 0.75, 0.75),), cover=0.95),
        end_setting=Setting(cv=0.02),
        pick_setting=Setting(cv=0.02),
        seed=seed,
    )
    bgr = np.zeros((length_px + 2 * fringe_px, width_px, 3), np.float32)
    alpha = np.zeros(bgr.shape[:2], np.float32)
    bgr[fringe_px : fringe_px + length_px] = cloth.bgr
    alpha[fringe_px : fringe_px + length_px] = 1
    rng = np.random.default_rng(seed)
    for end in cloth.ends_px:
        for top, bottom in ((0, fringe_px), (fringe_px + length_px, bgr.shape[0])):
            short = int(rng.integers(0, fringe_px // 3))
            a, b = (top + short, bottom) if top == 0 else (top, bottom - short)
            low, high = max(0, int(end - 3)), min(width_px, int(end + 3))
            shade = np.linspace(0.7, 1.0, high - low)[None, :, None]
            bgr[a:b, low:high] = np.array((70, 60, 150)) * shade
            alpha[a:b, low:high] = 1
    return bgr, alpha


def lay(
    background: np.ndarray,
    part: tuple[np.ndarray, np.ndarray],
    centre: tuple[float, float],
    turn_deg: float,
    shadow: float = 0.35,
) -> np.ndarray:
    """Lay a piece on the table, turned about its middle, with a soft shadow to its lower right."""
    bgr, alpha = part
    height, width = alpha.shape
    matrix = cv2.getRotationMatrix2D(((width - 1) / 2, (height - 1) / 2), turn_deg, 1.0)
    matrix[:, 2] += np.array(centre) - ((width - 1) / 2, (height - 1) / 2)
    size = (background.shape[1], background.shape[0])
    turned = cv2.warpAffine(bgr, matrix, size, flags=cv2.INTER_CUBIC)
    cover = np.clip(cv2.warpAffine(alpha, matrix, size, flags=cv2.INTER_LINEAR), 0, 1)
    cast = cv2.GaussianBlur(np.roll(cover, (6, 6), (0, 1)), (0, 0), 4)
    shaded = background * (1 - shadow * cast)[..., None]
    return np.asarray(shaded * (1 - cover[..., None]) + np.clip(turned, 0, 255) * cover[..., None])


def as_photo(picture: np.ndarray) -> Photo:
    soft = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), 0.7)
    return Photo(bgr=np.clip(soft, 0, 255).astype(np.uint8), name="drawn.png")


def draw(kind: str = "plain", width_px: int = 300, length_px: int = 420, turn_deg: float = 0.0) -> Drawn:
    picture = lay(table(kind, (960, 1280)), piece(width_px, length_px, 50), (640, 480), turn_deg)
    return Drawn(as_photo(picture), width_px / PX_PER_MM, length_px / PX_PER_MM)


def plane() -> Plane:
    return scaling_plane(PX_PER_MM, "given")
