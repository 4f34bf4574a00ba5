"""The JSON document of `pickglass sett`: keys and meanings that scripts may rely on."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from ..calibration.budget import BudgetLine
    from ..calibration.notices import Notice
    from ..calibration.plane import Plane
    from ..measure.results import SettResult, ThreadReading
    from ..measure.sett import SettMeasurement

__all__ = ["SCHEMA", "dump", "error_document", "measurement_document", "refusal_document", "sett_document"]

SCHEMA = "pickglass.sett/1"
_THREAD_KEYS = (
    "per_inch",
    "per_cm",
    "u95_per_inch",
    "per_1000_px",
    "count",
    "count_mean",
    "count_u95",
    "alternatives_per_inch",
    "probability",
    "positions_mm",
    "budget",
)


def sett_document(result: SettResult, plane: Plane) -> dict[str, Any]:
    """Return the document of one measurement; None stands for what cannot be known."""
    return {
        "schema": SCHEMA,
        "photo": result.photo,
        "verdict": result.verdict,
        "messages": _messages((*plane.notices, *result.notices)),
        "scale": _scale(result, plane),
        "ends": _threads(result.ends)
        | {
            "across_width_per_inch": result.ends.across_width_per_inch,
            "across_width_u95_per_inch": result.across_width_u95_per_inch,
        },
        "picks": _threads(result.picks),
        "weave": {
            "name": result.weave.name,
            "repeat_ends": result.weave.repeat_ends,
            "repeat_picks": result.weave.repeat_picks,
            "face": result.weave.face,
        },
        "sample": {
            "width_mm": result.sample.width_mm,
            "width_u95_mm": result.sample.width_u95_mm,
            "width_edges_u95_mm": result.sample.width_edges_u95_mm,
            "length_mm": result.sample.length_mm,
            "outline_px": result.sample.outline_px.round(1).tolist(),
            "warp_from": result.sample.warp_from,
            "warp_runs": result.sample.warp_runs,
        },
    }


def measurement_document(measurement: SettMeasurement) -> dict[str, Any]:
    """Return the document of a measurement with the photo's quality and the colour order of its warp, where it can be read.

    Colours are balanced by the card's neutral patches where they show, so that those of different photos compare.
    """
    from ..calibration.errors import PickglassError
    from ..measure.end_colours import read_tracked_colours
    from .colour_order_json import colour_order_document
    from .photo_words import quality_document

    document = sett_document(measurement.result, measurement.plane)
    document["photo_quality"] = quality_document(measurement.quality)
    patch, face, balance = measurement.patch, measurement.result.weave.face, measurement.white_balance
    bgr = patch.bgr if balance is None else balance.apply(patch.bgr)
    try:
        reading = read_tracked_colours(bgr, patch.mask, measurement.tracks.ends, face=face)
    except PickglassError:
        return document | {"colour_order": None}  # a sett without colours is still a sett
    order = colour_order_document(reading)
    if order is not None:
        order["white_balanced"] = balance is not None
    return document | {"colour_order": order}


def refusal_document(photo: str | None, code: str, text: str) -> dict[str, Any]:
    """Return the document of a photo that was not measured: the same keys, nothing in them."""
    threads: dict[str, Any] = dict.fromkeys(_THREAD_KEYS) | {"alternatives_per_inch": []}
    return {
        "schema": SCHEMA,
        "photo": photo,
        "verdict": "refused",
        "messages": [{"code": code, "text": text}],
        "scale": dict.fromkeys(("source", "px_per_mm", "u95_percent", "tilt_deg", "budget")),
        "ends": threads | {"across_width_per_inch": None, "across_width_u95_per_inch": None},
        "picks": threads,
        "weave": dict.fromkeys(("name", "repeat_ends", "repeat_picks", "face")),
        "sample": dict.fromkeys(
            (
                "width_mm",
                "width_u95_mm",
                "width_edges_u95_mm",
                "length_mm",
                "outline_px",
                "warp_from",
                "warp_runs",
            )
        ),
        "photo_quality": None,
    }


def error_document(code: str, text: str) -> dict[str, Any]:
    """Return the document of any other command that could not do what was asked."""
    return {
        "schema": "pickglass.error/1",
        "verdict": "refused",
        "messages": [{"code": code, "text": text}],
    }


def dump(document: dict[str, Any]) -> str:
    """Return one JSON document; numbers that are not finite become null, for JSON knows none."""
    return json.dumps(_finite(document), allow_nan=False)  # ASCII: file names may hold what UTF-8 cannot


def _messages(notices: Iterable[Notice]) -> list[dict[str, str]]:
    return [{"code": code, "text": text} for code, text in dict.fromkeys((n.code, n.text) for n in notices)]


def _scale(result: SettResult, plane: Plane) -> dict[str, Any]:
    if plane.source == "none":
        return dict.fromkeys(("source", "px_per_mm", "u95_percent", "tilt_deg", "budget"))
    middle_mm = plane.to_mm(result.sample.outline_px).mean(axis=0)
    return {
        "source": plane.source,
        "px_per_mm": plane.px_per_mm_at(middle_mm),
        "u95_percent": plane.u95_percent if plane.budget else None,
        "tilt_deg": plane.tilt_deg,
        "budget": _budget(plane.budget),
    }


def _threads(reading: ThreadReading) -> dict[str, Any]:
    positions = reading.positions_mm
    return {
        "per_inch": reading.per_inch,
        "per_cm": reading.per_cm,
        "u95_per_inch": reading.u95_per_inch,
        "per_1000_px": reading.per_1000_px,
        "count": reading.count,
        "count_mean": reading.count_mean,
        "count_u95": reading.count_u95,
        "alternatives_per_inch": list(reading.alternatives_per_inch),
        "probability": reading.probability,
        "positions_mm": None if positions is None else (positions.round(3) + 0.0).tolist(),
        "budget": _budget(reading.budget),
    }


def _budget(lines: Iterable[BudgetLine]) -> list[dict[str, Any]]:
    return [
        {
            "name": line.name,
            "standard_percent": line.standard_percent,
            "kind": line.kind,
            "origin": line.origin,
        }
        for line in lines
    ]


def _finite(value: Any) -> Any:
    """Return `value` with every number that JSON cannot hold replaced by None."""
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_finite(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
