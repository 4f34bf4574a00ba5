"""Pictures of a bank-sized card on a table, drawn from exact geometry.

Coverage of every pixel comes from its signed distance to the card's outline, so that the edges are anti-aliased
to about a hundredth of a pixel. Light is linear until the end, then blurred, noised and sRGB-coded as a phone would.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pickglass.calibration.photo import Photo

SIZE_MM = (85.60, 53.98)  # ISO/IEC 7810:2019, ID-1
RADIUS_MM = 3.18  # middle of the standard's 2.88 to 3.48
FULL_FRAME_DIAGONAL_MM = 43.267


@dataclass(frozen=True)
class Scene:
    photo: Photo
    px_from_card_mm: NDArray[np.float64]  # card's centre is the origin, top face
    tilt_deg: float
    distance_mm: float
    focal_px: float

    def card_corners_px(self) -> NDArray[np.float64]:
        half = np.array(SIZE_MM) / 2
        corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half
        return cv2.perspectiveTransform(corners[None], self.px_from_card_mm)[0]

    def px_per_mm_at(self, point_px: NDArray[np.float64]) -> float:
        mm = cv2.perspectiveTransform(np.asarray(point_px)[None, None], np.linalg.inv(self.px_from_card_mm))[
            0, 0
        ]
        step = np.array([[0.5, 0], [-0.5, 0], [0, 0.5], [0, -0.5]])
        px = cv2.perspectiveTransform((mm + step)[None], self.px_from_card_mm)[0]
        return float(np.sqrt(abs(np.linalg.det(np.column_stack([px[0] - px[1], px[2] - px[3]])))))


def card_homography(
    *,
    shape: tuple[int, int],
    focal_px: float,
    distance_mm: float,
    tilt_deg: float,
    tilt_towards_deg: float,
    turn_deg: float,
    shift_mm: tuple[float, float],
) -> NDArray[np.float64]:
    """Homography of a card whose plane is `distance_mm` from the lens, by cv2.projectPoints on four points."""
    towards = np.radians(tilt_towards_deg)
    axis = np.array([-np.sin(towards), np.cos(towards), 0.0]) * np.radians(tilt_deg)
    tilted, _ = cv2.Rodrigues(axis)
    turned, _ = cv2.Rodrigues(np.array([0.0, 0.0, np.radians(turn_deg)]))
    rotation = tilted @ turned
    # The camera's axis meets the plane at the origin of the shift; the plane's distance from the lens is as asked.
    along_axis = distance_mm / np.cos(np.radians(tilt_deg))
    translation = tilted @ np.array([*shift_mm, 0.0]) + np.array([0.0, 0.0, along_axis])
    camera = np.array([[focal_px, 0, (shape[1] - 1) / 2], [0, focal_px, (shape[0] - 1) / 2], [0, 0, 1.0]])
    model = np.array([[-40.0, -25, 0], [40, -25, 0], [40, 25, 0], [-40, 25, 0]])
    vector, _ = cv2.Rodrigues(rotation)
    image, _ = cv2.projectPoints(model, vector, translation, camera, None)
    homography, _ = cv2.findHomography(model[:, :2], image.reshape(-1, 2))
    return np.asarray(homography / homography[2, 2])


def table(shape: tuple[int, int], kind: str, seed: int) -> NDArray[np.float32]:
    """Linear-light table: "plain", "grain" (wood) or "grid" (cutting mat)."""
    rng = np.random.default_rng(seed)
    rows, columns = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    if kind == "grain":
        stripes = cv2.resize(rng.normal(0, 1, (shape[0] // 6, 6)).astype(np.float32), (shape[1], shape[0]))
        return np.clip(1.0 + 0.25 * stripes, 0.3, 2)[..., None] * np.array([0.06, 0.16, 0.30], np.float32)
    if kind == "grid":
        lines = ((rows % 61 < 3) | (columns % 61 < 3)).astype(np.float32)
        return np.array([0.08, 0.16, 0.05], np.float32) + 0.4 * lines[..., None]
    light = 0.9 + 0.1 * columns / shape[1] + 0.1 * rows / shape[0]
    return light[..., None] * np.ones(3, np.float32)


def draw(
    *,
    shape: tuple[int, int] = (900, 1200),
    focal_35mm: float = 26.0,
    distance_mm: float = 250.0,
    tilt_deg: float = 0.0,
    tilt_towards_deg: float = 30.0,
    turn_deg: float = 0.0,
    shift_mm: tuple[float, float] = (30.0, -10.0),
    card_bgr: tuple[float, float, float] = (0.7, 0.7, 0.7),
    table_kind: str = "plain",
    table_level: float = 0.2,
    radius_mm: float = RADIUS_MM,
    size_mm: tuple[float, float] = SIZE_MM,
    blur_px: float = 0.9,
    noise: float = 0.004,
    seed: int = 0,
    with_focal: bool = True,
) -> Scene:
    """Draw one card on a table."""
    focal_px = focal_35mm / FULL_FRAME_DIAGONAL_MM * float(np.hypot(*shape))
    homography = card_homography(
        shape=shape,
        focal_px=focal_px,
        distance_mm=distance_mm,
        tilt_deg=tilt_deg,
        tilt_towards_deg=tilt_towards_deg,
        turn_deg=turn_deg,
        shift_mm=shift_mm,
    )
    ground = table(shape, table_kind, seed)
    if table_kind == "plain":
        ground = ground * table_level
    light = cover(ground, homography, np.array(card_bgr, np.float32), radius_mm=radius_mm, size_mm=size_mm)
    bgr = develop(light, blur_px=blur_px, noise=noise, seed=seed)
    photo = Photo(bgr=bgr, name="drawn.png", focal_length_35mm=focal_35mm if with_focal else None)
    return Scene(photo, homography, tilt_deg, distance_mm, focal_px)


def cover(
    ground: NDArray[np.float32],
    homography: NDArray[np.float64],
    colour: NDArray[np.float32],
    *,
    radius_mm: float = RADIUS_MM,
    size_mm: tuple[float, float] = SIZE_MM,
) -> NDArray[np.float32]:
    """Lay a rounded rectangle over the ground."""
    rows, columns = np.mgrid[: ground.shape[0], : ground.shape[1]].astype(np.float64)
    inverse = np.linalg.inv(homography)
    w = inverse[2, 0] * columns + inverse[2, 1] * rows + inverse[2, 2]
    x = (inverse[0, 0] * columns + inverse[0, 1] * rows + inverse[0, 2]) / w
    y = (inverse[1, 0] * columns + inverse[1, 1] * rows + inverse[1, 2]) / w
    beyond_x = np.abs(x) - (size_mm[0] / 2 - radius_mm)
    beyond_y = np.abs(y) - (size_mm[1] / 2 - radius_mm)
    corner = np.hypot(np.maximum(beyond_x, 0), np.maximum(beyond_y, 0))
    distance_mm = corner + np.minimum(np.maximum(beyond_x, beyond_y), 0) - radius_mm
    gy, gx = np.gradient(distance_mm)
    coverage = np.clip(0.5 - distance_mm / np.maximum(np.hypot(gx, gy), 1e-9), 0, 1).astype(np.float32)[
        ..., None
    ]
    return coverage * colour + (1 - coverage) * ground


def develop(light: NDArray[np.float32], *, blur_px: float, noise: float, seed: int) -> NDArray[np.uint8]:
    """Blur, add noise, and code as 8-bit sRGB (IEC 61966-2-1)."""
    rng = np.random.default_rng(seed + 1)
    blurred = cv2.GaussianBlur(light, (0, 0), blur_px) if blur_px > 0 else light
    linear = np.clip(blurred + rng.normal(0, noise, light.shape) * np.sqrt(np.maximum(blurred, 0.01)), 0, 1)
    coded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return np.rint(255 * coded).astype(np.uint8)
