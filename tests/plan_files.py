"""Saved measurements made up for the tests of `pickglass plan`; nothing here is measured."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import typer

from pickglass.cli.plan_command import plan

SETT: dict[str, Any] = {
    "schema": "pickglass.sett/1",
    "photo": "band.jpg",
    "verdict": "measured",
    "messages": [],
    "ends": {"per_inch": 52.0, "u95_per_inch": 0.6, "count": 49, "across_width_per_inch": 54.0},
    "picks": {"per_inch": 9.6, "u95_per_inch": 0.1, "count": 120},
    "weave": {"name": "plain", "face": "warp-faced"},
    "sample": {"width_mm": 23.0, "length_mm": 300.0},
}
SHRINKAGE: dict[str, Any] = {
    "schema": "pickglass.shrinkage/1",
    "verdict": "measured",
    "warpwise": {"change_percent": -8.0, "u95_percent": 0.8},
    "weftwise": {"change_percent": -4.0, "u95_percent": 1.0},
}


def save(path: Path, document: Any) -> Path:
    path.write_text(json.dumps(document), encoding="utf-8")
    return path


def run_plan(*words: str | Path) -> None:
    """Run the command by itself; its errors come through as exceptions."""
    app = typer.Typer()
    app.command()(plan)
    app(args=[str(word) for word in words], standalone_mode=False)
