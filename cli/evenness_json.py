"""The JSON document of `pickglass evenness`: that of `sett`, and what was found along the band."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal

from .evenness_words import SAFETY, fault_words, finding_words
from .sett_json import sett_document

if TYPE_CHECKING:
    from ..calibration.plane import Plane
    from ..measure.band_comparison import BandComparison
    from ..measure.evenness import Evenness, Step
    from ..measure.rail_join import Placed
    from ..measure.results import SettResult

__all__ = ["SCHEMA", "evenness_document", "evenness_keys", "several_document"]

SCHEMA = "pickglass.evenness/1"


def evenness_document(result: SettResult, plane: Plane, evenness: Evenness) -> dict[str, Any]:
    """Return the document of one photo."""
    return sett_document(result, plane) | evenness_keys(evenness) | {"schema": SCHEMA}


def several_document(
    parts: Sequence[tuple[SettResult, Plane, Evenness | None]],
    *,
    joined: Evenness | None,
    placed: Sequence[Placed],
    comparisons: Sequence[tuple[int, int, Sequence[BandComparison]]],
    verdict: str,
) -> dict[str, Any]:
    """Return the document of several photos: the joined band on top, or the bands beside each other.

    The keys of `sett` are those of the first photo; every photo stands whole under ``photos``.
    """
    first_result, first_plane, first = parts[0]
    shown = joined if joined is not None else first
    document = sett_document(first_result, first_plane) | ({} if shown is None else evenness_keys(shown))
    photos = []
    for number, (result, plane, evenness) in enumerate(parts):
        entry = sett_document(result, plane) | ({} if evenness is None else evenness_keys(evenness))
        if placed:
            entry["start_at_mm"] = placed[number].start_mm
            entry["overlap_picks"] = placed[number].overlap_picks
            entry["placed_by_picks"] = placed[number].by_picks
            entry["moved_mm"] = placed[number].moved_mm
        photos.append(entry)
    return document | {
        "schema": SCHEMA,
        "verdict": verdict,
        "joined": joined is not None,
        "photos": photos,
        "comparisons": [
            {
                "first": parts[a][0].photo,
                "second": parts[b][0].photo,
                "of": c.of,
                "difference_percent": c.difference_percent,
                "u95_percent": c.u95_percent,
                "p_value": c.p_value,
                "significant": c.significant,
                "test": "Welch's t test, stations reduced to their effective number, doubt of both scales added",
                "effective_stations": [c.effective_first, c.effective_second],
            }
            for a, b, found in comparisons
            for c in found
        ],
    }


def evenness_keys(evenness: Evenness) -> dict[str, Any]:
    """Return what was found along one band; None stands for what does not show."""
    drift = evenness.drift
    trace = evenness.trace
    bow, skew = evenness.bow_percent, evenness.skew_percent
    return {
        "stations": [
            {
                "at_mm": s.at_mm,
                "width_mm": s.width_mm,
                "picks_per_inch": s.picks_per_inch,
                "picks_per_cm": s.picks_per_inch / 2.54,
                "ends_per_inch": s.ends_per_inch,
                "left_mm": s.left_mm,
                "right_mm": s.right_mm,
                "bow_percent": None if s.shape is None else s.shape.bow_percent,
                "skew_percent": None if s.shape is None else s.shape.skew_percent,
                "visible_warp_share": s.warp_share,
            }
            for s in evenness.stations
        ],
        "station_spacing_mm": evenness.options.spacing_mm,
        "station_window_mm": evenness.options.window_mm,
        "width_cv_percent": evenness.width_cv_percent,
        "beat_cv_percent": evenness.beat_cv_percent,
        "pick_spacing_cv_percent": evenness.pick_spacing_cv_percent,
        "end_spacing_cv_percent": evenness.end_spacing_cv_percent,
        "beat_drift_percent_per_100mm": None if drift is None else drift.percent_per_100mm,
        "beat_drift_u95_percent_per_100mm": None if drift is None else drift.u95_percent_per_100mm,
        "steps": _steps(evenness.steps, "beat"),
        "possible_steps": _steps(evenness.possible_steps, "beat"),
        "width_steps": _steps(evenness.steps, "width"),
        "rhythms": [
            {"kind": r.kind, "every_mm": r.every_mm, "size_percent": r.size_percent, "p_value": r.p_value}
            for r in evenness.rhythms
        ],
        "faults": [
            {
                "kind": f.kind,
                "at_mm": f.at_mm,
                "across_mm": f.across_mm,
                "size_mm": f.size_mm,
                "across_size_mm": f.across_size_mm,
                "text": fault_words(f),
            }
            for f in evenness.faults
        ],
        "bow_percent": None if bow is None else abs(bow),
        "bow_way": None if bow is None else ("smile" if bow > 0 else "frown"),
        "bow_at_mm": evenness.bow_at_mm,
        "skew_percent": None if skew is None else abs(skew),
        "skew_way": None if skew is None else ("right side ahead" if skew > 0 else "left side ahead"),
        "skew_at_mm": evenness.skew_at_mm,
        "picks_mm": (trace.pick_mm.round(3) + 0.0).tolist(),
        "picks_inferred": [int(k) + 1 for k in trace.inferred.nonzero()[0]],
        "findings": [*finding_words(evenness)],
        "safety": SAFETY,
    }


def _steps(steps: Sequence[Step], of: Literal["beat", "width"]) -> list[dict[str, float]]:
    return [
        {
            "at_mm": s.at_mm,
            "at_u95_mm": s.at_u95_mm,
            "change_percent": s.change_percent,
            "change_u95_percent": s.change_u95_percent,
        }
        for s in steps
        if s.of == of
    ]
