"""Render the demo pictures with their true values.

Run ``python sample_images/render.py --help``. Needs the optional extra ``render`` (Mitsuba 3); the true values
alone (``--truth-only``) do not.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from camera import camera_pose, develop, write_picture
from cloth_geometry import WovenCloth, weave_cloth
from layout import stream
from numpy.typing import NDArray
from scenario import SCENES
from scene_spec import Scene
from scene_truth import scene_truth, shrinkage

__all__ = ["build", "render_scene", "resized", "true_values"]


def build(scene: Scene) -> tuple[WovenCloth | None, float]:
    """Weave the cloth of a scene; return it with the height of the card's lower face (mm)."""
    cloth = None if scene.cloth is None else weave_cloth(scene.cloth, scene.seed)
    on_cloth = scene.card is not None and scene.card.on_cloth and cloth is not None
    return cloth, (cloth.thickness_mm if on_cloth and cloth is not None else 0.0)


def true_values(scene: Scene, cloth: WovenCloth | None, card_bottom_mm: float) -> dict[str, Any]:
    """Return the truth of a scene, with the shrinkage where the scene names an earlier one."""
    truth = scene_truth(scene, cloth, card_bottom_mm)
    if scene.pair_id:
        truth["pair"] = {"id": scene.pair_id, "role": scene.pair_role, "shrinkage": None}
        if scene.pair_partner:
            earlier = SCENES[scene.pair_partner]
            before = scene_truth(earlier, *build(earlier))
            truth["pair"] |= {"shrinkage": shrinkage(before, truth), "partner": scene.pair_partner}
    return truth


def render_scene(scene: Scene) -> tuple[NDArray[np.uint8], dict[str, Any]]:
    """Render one scene.

    Parameters
    ----------
    scene : Scene
        Any scene, not only the demo's; see `scene_spec`.

    Returns
    -------
    picture : ndarray of uint8, shape (H, W, 3)
        sRGB, before JPEG.
    truth : dict
        True values, ready for JSON.
    """
    from path_trace import MARGIN_PX, trace

    cloth, card_bottom_mm = build(scene)
    light = trace(scene, cloth, card_bottom_mm)
    rng = stream(scene.seed, "sensor-" + scene.name)
    picture = develop(light, scene, camera_pose(scene.camera), MARGIN_PX, rng)
    return picture, true_values(scene, cloth, card_bottom_mm)


def resized(scene: Scene, long_side_px: int) -> Scene:
    """Return the same scene with a smaller (or larger) picture, for trials."""
    camera = scene.camera
    factor = long_side_px / max(camera.width_px, camera.height_px)
    dpi = None if camera.dpi is None else round(camera.dpi * factor)
    return replace(
        scene,
        camera=replace(
            camera,
            width_px=round(camera.width_px * factor),
            height_px=round(camera.height_px * factor),
            dpi=dpi,
        ),
    )


def main() -> None:
    """Read the command line, render, write NAME.jpg and NAME.json."""
    parser = argparse.ArgumentParser(description="Render the demo pictures and write their true values.")
    parser.add_argument(
        "names", nargs="*", help=f"pictures to render; known: {', '.join(SCENES)}; all if none"
    )
    parser.add_argument("--size", type=int, help="long side in pixels (for trials)")
    parser.add_argument("--to", type=Path, default=Path(__file__).resolve().parent, help="folder to write to")
    parser.add_argument("--truth-only", action="store_true", help="write the JSON files without rendering")
    chosen = parser.parse_args()
    for unknown in set(chosen.names) - set(SCENES):
        parser.error(f"no picture is called {unknown!r}")
    chosen.to.mkdir(parents=True, exist_ok=True)
    for name in chosen.names or SCENES:
        start = time.perf_counter()
        scene = SCENES[name] if chosen.size is None else resized(SCENES[name], chosen.size)
        if chosen.truth_only:
            truth = true_values(scene, *build(scene))
        else:
            picture, truth = render_scene(scene)
            write_picture(chosen.to / f"{name}.jpg", picture, scene)
        (chosen.to / f"{name}.json").write_text(json.dumps(truth, indent=1) + "\n")
        print(f"{name}: {time.perf_counter() - start:.0f} s", flush=True)


if __name__ == "__main__":
    main()
