"""Renders scenes drawn at random and measures each as it comes: pictures nobody has looked at.

    cd tests
    python -m accuracy.unseen FOLDER --count 24 --seed 7          # needs the extra "render"; a minute or two a picture

Pictures that are there already are not rendered again. FOLDER is one that `python tests/accuracy` and
`python -m evenness_bands NONE --also FOLDER` read as well.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path

from .cases import load_cases
from .judge import PhotoScore, judge
from .unseen_kinds import kinds_in_turn
from .unseen_scenes import draw_scene

__all__ = ["render_unseen"]


def render_unseen(folder: Path, kind: str, seed: int, index: int) -> Path:
    """Write NAME.jpg and NAME.json of one scene unless they are there; return the picture's path."""
    from camera import write_picture
    from render import render_scene

    scene = draw_scene(kind, seed, index)
    path = folder / f"{scene.name}.jpg"
    if not path.exists():
        folder.mkdir(parents=True, exist_ok=True)
        picture, truth = render_scene(scene)
        path.with_suffix(".json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
        write_picture(path, picture, scene)
    return path


def main() -> None:
    """Read the command line, render, measure, print a line for each picture."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--count", type=int, default=24)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--threads", type=int, default=1, help="of the renderer")
    parser.add_argument("--only", help="kinds whose name contains this")
    parser.add_argument("--render-only", action="store_true", help="measure nothing")
    asked = parser.parse_args()
    from path_trace import load_mitsuba

    load_mitsuba()
    import drjit

    drjit.set_thread_count(asked.threads)
    for index, kind in enumerate(kinds_in_turn(asked.count, asked.seed)):
        if asked.only is not None and asked.only not in kind:
            continue
        start = time.perf_counter()
        path = render_unseen(asked.folder, kind, asked.seed, index)
        line = f"{path.stem}: rendered in {time.perf_counter() - start:.0f} s"
        if not asked.render_only:
            case = next(case for case in load_cases(asked.folder) if case.path == path)
            line += "; " + _words(judge(case))
        print(line, flush=True)


def _words(score: PhotoScore) -> str:
    parts = [score.verdict, score.code] if score.code else [score.verdict]
    for name, found in (("ends", score.ends), ("picks", score.picks)):
        if found is not None and found.reading is not None:
            inside = "" if found.inside else " (outside its interval)"
            parts.append(f"{name} {found.error_percent:+.2f} %{inside} {found.count} of {found.true_count}")
    if score.width_error_mm is not None:
        parts.append(f"width {score.width_error_mm:+.2f} mm")
    if score.true_weave is not None:
        parts.append(f"{score.weave} ({score.true_weave})")
    return ", ".join(parts)


if __name__ == "__main__":
    main()
