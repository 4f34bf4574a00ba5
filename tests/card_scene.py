"""Photographs of printed cards for the tests: the PDF rasterised, seen by OpenCV's own camera model."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pypdfium2
from numpy.typing import NDArray
from PIL import Image

from pickglass.calibration.card_design import (
    PAPER_SIZE_MM,
    POCKET_SIZE_MM,
    RAIL_HEIGHT_MM,
    RAIL_PART_MM,
    CardCode,
    Paper,
    parse_card_code,
)
from pickglass.calibration.card_pdf import card_pdf
from pickglass.calibration.card_sheets import card_sheets
from pickglass.calibration.photo import Photo

DIAGONAL_35MM = math.hypot(36.0, 24.0)
RASTER_PX_PER_MM = 12.0


@cache
def sheet_raster(code_text: str, paper: Paper = "a4") -> NDArray[np.uint8]:
    """The first sheet of a card, as a PDF reader draws it, at exactly 12 px per mm."""
    code: CardCode = parse_card_code(code_text)
    sheet = card_sheets(code, paper=paper, length_mm=720.0)[0]
    document = pypdfium2.PdfDocument(card_pdf([sheet], title="card"))
    drawn = document[0].render(scale=RASTER_PX_PER_MM * 25.4 / 72.0, grayscale=True).to_numpy()
    drawn = np.ascontiguousarray(drawn.reshape(drawn.shape[:2]))
    document.close()
    # The reader rounds the page to whole pixels; undo that by at most half a pixel over the sheet.
    stretch = [
        RASTER_PX_PER_MM * sheet.width_mm / drawn.shape[1],
        RASTER_PX_PER_MM * sheet.height_mm / drawn.shape[0],
    ]
    move = np.array([[stretch[0], 0, (stretch[0] - 1) / 2], [0, stretch[1], (stretch[1] - 1) / 2]])
    size = (round(RASTER_PX_PER_MM * sheet.width_mm), round(RASTER_PX_PER_MM * sheet.height_mm))
    return np.asarray(
        cv2.warpAffine(drawn, move, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    )


@cache
def card_raster(code_text: str, paper: Paper = "a4") -> NDArray[np.uint8]:
    """A card as it lies on the table: the whole page, the pocket card cut out, or three parts of a rail joined."""
    sheet = sheet_raster(code_text, paper)
    kind = parse_card_code(code_text).kind
    if kind == "page":
        return sheet
    if kind == "pocket":
        left = (PAPER_SIZE_MM[paper][0] - POCKET_SIZE_MM[0]) / 2
        return cut(sheet, left, 38.0, *POCKET_SIZE_MM)
    return np.hstack(
        [cut(sheet, 11.0, 33.0 + k * (RAIL_HEIGHT_MM + 6.0), RAIL_PART_MM, RAIL_HEIGHT_MM) for k in range(3)]
    )


def cut(sheet: NDArray[np.uint8], x: float, y: float, width: float, height: float) -> NDArray[np.uint8]:
    """Cut a rectangle in mm out of a raster."""
    left, top = round(x * RASTER_PX_PER_MM), round(y * RASTER_PX_PER_MM)
    return sheet[top : top + round(height * RASTER_PX_PER_MM), left : left + round(width * RASTER_PX_PER_MM)]


@dataclass(frozen=True, kw_only=True)
class Shot:
    """How a card is photographed. The camera looks at `aim_mm` on the card; millimetres are the card's."""

    width_px: int = 2000
    height_px: int = 1500
    focal_35mm: float = 26.0
    distance_mm: float = 430.0
    tilt_deg: float = 0.0
    tilt_towards_deg: float = 0.0
    roll_deg: float = 90.0
    aim_mm: tuple[float, float] = (105.0, 148.5)
    k1: float = 0.0
    print_scale: tuple[float, float] = (1.0, 1.0)
    curl_mm: float = 0.0
    curl_along_deg: float = 0.0
    blur_px: float = 0.7
    noise: float = 2.0
    shadow: float = 0.0
    glare: float = 0.0
    gamma: float = 1.0
    jpeg: int = 92
    seed: int = 0

    @property
    def focal_px(self) -> float:
        return self.focal_35mm / DIAGONAL_35MM * math.hypot(self.width_px, self.height_px)

    @property
    def camera(self) -> NDArray[np.float64]:
        f = self.focal_px
        return np.array([[f, 0, (self.width_px - 1) / 2], [0, f, (self.height_px - 1) / 2], [0, 0, 1.0]])

    @property
    def pose(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Rotation matrix and translation that take card millimetres to the camera."""
        towards, tilt, roll = (math.radians(v) for v in (self.tilt_towards_deg, self.tilt_deg, self.roll_deg))
        axis = np.array([math.cos(towards), math.sin(towards), 0.0]) * tilt
        turn = cv2.Rodrigues(axis)[0] @ cv2.Rodrigues(np.array([0.0, 0.0, roll]))[0]
        aim = np.array([*self.aim_mm, 0.0])
        return turn, np.array([0.0, 0.0, self.distance_mm]) - turn @ aim

    def project(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Photo pixels of points of the (flat) card in true millimetres, by cv2.projectPoints."""
        turn, move = self.pose
        solid = np.column_stack([points_mm, np.zeros(len(points_mm))])
        seen = cv2.projectPoints(
            solid, cv2.Rodrigues(turn)[0], move, self.camera, np.array([self.k1, 0, 0, 0.0])
        )[0]
        return np.asarray(seen).reshape(-1, 2)

    def height(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        """Rise of the paper (towards the camera, negative z) at card points: a cylinder about the aim."""
        along = math.radians(self.curl_along_deg)
        across = (x - self.aim_mm[0]) * math.cos(along) + (y - self.aim_mm[1]) * math.sin(along)
        return -self.curl_mm * (across / 150.0) ** 2


def photograph(
    raster: NDArray[np.uint8],
    shot: Shot,
    *,
    origin_mm: tuple[float, float] = (0.0, 0.0),
    covers_mm: tuple[tuple[float, float, float, float], ...] = (),
    table: float = 120.0,
) -> NDArray[np.uint8]:
    """Photograph a raster whose top left corner lies at `origin_mm` of the card's own millimetres.

    `covers_mm` are rectangles (x, y, width, height) of striped cloth lying on the card.
    """
    rng = np.random.default_rng(shot.seed)
    columns, rows = np.arange(shot.width_px), np.arange(shot.height_px)
    u, v = np.meshgrid(columns.astype(np.float32), rows.astype(np.float32))
    # Plain floats: NumPy's own would turn the large single-precision arrays into double precision.
    f, cx, cy = shot.focal_px, (shot.width_px - 1) / 2, (shot.height_px - 1) / 2
    xd, yd = (u - cx) / f, (v - cy) / f
    xu, yu = xd, yd
    for _ in range(12 if shot.k1 else 0):
        bend = 1.0 + shot.k1 * (xu**2 + yu**2)
        xu, yu = xd / bend, yd / bend
    turn, move = shot.pose
    ray = np.stack([xu, yu, np.ones_like(xu)], axis=-1) @ turn.astype(np.float32)  # in the card's frame
    eye = [float(value) for value in -turn.T @ move]
    z = np.zeros_like(xu)
    for _ in range(8 if shot.curl_mm else 1):
        reach = (z - eye[2]) / ray[..., 2]
        x, y = eye[0] + reach * ray[..., 0], eye[1] + reach * ray[..., 1]
        z = shot.height(x, y) if shot.curl_mm else z
    sx, sy = shot.print_scale
    map_x = ((x / sx - origin_mm[0]) * RASTER_PX_PER_MM - 0.5).astype(np.float32)
    map_y = ((y / sy - origin_mm[1]) * RASTER_PX_PER_MM - 0.5).astype(np.float32)
    # The lens blur and the pixel's own width (a box one pixel wide has a standard deviation of 0.29) are applied to
    # the raster, where they leave nothing for the sampling to alias.
    sigma = math.hypot(shot.blur_px, 0.29) * RASTER_PX_PER_MM * shot.distance_mm / f
    soft = cv2.GaussianBlur(raster.astype(np.float32) * 0.85 + 15.0, (0, 0), sigma)
    picture = cv2.remap(
        soft, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=table
    )
    for left, top, width, height in covers_mm:
        inside = (x > left) & (x < left + width) & (y > top) & (y < top + height)
        picture[inside] = (110 + 60 * np.sign(np.sin(2 * np.pi * x[inside] / 2.0))).astype(np.float32)
    if shot.shadow:
        edge = 1.0 / (1.0 + np.exp(-(u - 0.2 * v - 0.35 * shot.width_px) / (0.01 * shot.width_px)))
        picture *= 1.0 - shot.shadow * (1.0 - edge)
    if shot.glare:
        away = (u - 0.15 * shot.width_px) ** 2 + (v - 0.2 * shot.height_px) ** 2
        picture += shot.glare * np.exp(-away / (0.09 * shot.width_px) ** 2)
    picture = 255.0 * np.clip(picture / 255.0, 0.0, 1.0) ** np.float32(1.0 / shot.gamma)
    picture += shot.noise * rng.standard_normal(picture.shape, dtype=np.float32)
    grey = np.clip(np.round(picture), 0, 255).astype(np.uint8)
    coded = cv2.imencode(".jpg", grey, [cv2.IMWRITE_JPEG_QUALITY, shot.jpeg])[1]
    return np.asarray(cv2.imdecode(coded, cv2.IMREAD_COLOR), dtype=np.uint8)


def as_photo(bgr: NDArray[np.uint8], shot: Shot, *, exif: bool = True) -> Photo:
    """The photo with the tags that a phone would write (35 mm equivalents are whole millimetres)."""
    return Photo(
        bgr=bgr,
        name="card.jpg",
        camera="Invented Phone 1" if exif else None,
        focal_length_mm=5.4 if exif else None,
        focal_length_35mm=float(round(shot.focal_35mm)) if exif else None,
    )


__all__ = ["Shot", "as_photo", "card_raster", "cut", "photograph", "replace", "sheet_raster"]


def write_photo(path: Path, shot: Shot, *, quality: int = 92) -> None:
    """Write a photo of the page card as a JPEG with the tags that a phone writes."""
    image = Image.fromarray(photograph(card_raster("A4-1"), shot)[..., ::-1])
    tags = image.getexif()
    tags[0x010F], tags[0x0110] = "Invented", "Phone 1"  # Make, Model (EXIF 2.32, 4.6.4)
    inner = tags.get_ifd(0x8769)
    inner[0x920A] = 5.4  # FocalLength
    inner[0xA405] = 26  # FocalLengthIn35mmFilm
    image.save(path, quality=quality, exif=tags)
