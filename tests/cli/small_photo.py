"""A small drawn cloth, quick to measure, for tests of what happens after the measurement."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import cv2

from cloth import Setting, Yarn, make_cloth
from pickglass.calibration.photo import Photo
from pickglass.cli.pipeline import Request, measure_photo
from pickglass.measure.sett import SettMeasurement

REQUEST = Request(all_cloth=True, px_per_mm=8.0)
OPTIONS = ("--all-cloth", "--px-per-mm", "8")
ENDS_PER_INCH = 8.0 / 10.0 * 25.4  # ten pixels an end at eight pixels per millimetre
PICKS_PER_INCH = 8.0 / 12.0 * 25.4


def draw(path: Path, *, shape: tuple[int, int] = (300, 260), seed: int = 5) -> Path:
    """Draw a plain weave of 10 px an end and 12 px a pick."""
    cloth = make_cloth(
        shape,
        end_pitch_px=10.0,
        pick_pitch_px=12.0,
        ends=Yarn(colours=((0.25, 0.2, 0.6),), cover=0.95),
        picks=Yarn(colours=((0.7, 0.75, 0.75),), cover=0.95),
        end_setting=Setting(cv=0.02),
        pick_setting=Setting(cv=0.02),
        seed=seed,
    )
    cv2.imwrite(str(path), cloth.bgr)
    return path


@cache
def measured(folder: Path, shape: tuple[int, int] = (300, 260)) -> tuple[Photo, SettMeasurement]:
    """Draw and measure once."""
    return measure_photo(draw(folder / "small.png", shape=shape), REQUEST)
