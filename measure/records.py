"""Results as plain Python: nested dictionaries, and flat records that a table or a data frame takes as they are."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from ..calibration.plane import Plane
    from .results import SettResult, ThreadReading

__all__ = ["SETT_COLUMNS", "Cell", "empty_record", "sett_record", "to_dict"]

Cell = str | int | float | None

_THREADS = (
    "per_inch",
    "u95_per_inch",
    "per_cm",
    "u95_per_cm",
    "per_1000_px",
    "count",
    "count_u95",
    "probability",
    "alternatives_per_inch",
)
SETT_COLUMNS: tuple[str, ...] = (
    "photo",
    "verdict",
    *(f"ends_{name}" for name in _THREADS),
    "ends_across_width_per_inch",
    *(f"picks_{name}" for name in _THREADS),
    "weave",
    "repeat_ends",
    "repeat_picks",
    "face",
    "width_mm",
    "width_u95_mm",
    "length_mm",
    "scale_source",
    "scale_u95_percent",
    "tilt_deg",
    "messages",
)
"""Keys of a sett record, in the order of a table's columns."""


def sett_record(result: SettResult, plane: Plane | None = None) -> dict[str, Cell]:
    """Return one measurement as one flat row.

    Parameters
    ----------
    result : SettResult
        What was measured.
    plane : Plane, optional
        Its scale; without it the columns of the scale stay None.

    Returns
    -------
    dict
        The keys `SETT_COLUMNS`, in that order. None stands for what cannot be known. Several values in one cell
        (other readings, codes of messages) are joined by spaces. ``pandas.DataFrame([record, ...])`` takes it.
    """
    codes = [notice.code for notice in (*(plane.notices if plane else ()), *result.notices)]
    values: dict[str, Cell] = {
        "photo": result.photo,
        "verdict": result.verdict,
        **_threads("ends", result.ends),
        "ends_across_width_per_inch": result.ends.across_width_per_inch,
        **_threads("picks", result.picks),
        "weave": result.weave.name,
        "repeat_ends": result.weave.repeat_ends,
        "repeat_picks": result.weave.repeat_picks,
        "face": result.weave.face,
        "width_mm": result.sample.width_mm,
        "width_u95_mm": result.sample.width_u95_mm,
        "length_mm": result.sample.length_mm,
        "messages": " ".join(dict.fromkeys(codes)),
    }
    if plane is not None and plane.source != "none":
        values |= {
            "scale_source": plane.source,
            "scale_u95_percent": plane.u95_percent,
            "tilt_deg": plane.tilt_deg,
        }
    return {name: _plain(values.get(name)) for name in SETT_COLUMNS}


def empty_record(photo: str, *, verdict: str, message: str) -> dict[str, Cell]:
    """Return the row of a photo that could not be measured: the same keys, nothing measured in them."""
    return dict.fromkeys(SETT_COLUMNS) | {"photo": photo, "verdict": verdict, "messages": message}


def to_dict(value: Any) -> Any:
    """Return a result dataclass as dictionaries, lists, text and numbers, ready for JSON.

    Arrays become nested lists, numbers that are not finite become None.
    """
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: to_dict(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, np.ndarray):
        return to_dict(value.tolist())
    if isinstance(value, Mapping):
        return {str(key): to_dict(item) for key, item in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        items = sorted(value) if isinstance(value, (set, frozenset)) else value
        return [to_dict(item) for item in items]
    return _plain(value)


def _threads(name: str, reading: ThreadReading) -> dict[str, Cell]:
    u95 = reading.u95_per_inch
    return {
        f"{name}_per_inch": reading.per_inch,
        f"{name}_u95_per_inch": u95,
        f"{name}_per_cm": reading.per_cm,
        f"{name}_u95_per_cm": None if u95 is None else u95 / 2.54,
        f"{name}_per_1000_px": reading.per_1000_px,
        f"{name}_count": reading.count,
        f"{name}_count_u95": reading.count_u95,
        f"{name}_probability": reading.probability,
        f"{name}_alternatives_per_inch": " ".join(f"{other:.4g}" for other in reading.alternatives_per_inch),
    }


def _plain(value: Any) -> Any:
    """Return a NumPy number as Python's own, and None for one that is not finite."""
    if isinstance(value, np.generic):
        value = value.item()
    return None if isinstance(value, float) and not np.isfinite(value) else value
