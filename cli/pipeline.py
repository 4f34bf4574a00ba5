"""From the name of a photo to its measurement: the one place that strings the rooms together."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ..calibration.photo import Photo
    from ..measure.sett import SettMeasurement

__all__ = ["Request", "measure_loaded", "measure_photo"]


def _in_silence(name: str) -> None:
    """Tell nobody."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """What the weaver asked for, as checked by the command line."""

    card: str = "auto"
    px_per_mm: float | None = None
    scan: bool = False
    dpi: float | None = None
    no_scale: bool = False
    all_cloth: bool = False
    area_px: tuple[int, int, int, int] | None = None
    warp: str = "auto"
    weave: str | None = None
    ends_warped: int | None = None
    expect_ends: tuple[float, float] | None = None
    expect_picks: tuple[float, float] | None = None
    cloth_thickness_mm: float | None = None
    card_on_cloth: bool = False


def measure_photo(
    path: Path, request: Request, *, on_step: Callable[[str], None] = _in_silence
) -> tuple[Photo, SettMeasurement]:
    """Read, scale and measure one photo; `on_step` is told in plain words what is being done."""
    on_step("Opening the photo")
    from ..calibration.photo import load_photo

    photo = load_photo(path)
    return photo, measure_loaded(photo, request, on_step=on_step)


def measure_loaded(
    photo: Photo, request: Request, *, on_step: Callable[[str], None] = _in_silence
) -> SettMeasurement:
    """Scale and measure a photo that has been read."""
    on_step("Looking for the scale")
    from ..calibration.scale import find_scale

    plane = find_scale(photo)
    on_step("Counting threads")
    from ..measure.sett import SettOptions, measure_sett

    return measure_sett(photo, plane, SettOptions())
