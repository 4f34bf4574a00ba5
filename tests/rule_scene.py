"""Drawn rules for the tests: graduations with their usual lengths, numbers, brushed steel, seen by a camera."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
from card_scene import RASTER_PX_PER_MM, Shot, photograph
from numpy.typing import NDArray

OVER = (
    4  # drawn so many times finer along the rule, then averaged: places good to a thousandth of a millimetre
)


def _row(
    length_mm: float, marks: list[tuple[float, float]], depth_mm: float, width_mm: float
) -> NDArray[np.float32]:
    """One row of graduation as darkness 0 to 1; marks are (place, length) in mm, all from the upper edge."""
    scale = RASTER_PX_PER_MM
    columns = round(length_mm * scale)
    rows = round(depth_mm * scale)
    fine = np.zeros((rows, columns * OVER), np.float32)
    for place, reach in marks:
        first = round((place - width_mm / 2) * scale * OVER)
        last = round((place + width_mm / 2) * scale * OVER)
        fine[: round(reach * scale), max(0, first) : last] = 1.0
    return fine.reshape(rows, columns, OVER).mean(axis=2)


def mm_marks(length_mm: float, *, half: bool = False, only: float = 1.0) -> list[tuple[float, float]]:
    """Marks of a metric rule: 3 mm, 4 mm at the fives and 5.5 mm at the tens; `only` leaves out finer ones."""
    step = 0.5 if half else only
    marks = []
    for k in range(1, round(length_mm / step)):
        at = k * step
        reach = 5.5 if at % 10 == 0 else 4.2 if at % 5 == 0 else 3.0 if at % 1 == 0 else 1.9
        marks.append((at, reach))
    return marks


def inch_marks(length_mm: float, parts: int = 16) -> list[tuple[float, float]]:
    """Marks of an inch rule in 1/8, 1/16 or 1/32 in, longer for every halving."""
    marks = []
    for k in range(1, int(length_mm / 25.4 * parts)):
        level = 0
        while level < 5 and k % (2 ** (level + 1)) == 0 and 2 ** (level + 1) <= parts:
            level += 1
        finest = {8: 3, 16: 4, 32: 5}[parts]
        marks.append((k * 25.4 / parts, 6.5 - 0.95 * (finest - level)))
    return marks


@cache
def rule_raster(
    kind: str = "mm",
    *,
    length_mm: float = 200.0,
    width_mm: float = 25.0,
    opposite: str | None = "inch16",
    mark_mm: float = 0.2,
    bright: bool = False,
    seed: int = 1,
) -> NDArray[np.uint8]:
    """A rule with one graduation at its upper edge and another, or none, at its lower edge."""
    scale = RASTER_PX_PER_MM
    rng = np.random.default_rng(seed)
    shape = (round(width_mm * scale), round(length_mm * scale))
    grain = cv2.blur(rng.normal(0, 22, shape).astype(np.float32), (81, 1))
    steel = 190.0 + grain
    drawn = np.zeros(shape, np.float32)

    def marks(name: str) -> list[tuple[float, float]]:
        if name.startswith("inch"):
            return inch_marks(length_mm, int(name[4:]))
        if name == "plain":
            return [(float(at), 3.0) for at in range(1, round(length_mm))]
        return mm_marks(length_mm, half=name == "half-mm", only=5.0 if name == "5mm" else 1.0)

    upper = _row(length_mm, marks(kind), 8.0, mark_mm)
    drawn[: upper.shape[0]] = upper
    if opposite is not None:
        lower = _row(length_mm, marks(opposite), 8.0, mark_mm)[::-1]
        drawn[-lower.shape[0] :] = np.maximum(drawn[-lower.shape[0] :], lower)
    for number in range(1, int(length_mm // 10)):
        place = (round((number * 10 - 1.6) * scale), round(9.6 * scale))
        ink = np.zeros(shape, np.uint8)
        cv2.putText(
            ink,
            str(number),
            place,
            cv2.FONT_HERSHEY_SIMPLEX,
            0.1 * scale,
            255,
            round(0.3 * scale),
            cv2.LINE_AA,
        )
        drawn = np.maximum(drawn, ink.astype(np.float32) / 255.0)
    picture = 60.0 + 0.1 * grain + 165.0 * drawn if bright else steel * (1.0 - drawn) + 35.0 * drawn
    return np.clip(picture, 0, 255).astype(np.uint8)


def rule_photo(
    raster: NDArray[np.uint8], shot: Shot, *, table: float = 110.0, seed: int = 0
) -> NDArray[np.uint8]:
    """Photograph a rule with a piece of striped cloth on the table below it; millimetres are the rule's."""
    scale = RASTER_PX_PER_MM
    rng = np.random.default_rng(seed)
    rows, columns = round(140 * scale), raster.shape[1] + round(80 * scale)
    ground = np.full((rows, columns), table, np.float32)
    ground += (
        cv2.GaussianBlur(rng.normal(0, 60, (rows // 8, columns // 8)).astype(np.float32), (0, 0), 1.0)
        .repeat(8, axis=0)
        .repeat(8, axis=1)[:rows, :columns]
        if rows % 8 == 0 and columns % 8 == 0
        else 0.0
    )
    top, left = round(30 * scale), round(40 * scale)
    ground[top : top + raster.shape[0], left : left + raster.shape[1]] = raster
    y, x = np.mgrid[: round(60 * scale), : round(110 * scale)].astype(np.float32) / scale
    cloth = 128 + 45 * np.sin(2 * np.pi * x / 1.3) * np.sign(np.sin(np.pi * y / 1.5))
    at = top + raster.shape[0] + round(10 * scale)
    ground[at : at + cloth.shape[0], left + 200 : left + 200 + cloth.shape[1]] = cloth[: rows - at]
    return photograph(np.clip(ground, 0, 255).astype(np.uint8), shot, origin_mm=(-40.0, -30.0), table=table)
