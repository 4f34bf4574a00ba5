"""From the name of a photo to its measurement: the one place that strings the rooms together."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ..calibration.photo import Photo
    from ..calibration.plane import Plane
    from ..calibration.scale import CardChoice
    from ..measure.sett import SettMeasurement

__all__ = ["Request", "measure_loaded", "measure_photo"]


def _in_silence(name: str) -> None:
    """Tell nobody."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """What the weaver asked for, as checked by the command line."""

    card: CardChoice = "auto"
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
    from ..calibration.quality import check_photo, plane_notices

    remarks = check_photo(photo)
    plane = _plane(photo, request)
    plane = replace(plane, notices=(*remarks, *plane.notices, *plane_notices(plane)))
    on_step("Counting threads")
    from ..measure.sett import SettOptions, measure_sett

    return measure_sett(photo, plane, SettOptions())


def _plane(photo: Photo, request: Request) -> Plane:
    """Find the scale, with what was remembered of printed cards and of the phone's lens."""
    from ..calibration.card_memory import read_memory
    from ..calibration.notices import Notice
    from ..calibration.scale import find_scale
    from .places import memory_path

    by_card = not (request.no_scale or request.scan or request.px_per_mm is not None)
    memory = read_memory(memory_path()) if by_card and request.card != "bank" else None
    plane = find_scale(
        photo,
        px_per_mm=request.px_per_mm,
        scan=request.scan,
        dpi=request.dpi,
        no_scale=request.no_scale,
        card=request.card,
        checks=None if memory is None else memory.checks,
        lenses=() if memory is None else memory.lenses,
    )
    if memory is not None and memory.damaged and plane.source in ("page-card", "pocket-card", "rail"):
        text = (
            f"What was remembered of your cards is damaged in part ({memory_path()}). "
            "Measure the check bars again and tell pickglass card --measured."
        )
        plane = replace(plane, notices=(*plane.notices, Notice("memory-damaged", text)))
    return plane
