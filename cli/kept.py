"""A measurement as the book or a file keeps it, made whole enough to be compared with another.

Its pictures are gone, so threads cannot be compared one by one: the mean spacings and the outline are.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from ..calibration.budget import COVERAGE_FACTOR, BudgetLine
from ..calibration.errors import UsageError
from ..calibration.notices import Notice
from ..measure.results import SampleReading, SettResult, ThreadReading, WeaveReading

if TYPE_CHECKING:
    from ..calibration.plane import ScaleSource
    from ..measure.results import Face, Verdict, WeaveName
    from ..measure.sett import SettMeasurement

__all__ = ["is_kept", "kept_measurement"]

_HEIGHT_LINE = "height of the cloth over the card"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Plane:
    source: ScaleSource
    u95_percent: float
    notices: tuple[Notice, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sample:
    cut_off: frozenset[str]


@dataclass(frozen=True, slots=True)
class _Untracked:
    count: int = 0


@dataclass(frozen=True, slots=True)
class _NoTracks:
    ends: _Untracked = _Untracked()
    picks: _Untracked = _Untracked()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kept:
    """The part of a `SettMeasurement` that figures alone can tell."""

    result: SettResult
    plane: _Plane
    sample: _Sample
    height: None = None
    tracks: _NoTracks = _NoTracks()


def is_kept(measurement: SettMeasurement) -> bool:
    """Tell whether a measurement comes from `kept_measurement`, without pictures and threads."""
    return isinstance(measurement, _Kept)


def kept_measurement(document: dict[str, Any], name: str) -> SettMeasurement:
    """Return a measurement from its JSON document; it answers `measure.shrinkage.compare_sizes` and no more.

    Raises
    ------
    UsageError
        If the document has no scale or only the main figures.
    """
    scale, ends, picks = (document.get(part) or {} for part in ("scale", "ends", "picks"))
    if scale.get("source") is None or ends.get("per_inch") is None or picks.get("per_inch") is None:
        raise UsageError(
            "no-scale-in-sample",
            f"The measurement of {name} has no scale, or the book has only its main figures.",
            "Measure a photo with a reference card and keep it with pickglass book add, or compare the photos.",
        )
    sample = document.get("sample") or {}
    cut_off = set()
    if sample.get("width_mm") is None:
        cut_off |= {"left", "right"}
    if sample.get("length_mm") is None:
        cut_off |= {"start", "end"}
    weave = document.get("weave") or {}
    kept = _Kept(
        result=SettResult(
            photo=name,
            verdict=cast("Verdict", document["verdict"]),
            ends=_reading(ends),
            picks=_reading(picks),
            weave=WeaveReading(
                name=cast("WeaveName", weave.get("name") or "unknown"),
                repeat_ends=weave.get("repeat_ends"),
                repeat_picks=weave.get("repeat_picks"),
                face=cast("Face", weave.get("face") or "balanced"),
            ),
            sample=SampleReading(
                width_mm=sample.get("width_mm"),
                width_u95_mm=sample.get("width_u95_mm"),
                width_edges_u95_mm=sample.get("width_edges_u95_mm"),
                length_mm=sample.get("length_mm"),
                outline_px=np.array(sample.get("outline_px") or np.zeros((0, 2)), dtype=np.float64),
            ),
        ),
        plane=_Plane(source=scale["source"], u95_percent=_scale_u95_percent(scale, ends)),
        sample=_Sample(cut_off=frozenset(cut_off)),
    )
    return cast("SettMeasurement", kept)


def _reading(threads: dict[str, Any]) -> ThreadReading:
    positions = threads.get("positions_mm")
    per_cm = float(threads["per_inch"]) / 2.54
    return ThreadReading(
        pitch_px=0.0,
        per_inch=float(threads["per_inch"]),
        per_cm=per_cm,
        u95_per_inch=threads.get("u95_per_inch"),
        per_1000_px=float(threads.get("per_1000_px") or 0.0),
        count=threads.get("count"),
        count_mean=threads.get("count_mean"),
        count_u95=threads.get("count_u95"),
        across_width_per_inch=threads.get("across_width_per_inch"),
        alternatives_per_inch=tuple(threads.get("alternatives_per_inch") or ()),
        probability=float(threads.get("probability") or 0.0),
        positions_mm=None if positions is None else np.array(positions, dtype=np.float64),
        budget=_lines(threads),
    )


def _lines(threads: dict[str, Any]) -> tuple[BudgetLine, ...]:
    return tuple(
        BudgetLine(
            name=str(line["name"]),
            standard_percent=float(line["standard_percent"]),
            kind=line.get("kind", "B"),
            origin=str(line.get("origin", "kept")),
        )
        for line in threads.get("budget") or ()
    )


def _scale_u95_percent(scale: dict[str, Any], threads: dict[str, Any]) -> float:
    """Return the doubt of scale and height together.

    Between two photos measured at once most of the height's error is alike; of kept ones that is not known.
    """
    height = [line.standard_percent for line in _lines(threads) if line.name == _HEIGHT_LINE]
    return math.hypot(float(scale.get("u95_percent") or 0.0), *(COVERAGE_FACTOR * u for u in height))
