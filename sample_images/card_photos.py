"""Path-traced photos of the printed cards, with the true scale where cloth would lie.

    python sample_images/card_photos.py FOLDER [NAME ...]

They try the scale, not the cloth: nothing lies on the card. Each card is photographed flat from above and tilted,
curled, half in shadow and through a lens that bends the picture. ``python tests/accuracy/cards.py FOLDER`` then says
how far the scale found is from the true one. Needs the optional extra ``render`` (Mitsuba 3).
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from camera import camera_pose, develop, distort, write_picture
from layout import stream
from numpy.typing import NDArray
from path_trace import LANES, MARGIN_PX, lights, load_mitsuba, sensor, table
from scene_spec import Camera, Light, Post, Scene, Table

__all__ = ["PHOTOS", "CardPhoto", "card_truth", "render_card"]

Array = NDArray[np.float64]

PAPER_MM = 0.1
SIZE_MM = {"A4-1": (210.0, 297.0), "POCKET-1": (120.0, 80.0), "RAIL-1": (720.0, 47.0)}
DOTS_PER_MM = 14.0
LATTICE = 61  # vertices of the sheet along each side
# Where cloth would lie, in millimetres from the middle of the card (x right, y down): on the page, beside the others.
CLOTH_MM = {
    "A4-1": (-50.0, -70.0, 50.0, 70.0),
    "POCKET-1": (-60.0, 55.0, 60.0, 135.0),
    "RAIL-1": (-90.0, 35.0, 90.0, 75.0),
}


@dataclass(frozen=True, kw_only=True)
class CardPhoto:
    """One photo of one card; `curl_mm` is how far the paper's ends stand up, `curl_along_deg` which way it bends."""

    name: str
    code: str
    seed: int
    camera: Camera
    x_mm: float = 0.0
    y_mm: float = 0.0
    turn_deg: float = 0.0
    curl_mm: float = 0.0
    curl_along_deg: float = 0.0
    half_shadow: bool = False
    table: Table = field(default_factory=Table)
    light: Light = field(default_factory=Light)
    post: Post = field(default_factory=Post)


def _views() -> dict[str, CardPhoto]:
    """Return each card under the same trials, with light, table, lens and turn different from photo to photo."""
    trials: tuple[tuple[str, dict[str, Any], dict[str, Any]], ...] = (
        ("flat", {"tilt_deg": 1.0}, {}),
        ("tilt08", {"tilt_deg": 8.0}, {}),
        ("tilt16", {"tilt_deg": 16.0}, {}),
        ("tilt25", {"tilt_deg": 25.0}, {}),
        ("curled3", {"tilt_deg": 4.0}, {"curl_mm": 3.0}),
        ("curled8", {"tilt_deg": 7.0}, {"curl_mm": 8.0}),
        ("shadow", {"tilt_deg": 5.0}, {"half_shadow": True}),
        ("barrel", {"tilt_deg": 6.0, "k1": -0.03}, {}),
        ("pincushion", {"tilt_deg": 11.0, "k1": 0.02}, {}),
    )
    placed: dict[str, dict[str, Any]] = {
        "A4-1": {"turn_deg": 90.0},
        "POCKET-1": {"y_mm": 45.0},
        "RAIL-1": {"y_mm": 50.0},
    }
    distance = {"A4-1": 330.0, "POCKET-1": 300.0, "RAIL-1": 290.0}
    tables = (
        Table(kind="walnut", colour="#6b4a33"),
        Table(kind="painted", colour="#9a9890"),
        Table(kind="oak", colour="#b58d5f"),
        Table(kind="slate", colour="#50555a"),
        Table(kind="painted", colour="#d9d4c8"),
    )
    photos = {}
    for row, (code, place) in enumerate(placed.items()):
        for column, (trial, camera, paper) in enumerate(trials):
            rng = np.random.default_rng([row, column, 4])
            name = f"{code.split('-')[0].lower()}_{trial}"
            lens = Camera(
                width_px=2000,
                height_px=1500,
                f35_mm=float(rng.uniform(24.0, 28.0)),
                distance_mm=distance[code] * float(rng.uniform(0.95, 1.2)),
                tilt_azimuth_deg=float(rng.uniform(0.0, 360.0)),
                roll_deg=float(rng.uniform(-4.0, 4.0)),
                k1=float(rng.uniform(-0.008, 0.004)),
            )
            photos[name] = CardPhoto(
                name=name,
                code=code,
                seed=7000 + 100 * row + column,
                camera=replace(lens, **camera),
                x_mm=float(rng.uniform(-6.0, 6.0)),
                y_mm=float(place.get("y_mm", 0.0) + rng.uniform(-4.0, 4.0)),
                turn_deg=float(place.get("turn_deg", 0.0) + rng.uniform(-5.0, 5.0)),
                curl_mm=float(paper.get("curl_mm", 0.0)),
                curl_along_deg=float(rng.choice([0.0, 90.0] if code == "A4-1" else [0.0]))
                + float(rng.uniform(-8, 8)),
                half_shadow=bool(paper.get("half_shadow", False)),
                table=tables[(row + column) % len(tables)],
                light=Light(
                    azimuth_deg=float(rng.uniform(60.0, 150.0)),
                    elevation_deg=float(rng.uniform(40.0, 60.0)),
                    ambient=float(rng.uniform(0.3, 0.5)),
                    warmth=float(rng.uniform(-0.05, 0.15)),
                ),
                post=Post(blur_px=float(rng.uniform(0.6, 1.0)), brightness=0.4),
            )
    return photos


def _bent(photo: CardPhoto, points_mm: Array) -> Array:
    """Return points (K, 3) of the bent sheet for points (K, 2) on it, both from its middle, y down, z up.

    The sheet bends as a parabolic cylinder without stretching: distances along it are arc lengths.
    """
    flat = np.column_stack([points_mm, np.full(len(points_mm), PAPER_MM)])
    if photo.curl_mm == 0.0:
        return flat
    angle = np.radians(photo.curl_along_deg)
    along = np.array([np.cos(angle), np.sin(angle)])
    reach = 0.5 * min(max(SIZE_MM[photo.code]), 297.0)
    x = np.linspace(0.0, 1.3 * reach, 4001)
    slope = 2.0 * photo.curl_mm * x / reach**2
    arc = np.concatenate(
        [[0.0], np.cumsum(0.5 * np.diff(x) * (np.hypot(1, slope[1:]) + np.hypot(1, slope[:-1])))]
    )
    s = points_mm @ along
    true_x = np.sign(s) * np.interp(np.abs(s), arc, x)
    flat[:, :2] += (true_x - s)[:, None] * along
    flat[:, 2] += photo.curl_mm * (true_x / reach) ** 2
    return flat


def _to_world(photo: CardPhoto, points: Array) -> Array:
    """Turn card coordinates (from the middle, y down) into the table's (y away from the viewer)."""
    a = np.radians(photo.turn_deg)
    x, y = points[:, 0], -points[:, 1]
    return np.column_stack(
        [np.cos(a) * x - np.sin(a) * y + photo.x_mm, np.sin(a) * x + np.cos(a) * y + photo.y_mm, points[:, 2]]
    )


def card_truth(photo: CardPhoto) -> dict[str, Any]:
    """Return true places and scales at points where cloth would lie, and the true stand of the camera."""
    pose = camera_pose(photo.camera)
    x0, y0, x1, y1 = CLOTH_MM[photo.code]
    x, y = np.meshgrid(np.linspace(x0, x1, 5), np.linspace(y0, y1, 5))
    middle = np.column_stack([x.ravel(), y.ravel()])

    def seen(points_mm: Array) -> Array:
        # Cloth on the page follows the paper; beside a card it lies on the table.
        flat = photo if photo.code == "A4-1" else replace(photo, curl_mm=0.0)
        return distort(pose.project(_to_world(photo, _bent(flat, points_mm))), photo.camera, pose)

    along = [
        (seen(middle + step) - seen(middle - step)) / 1.0
        for step in (np.array([0.5, 0.0]), np.array([0.0, 0.5]))
    ]
    scale = np.sqrt(np.abs(along[0][:, 0] * along[1][:, 1] - along[0][:, 1] * along[1][:, 0]))
    return {
        "name": photo.name,
        "card": photo.code,
        "trial": photo.name.split("_")[1],
        "image_size": [photo.camera.width_px, photo.camera.height_px],
        "tilt_deg": photo.camera.tilt_deg,
        "distance_mm": round(float(pose.centre[2]), 3),
        "f_px": round(pose.f_px, 3),
        "k1": photo.camera.k1,
        "curl_mm": photo.curl_mm,
        "points_px": seen(middle).round(3).tolist(),
        "px_per_mm": scale.round(5).tolist(),
    }


def _drawing(code: str) -> Array:
    """Return what is printed on the card as linear reflectance, shape (M, N)."""
    from pickglass.calibration.card_design import parse_card_code
    from pickglass.calibration.card_pdf import card_preview
    from pickglass.calibration.card_sheets import card_sheets

    sheet = card_preview(card_sheets(parse_card_code(code), length_mm=720.0)[:1], dots_per_mm=DOTS_PER_MM)

    def cut(x: float, y: float, width: float, height: float) -> NDArray[np.uint8]:
        left, top = round(x * DOTS_PER_MM), round(y * DOTS_PER_MM)
        return sheet[top : top + round(height * DOTS_PER_MM), left : left + round(width * DOTS_PER_MM)]

    if code.startswith("POCKET"):
        sheet = cut(45.0, 38.0, 120.0, 80.0)  # where the sheet has it, cut along its lines
    elif code.startswith("RAIL"):
        sheet = np.hstack([cut(11.0, 33.0 + 53.0 * part, 240.0, 47.0) for part in range(3)])
    srgb = sheet.astype(np.float64) / 255.0
    return np.asarray(np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4))


def _sheet(mi: Any, photo: CardPhoto) -> Any:
    """Return the printed sheet as a mesh with its drawing as texture."""
    width, height = SIZE_MM[photo.code]
    across = np.linspace(-width / 2, width / 2, LATTICE)
    down = np.linspace(-height / 2, height / 2, LATTICE)
    x, y = np.meshgrid(across, down)
    points = _to_world(photo, _bent(photo, np.column_stack([x.ravel(), y.ravel()])))
    index = np.arange(LATTICE * LATTICE).reshape(LATTICE, LATTICE)
    a, b, c, d = (part.ravel() for part in (index[:-1, :-1], index[:-1, 1:], index[1:, 1:], index[1:, :-1]))
    faces = np.concatenate([np.column_stack([a, d, c]), np.column_stack([a, c, b])])
    paper = 0.035 + _drawing(photo.code)[..., None] * (np.array([0.80, 0.79, 0.77]) - 0.035)
    bitmap = {
        "type": "bitmap",
        "bitmap": mi.Bitmap(np.ascontiguousarray(paper, np.float32)),
        "raw": True,
        "filter_type": "bilinear",
        "wrap_mode": "clamp",
    }
    props = mi.Properties()
    props["mesh_bsdf"] = mi.load_dict(
        {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": bitmap}}
    )
    shape = mi.Mesh(
        "sheet", len(points), len(faces), has_vertex_normals=False, has_vertex_texcoords=True, props=props
    )
    params = mi.traverse(shape)
    params["vertex_positions"] = np.ascontiguousarray(points, np.float32).ravel()
    params["vertex_texcoords"] = (
        np.column_stack([(x.ravel() / width + 0.5), (y.ravel() / height + 0.5)]).astype(np.float32).ravel()
    )
    params["faces"] = np.ascontiguousarray(faces, np.uint32).ravel()
    params.update()
    return shape


def _shade(mi: Any, photo: CardPhoto) -> dict[str, Any]:
    """Return a board between lamp and card whose shadow covers about half of the picture."""
    az, el = np.radians([photo.light.azimuth_deg, photo.light.elevation_deg])
    towards = np.array([np.cos(el) * np.cos(az), np.cos(el) * np.sin(az), np.sin(el)])
    aside = np.array([-np.sin(az), np.cos(az), 0.0])
    at = 300.0 * towards + 400.0 * aside
    frame = mi.ScalarTransform4f().look_at(
        origin=at.tolist(), target=(at - towards).tolist(), up=[0.0, 0.0, 1.0]
    ) @ mi.ScalarTransform4f().scale([400.0, 400.0, 1.0])
    bsdf = {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": {"type": "rgb", "value": 0.2}}}
    return {"board": {"type": "rectangle", "to_world": frame, "bsdf": bsdf}}


def render_card(photo: CardPhoto, samples: int = 16) -> NDArray[np.uint8]:
    """Render one photo, shape (H, W, 3), sRGB."""
    light = replace(photo.light, half_size_mm=25.0) if photo.half_shadow else photo.light
    scene = Scene(
        name=photo.name,
        seed=photo.seed,
        cloth=None,
        table=photo.table,
        light=light,
        camera=photo.camera,
        post=photo.post,
        samples=samples,
    )
    mi = load_mitsuba()
    parts: dict[str, Any] = {"type": "scene", "integrator": {"type": "path", "max_depth": 3, "rr_depth": 5}}
    parts |= lights(mi, scene) | table(mi, scene) | {"sheet": _sheet(mi, photo)}
    if photo.half_shadow:
        parts |= _shade(mi, photo)
    world = mi.load_dict(parts)
    width, height = photo.camera.width_px + 2 * MARGIN_PX, photo.camera.height_px + 2 * MARGIN_PX
    strip = max(1, min(height, LANES // (width * samples)))
    linear = np.zeros((height, width, 3), np.float32)
    for n, top in enumerate(range(0, height, strip)):
        rows = (top, min(top + strip, height))
        part = mi.render(world, sensor=sensor(mi, scene, rows), spp=samples, seed=photo.seed * 100 + n)
        linear[rows[0] : rows[1]] = np.array(part)[:, :, :3]
    rng = stream(photo.seed, "sensor-" + photo.name)
    return develop(linear, scene, camera_pose(photo.camera), MARGIN_PX, rng)


def main() -> None:
    """Read the command line, render, write NAME.jpg and NAME.json."""
    parser = argparse.ArgumentParser(description="Render photos of the printed cards with their true scale.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("names", nargs="*", help=f"photos to render, all if none: {', '.join(PHOTOS)}")
    parser.add_argument("--samples", type=int, default=16, help="light paths per pixel")
    parser.add_argument("--truth-only", action="store_true", help="write the JSON files without rendering")
    chosen = parser.parse_args()
    for unknown in set(chosen.names) - set(PHOTOS):
        parser.error(f"no photo is called {unknown!r}")
    chosen.folder.mkdir(parents=True, exist_ok=True)
    for name in chosen.names or PHOTOS:
        start = time.perf_counter()
        photo = PHOTOS[name]
        if not chosen.truth_only:
            scene = Scene(name=name, seed=photo.seed, cloth=None, camera=photo.camera, post=photo.post)
            write_picture(chosen.folder / f"{name}.jpg", render_card(photo, chosen.samples), scene)
        (chosen.folder / f"{name}.json").write_text(json.dumps(card_truth(photo), indent=1) + "\n")
        print(f"{name}: {time.perf_counter() - start:.0f} s", flush=True)


PHOTOS = _views()

if __name__ == "__main__":
    main()
