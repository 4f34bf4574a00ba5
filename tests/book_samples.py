"""Measurements and samples made up for the tests of the book; nothing here is measured."""

from __future__ import annotations

import json
from typing import Any

from pickglass.cli.book_record import Record, Sample, figures_of


def measurement(ends: float = 24.0, picks: float = 12.0, **changes: Any) -> dict[str, Any]:
    """A whole `pickglass sett --json` as a weaver saves it."""
    document: dict[str, Any] = {
        "schema": "pickglass.sett/1",
        "photo": "band.jpg",
        "verdict": "measured",
        "messages": [],
        "scale": {"source": "bank-card", "px_per_mm": 8.0, "u95_percent": 0.2, "tilt_deg": 1.0, "budget": []},
        "ends": {
            "per_inch": ends,
            "per_cm": ends / 2.54,
            "u95_per_inch": 0.3,
            "per_1000_px": 117.3,
            "count": 48,
            "across_width_per_inch": ends + 1.0,
            "alternatives_per_inch": [],
            "positions_mm": [0.0, 1.0583, 2.1167],
        },
        "picks": {
            "per_inch": picks,
            "per_cm": picks / 2.54,
            "u95_per_inch": 0.4,
            "per_1000_px": 58.6,
            "count": 71,
            "alternatives_per_inch": [],
        },
        "weave": {"name": "plain", "repeat_ends": 2, "repeat_picks": 2, "face": "balanced"},
        "sample": {"width_mm": 50.8, "width_u95_mm": 0.3, "length_mm": 150.0, "outline_px": [[1.0, 2.0]]},
        "colour_order": {"order": "8 red", "palette": {"red": "#aa0000"}},
    }
    return document | changes


def with_part(part: str, value: Any) -> dict[str, Any]:
    """A measurement that holds something else in one of its parts."""
    return measurement() | {part: value}


def record(stage: str = "off-loom", *, date: str = "2024-05-31", **changes: Any) -> Record:
    document = measurement(**changes)
    return Record(
        stage=stage, date=date, photo="band.jpg", figures=figures_of(document, "test"), document=document
    )


def sample(name: str = "Garden band", *records: Record, **facts: Any) -> Sample:
    return Sample(name=name, records=records, **facts)


def as_bytes(document: Any) -> bytes:
    return json.dumps(document).encode()
