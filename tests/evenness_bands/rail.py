"""Five overlapping photos of one band of 630 mm beside the rail card, joined and compared with the truth."""

from __future__ import annotations

import json
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from .scenes import PLAIN, TABLES  # puts the renderer's folder on the path

__all__ = ["measure_rail", "rail_scenes", "render_rail"]

RAIL_MM = 720.0
BAND_MM = 600.0  # as planned; after the step the beat is more open, which makes it longer
MIDDLES_MM = (88.0, 201.0, 314.0, 427.0, 540.0)  # of the photos along the band; each shows some 198 mm
STEP_PICK = 172
SEED = 5301
VIEW_MM = 118.0  # to either side of the middle of a photo


def rail_scenes() -> list:
    """Return the scenes; the band and the rail keep their places to each other."""
    from layout import make_layout
    from scene_spec import Camera, Light, Page, Post, Scene, Step

    picks = round(BAND_MM / 25.4 * PLAIN.ppi) + 1
    band = replace(PLAIN, picks=picks, beat_cv=0.05, steps=(Step(pick_index=STEP_PICK, factor=1.1),))
    centre = make_layout(band, SEED).pick_v_mm[[0, -1]].mean()
    scenes = []
    for number, middle in enumerate(MIDDLES_MM):
        shift = float(centre) - middle
        scenes.append(
            Scene(
                name=f"rail_{number + 1}",
                seed=SEED,
                cloth=replace(band, turn_deg=-90.0, x_mm=shift, y_mm=18.0),
                page=Page(code="RAIL-1", width_mm=RAIL_MM, height_mm=47.0, x_mm=shift, y_mm=-30.0),
                table=TABLES[0],
                light=Light(azimuth_deg=130.0, elevation_deg=46.0, ambient=0.42),
                camera=Camera(
                    width_px=1500,
                    height_px=960,
                    f35_mm=47.0,
                    distance_mm=255.0,
                    tilt_deg=(2.0, 4.0, 1.0, 3.0, 2.5)[number],
                    tilt_azimuth_deg=(200.0, 40.0, 110.0, 300.0, 20.0)[number],
                    roll_deg=(-1.5, 1.0, 2.0, -0.5, 0.8)[number],
                    k1=-0.008,
                ),
                post=Post(brightness=0.34, quality=90),
                samples=16,
            )
        )
    return scenes


def render_rail(folder: Path) -> None:
    """Write the photos and the truth that are not there yet; the band is woven once, each photo shows a part of it."""
    from camera import camera_pose, develop, write_picture
    from layout import stream
    from path_trace import MARGIN_PX, trace
    from render import build
    from scene_truth import scene_truth

    folder.mkdir(parents=True, exist_ok=True)
    scenes = [scene for scene in rail_scenes() if not (folder / f"{scene.name}.jpg").exists()]
    if not scenes:
        return
    woven, _ = build(scenes[0])
    for number, scene in enumerate(rail_scenes()):
        if scene not in scenes:
            continue
        start = time.perf_counter()
        cloth = replace(woven, layout=replace(woven.layout, cloth=scene.cloth))
        middle = MIDDLES_MM[number]
        seen = replace(
            cloth, **{name: _part(getattr(cloth, name), middle) for name in ("warp", "weft", "fuzz")}
        )
        light = trace(scene, seen, 0.0)
        rng = stream(scene.seed, "sensor-" + scene.name)
        picture = develop(light, scene, camera_pose(scene.camera), MARGIN_PX, rng)
        (folder / f"{scene.name}.json").write_text(
            json.dumps(scene_truth(scene, cloth, 0.0), indent=1) + "\n"
        )
        write_picture(folder / f"{scene.name}.jpg", picture, scene)
        print(f"{scene.name}: rendered in {time.perf_counter() - start:.0f} s", flush=True)


def _part(mesh, middle_mm: float):
    """Return the yarns within the camera's view, for speed."""
    near = np.abs(mesh.points[:, 1] - middle_mm) < VIEW_MM
    faces = mesh.faces[near[mesh.faces].all(axis=1)]
    used, index = np.unique(faces, return_inverse=True)
    return replace(
        mesh,
        points=mesh.points[used],
        normals=mesh.normals[used],
        colours=mesh.colours[used],
        faces=index.reshape(faces.shape),
    )


def measure_rail(folder: Path) -> str:
    """Join the photos as the command does and tell how far the picks lie from the truth."""
    from pickglass.cli.evenness_run import run_evenness
    from pickglass.cli.pipeline import Request
    from pickglass.measure.evenness import EvennessOptions

    photos = [folder / f"rail_{k + 1}.jpg" for k in range(len(MIDDLES_MM))]
    found = run_evenness(photos, Request(), EvennessOptions(), on_step=lambda _: None)
    if found.joined is None:
        return "the photos were not joined"
    truth = json.loads(photos[0].with_suffix(".json").read_text())
    true = np.array(truth["pick_v_mm"])
    picks = found.joined.trace.pick_mm
    lines = [f"picks {len(picks)} of {len(true)}, length {picks[-1]:.2f} of {true[-1]:.2f} mm"]
    nearest = np.array([true[np.argmin(np.abs(true - p))] for p in picks])
    error = picks - nearest
    lines.append(
        f"pick by nearest pick: RMS {np.sqrt((error**2).mean()):.2f} mm, largest {np.abs(error).max():.2f} mm"
    )
    if len(picks) == len(true):
        error = picks - true
        lines.append(
            f"pick by number: RMS {np.sqrt((error**2).mean()):.2f} mm, largest {np.abs(error).max():.2f} mm"
        )
    for put in found.placed:
        lines.append(
            f"  {put.photo}: starts at {put.start_mm:.2f} mm, shares {put.overlap_picks} picks, moved {put.moved_mm:+.2f} mm, "
            f"by picks: {put.by_picks}"
        )
    step = truth["steps"][0]
    told = [f"{s.of} {s.change_percent:+.1f} % at {s.at_mm:.1f} mm" for s in found.joined.steps]
    lines.append(
        f"planted step {100 / step['spacing_factor_after'] - 100:+.1f} % at {step['v_mm']:.1f} mm; found: {'; '.join(told)}"
    )
    lines.append(f"faults told (none is there): {[(f.kind, round(f.at_mm)) for f in found.joined.faults]}")
    return "\n".join(lines)
