"""The JSON document of `pickglass shrinkage`: keys and meanings that scripts may rely on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from .shrinkage_text import NOT_STANDARD, step_name

if TYPE_CHECKING:
    from ..measure.shrinkage import Change, ChangeOfSize
    from .shrinkage_run import Series

__all__ = ["SCHEMA", "shrinkage_document"]

SCHEMA = "pickglass.shrinkage/1"


def shrinkage_document(series: Series) -> dict[str, Any]:
    """Return the document of a series; the headline is the last photo against the first."""
    last = series.from_first[-1]
    return {
        "schema": SCHEMA,
        "verdict": series.verdict,
        "messages": [{"code": n.code, "text": n.text} for n in series.notices],
        "photos": [
            {"photo": name, "stage": stage} for name, stage in zip(series.photos, series.stages, strict=True)
        ],
        "base": series.stages[0],
        "means": step_name(series.stages[0], series.stages[-1]),
        **_size(last),
        "steps": [
            {
                "from": series.stages[k],
                "to": series.stages[k + 1],
                "means": step_name(series.stages[k], series.stages[k + 1]),
                "against_first": _size(series.from_first[k]),
                "against_previous": _size(series.from_previous[k]),
                "settled": series.settled[k],
            }
            for k in range(len(series.from_first))
        ],
        "laboratory_test": False,
        "note": NOT_STANDARD,
    }


def _size(size: ChangeOfSize) -> dict[str, Any]:
    before, after = size.skew_before_percent, size.skew_after_percent
    return {
        "warpwise": _change(size.warpwise),
        "weftwise": _change(size.weftwise),
        "area_change_percent": size.area_change_percent,
        "area_u95_percent": size.area_u95_percent,
        "skew_before_percent": before,
        "skew_after_percent": after,
        "skew_change_percent": None if before is None or after is None else after - before,
        "common_threads": {"ends": size.common_ends, "picks": size.common_picks},
        "other_face": size.other_face,
        "by_method": {
            method: {way: _change(change) for way, change in size.by_method.get(method, {}).items()}
            for method in ("outline", "thread_count", "marks")
        },
    }


def _change(change: Change) -> dict[str, float]:
    return {"change_percent": change.change_percent, "u95_percent": change.u95_percent}
