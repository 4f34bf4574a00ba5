"""Runs the product over one photo and compares what it says with the truth."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pickglass.calibration.budget import combine_percent
from pickglass.calibration.errors import PickglassError, RefusedError
from pickglass.calibration.photo import load_photo
from pickglass.cli.pipeline import measure_loaded, measure_photo

from .cases import Case, DirectionTruth

if TYPE_CHECKING:
    from pickglass.calibration.photo import Photo
    from pickglass.measure.results import SettResult, ThreadReading

__all__ = ["DirectionScore", "PhotoScore", "judge"]

LISTED_WITHIN = 0.03  # an alternative is a rough reading: the question is which multiple it is


@dataclass(frozen=True, slots=True, kw_only=True)
class DirectionScore:
    """One thread system: truth beside reading. A reading is None when the photo was refused."""

    truth: float
    truth_u95_percent: float = 0.0
    reading: float | None = None
    u95_percent: float | None = None
    alternatives: tuple[float, ...] = ()
    probability: float | None = None
    true_count: int | None = None
    count: int | None = None
    allowed_percent: float | None = None

    @property
    def error_percent(self) -> float | None:
        """Deviation of the reading from the truth, in percent of the truth."""
        return None if self.reading is None else 100.0 * (self.reading - self.truth) / self.truth

    @property
    def inside(self) -> bool | None:
        """Whether truth and reading agree within the stated 95 % interval and the truth's own."""
        if self.reading is None or self.u95_percent is None:
            return None
        doubt = math.hypot(self.u95_percent * self.reading, self.truth_u95_percent * self.truth) / 100.0
        return abs(self.truth - self.reading) <= doubt

    @property
    def listed(self) -> bool:
        """Whether the truth stands among the other readings that were offered."""
        return any(abs(other / self.truth - 1.0) <= LISTED_WITHIN for other in self.alternatives)


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoScore:
    """Everything the table needs to know about one photo."""

    name: str
    group: str
    woven: bool
    verdict: str
    code: str = ""
    ends: DirectionScore | None = None
    picks: DirectionScore | None = None
    width_error_percent: float | None = None
    width_error_mm: float | None = None
    width_inside: bool | None = None
    true_weave: str | None = None
    weave: str | None = None
    seconds: float = 0.0


def judge(case: Case, *, change: Callable[[Photo], Photo] | None = None) -> PhotoScore:
    """Measure one photo, changed first if asked; a mistake in the program counts as the verdict "broken"."""
    start = time.perf_counter()
    try:
        if change is None:
            _, measurement = measure_photo(case.path, case.request)
        else:
            measurement = measure_loaded(change(load_photo(case.path)), case.request)
    except RefusedError as error:
        return _without_reading(case, "refused", error.code, time.perf_counter() - start)
    except PickglassError as error:
        return _without_reading(case, "unreadable", error.code, time.perf_counter() - start)
    except Exception as error:  # noqa: BLE001 - the table must show every photo, whatever happened
        return _without_reading(
            case, "broken", f"{type(error).__name__}: {error}", time.perf_counter() - start
        )
    seconds = time.perf_counter() - start
    result = measurement.result
    width_error_mm, width_error_percent, width_inside = _width(case, result)
    return PhotoScore(
        name=case.path.stem,
        group=case.group,
        woven=case.woven,
        verdict=result.verdict,
        code=",".join(notice.code for notice in result.notices) if result.verdict != "measured" else "",
        ends=_direction(case.ends, result.ends),
        picks=_direction(case.picks, result.picks),
        width_error_mm=width_error_mm,
        width_error_percent=width_error_percent,
        width_inside=width_inside,
        true_weave=case.weave,
        weave=result.weave.name,
        seconds=seconds,
    )


def _without_reading(case: Case, verdict: str, code: str, seconds: float) -> PhotoScore:
    return PhotoScore(
        name=case.path.stem,
        group=case.group,
        woven=case.woven,
        verdict=verdict,
        code=code,
        ends=_blank(case.ends),
        picks=_blank(case.picks),
        true_weave=case.weave,
        seconds=seconds,
    )


def _blank(truth: DirectionTruth | None) -> DirectionScore | None:
    if truth is None:
        return None
    return DirectionScore(truth=truth.density, true_count=truth.count, allowed_percent=truth.allowed_percent)


def _direction(truth: DirectionTruth | None, reading: ThreadReading) -> DirectionScore | None:
    if truth is None:
        return None
    if reading.per_inch is None:
        value, u95 = reading.per_1000_px, combine_percent(reading.budget) if reading.budget else None
    else:
        value = reading.per_inch
        u95 = None if reading.u95_per_inch is None else 100.0 * reading.u95_per_inch / value
    return DirectionScore(
        truth=truth.density,
        truth_u95_percent=truth.u95_percent,
        reading=value,
        u95_percent=u95,
        alternatives=reading.alternatives_per_inch,
        probability=reading.probability,
        true_count=truth.count,
        count=reading.count,
        allowed_percent=truth.allowed_percent,
    )


def _width(case: Case, result: SettResult) -> tuple[float | None, float | None, bool | None]:
    width = result.sample.width_mm
    if case.width_mm is None or width is None:
        return None, None, None
    error_mm = width - case.width_mm
    u95 = result.sample.width_u95_mm
    return error_mm, 100.0 * error_mm / case.width_mm, None if u95 is None else abs(error_mm) <= u95
