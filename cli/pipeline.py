"""From the name of a photo to its measurement: the one place that strings the rooms together."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from ..calibration.errors import SampleError, UsageError
from ..calibration.units import MM_PER_INCH

if TYPE_CHECKING:
    from ..calibration.notices import Notice
    from ..calibration.photo import Photo
    from ..calibration.plane import Plane
    from ..calibration.rule_scale import RuleKind
    from ..calibration.scale import CardChoice, KnownDistance
    from ..measure.sample import WarpWay
    from ..measure.sett import SettMeasurement, SettOptions

__all__ = ["Request", "measure_loaded", "measure_photo"]

LEAST_AREA_PX = 32  # a smaller area shows no ten threads that could be told apart


def _in_silence(name: str) -> None:
    """Tell nobody."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """What the weaver asked for, as checked by the command line."""

    card: CardChoice = "auto"
    px_per_mm: float | None = None
    points: KnownDistance | None = None
    rule: RuleKind | None = None
    scan: bool = False
    dpi: float | None = None
    no_scale: bool = False
    all_cloth: bool = False
    area_px: tuple[int, int, int, int] | None = None
    warp: WarpWay = "auto"
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
    from .process import get_ready, keep_freed_memory

    get_ready()
    keep_freed_memory()
    photo = load_photo(path)
    _check_area(photo, request)
    return photo, measure_loaded(photo, request, on_step=on_step)


def measure_loaded(
    photo: Photo, request: Request, *, on_step: Callable[[str], None] = _in_silence
) -> SettMeasurement:
    """Scale and measure a photo that has been read."""
    on_step("Looking for the scale")
    from ..calibration.quality import look_at_photo, plane_notices
    from ..calibration.sharpness import card_edge_width_px
    from ..calibration.side_by_side import both
    from ..calibration.white_balance import find_white_balance

    look, plane = both(lambda: look_at_photo(photo), lambda: _plane(photo, request))
    notices = (*look.notices, *plane.notices, *plane_notices(plane), *_area_notices(photo, request))
    plane = replace(plane, notices=notices)
    on_step("Counting threads")
    from ..measure.photo_quality import judge_photo
    from ..measure.plausible import doubt_impossible
    from ..measure.sett import measure_sett

    try:
        measurement, edge_width_px = both(
            lambda: measure_sett(photo, plane, _options(request)),
            lambda: card_edge_width_px(photo.bgr, plane),
        )
    except SampleError as error:
        raise _as_told(error, request) from error
    measurement = doubt_impossible(measurement)
    dpi = request.dpi if request.dpi is not None else photo.dpi
    return replace(
        measurement,
        quality=judge_photo(
            photo.bgr.shape,
            look,
            measurement,
            card_edge_width_px=edge_width_px,
            dpi=dpi,
        ),
        white_balance=find_white_balance(photo, plane),
    )


def _as_told(error: SampleError, request: Request) -> SampleError:
    """Return the refusal with what was told that may be the cause: all cloth where table shows, or a wrong area."""
    problem, next_step = error.problem, error.next_step
    if error.code == "not-woven" and request.all_cloth:
        next_step += " If table shows around the cloth, leave --all-cloth out, or name the cloth with --area."
    if error.code in ("not-woven", "no-cloth") and request.area_px is not None:
        x, y, width, height = request.area_px
        problem = f"Within the area of {width} × {height} pixels from {x}, {y}: {problem}"
        next_step = f"Look whether --area names the cloth. {next_step}"
    return SampleError(error.code, problem, next_step)


def _options(request: Request) -> SettOptions:
    from ..measure.hints import Hints
    from ..measure.sett import SettOptions

    area = request.area_px
    # Without a scale one pixel stands for one millimetre below, and expectations are threads per 1000 px.
    unit = MM_PER_INCH / 1000.0 if request.no_scale else 1.0
    return SettOptions(
        warp=request.warp,
        area_px=None if area is None else (area[0], area[1], area[0] + area[2], area[1] + area[3]),
        all_cloth=request.all_cloth,
        hints=Hints(
            weave=request.weave,
            ends_warped=request.ends_warped,
            expect_ends_per_inch=_scaled(request.expect_ends, unit),
            expect_picks_per_inch=_scaled(request.expect_picks, unit),
        ),
        cloth_thickness_mm=request.cloth_thickness_mm,
        card_on_cloth=request.card_on_cloth,
    )


def _scaled(span: tuple[float, float] | None, unit: float) -> tuple[float, float] | None:
    return None if span is None else (span[0] * unit, span[1] * unit)


def _check_area(photo: Photo, request: Request) -> None:
    if request.area_px is None:
        return
    x, y, width, height = request.area_px
    rows, columns = photo.bgr.shape[:2]
    if min(x + width, columns) - x < LEAST_AREA_PX or min(y + height, rows) - y < LEAST_AREA_PX:
        raise UsageError(
            "area-outside",
            f"The area of {width} × {height} pixels from {x}, {y} lies outside the photo of {columns} × {rows} pixels.",
            "Give --area as left, top, width and height in pixels of the upright photo.",
        )


def _area_notices(photo: Photo, request: Request) -> tuple[Notice, ...]:
    """Say so where only a part of the area asked for lies in the photo."""
    from ..calibration.notices import Notice

    if request.area_px is None:
        return ()
    x, y, width, height = request.area_px
    rows, columns = photo.bgr.shape[:2]
    seen = min(width, columns - x), min(height, rows - y)
    if seen == (width, height):
        return ()
    return (
        Notice(
            "area-clipped",
            f"The area reaches beyond the photo of {columns} × {rows} pixels: only {seen[0]} × {seen[1]} of its "
            f"{width} × {height} pixels from {x}, {y} were measured.",
        ),
    )


def _plane(photo: Photo, request: Request) -> Plane:
    """Find the scale, with what was remembered of printed cards and of the phone's lens."""
    from ..calibration.card_memory import read_memory
    from ..calibration.notices import Notice
    from ..calibration.scale import find_scale
    from .places import memory_path

    told = any(way is not None for way in (request.px_per_mm, request.points, request.rule))
    by_card = not (request.no_scale or request.scan or told)
    memory = read_memory(memory_path()) if by_card and request.card != "bank" else None
    plane = find_scale(
        photo,
        px_per_mm=request.px_per_mm,
        points=request.points,
        rule=request.rule,
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
