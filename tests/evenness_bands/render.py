"""Render the bands into a folder, with their true values."""

from __future__ import annotations

import json
import time
from pathlib import Path

from .scenes import BANDS  # puts the renderer's folder on the path

__all__ = ["render_bands"]


def render_bands(folder: Path, names: list[str]) -> None:
    """Write NAME.jpg and NAME.json for every band that is not there yet."""
    from camera import write_picture
    from render import render_scene

    folder.mkdir(parents=True, exist_ok=True)
    for name in names:
        if (folder / f"{name}.jpg").exists():
            continue
        start = time.perf_counter()
        picture, truth = render_scene(BANDS[name])
        (folder / f"{name}.json").write_text(json.dumps(truth, indent=1) + "\n")
        write_picture(folder / f"{name}.jpg", picture, BANDS[name])
        print(f"{name}: rendered in {time.perf_counter() - start:.0f} s", flush=True)
