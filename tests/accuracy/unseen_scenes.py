"""Draws scenes at random over what a hand weaver would photograph. Nothing here was chosen by how it is measured."""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "sample_images"))

from camera import camera_pose
from scene_spec import Camera, Card, Cloth, Light, Piece, Post, Scene, Table
from surroundings import card_corners_mm

from .unseen_cloth import INCH_MM, between, draw_cloth, draw_piece, extent_mm
from .unseen_kinds import KINDS, PIECES

__all__ = ["LEAST_PX", "draw_scene"]

LEAST_PX = 7.0  # between neighbouring threads; the README asks for 8
MOST_NODES = 330_000  # along all yarns: bounds the time and memory of a scene
LIGHT_PATHS = 42e6  # per picture
MARGIN = 0.03  # of the frame, kept free around sample and card
NEAREST_MM = 170.0  # a phone held nearer casts its own shadow


def draw_scene(kind: str, seed: int, index: int) -> Scene:
    """Draw one scene; the same arguments give the same scene.

    Raises
    ------
    KeyError
        When the kind is neither in `KINDS` nor in `PIECES`.
    """
    rng = np.random.default_rng([seed, 2, index])
    while True:
        sample = draw_piece(kind, rng) if kind in PIECES else draw_cloth(KINDS[kind], rng)
        scene = _photograph(sample, rng)
        if isinstance(sample, Piece) or _can_be_seen(scene, sample):
            break
    return replace(scene, name=f"u{seed}_{index:02d}_{kind}", seed=seed * 1000 + index)


def _photograph(sample: Cloth | Piece, rng: np.random.Generator) -> Scene:
    if rng.random() < 0.15:
        return _scan(sample, rng)
    megapixels = between(rng, 6.0, 12.0)
    width_px = 2 * round(math.sqrt(megapixels * 1e6 * 4 / 3) / 2)
    size = (width_px, 2 * round(width_px * 3 / 8))
    table = _table(rng)
    sample, card = _beside(sample, table, rng)
    points = _corners(sample, card)
    span = np.ptp(points, axis=0)
    if span[1] > span[0]:
        size = size[::-1]
    flash = rng.random() < 0.12
    camera = Camera(
        width_px=size[0],
        height_px=size[1],
        f35_mm=float(rng.choice([24.0, 26.0, 28.0, 50.0])),
        distance_mm=NEAREST_MM,
        tilt_deg=rng.uniform(0.0, 6.0) if rng.random() < 0.6 else rng.uniform(6.0, 20.0),
        tilt_azimuth_deg=rng.uniform(0.0, 360.0),
        roll_deg=rng.normal(0.0, 3.0),
        k1=rng.uniform(-0.03, 0.02),
    )
    while not _fits(camera, points):
        camera = replace(camera, distance_mm=camera.distance_mm * 1.03)
    camera = replace(camera, distance_mm=camera.distance_mm * rng.uniform(1.0, 1.15))
    light, lamp = _lights(camera, flash, rng)
    post = Post(
        blur_px=rng.uniform(0.6, 0.95),
        sharpen=rng.uniform(0.3, 0.8),
        brightness=rng.uniform(0.2, 0.36),
        white_balance=(rng.uniform(0.92, 1.1), 1.0, rng.uniform(0.9, 1.08)),
        contrast=rng.uniform(0.0, 0.25),
        vignette=rng.uniform(0.05, 0.2),
        quality=int(rng.integers(82, 96)),
    )
    samples = _even(max(4.0, LIGHT_PATHS / (camera.width_px * camera.height_px)))
    return _scene(sample, card, table, light, lamp, camera, post, samples, "phone")


def _even(samples: float) -> int:
    """Round to what the renderer's sampler takes."""
    whole = round(samples)
    return whole + whole % 2


def _scene(
    sample: Cloth | Piece,
    card: Card | None,
    table: Table,
    light: Light,
    lamp: Light | None,
    camera: Camera,
    post: Post,
    samples: int,
    group: str,
) -> Scene:
    woven = isinstance(sample, Cloth)
    return Scene(
        name="",
        seed=0,
        cloth=sample if isinstance(sample, Cloth) else None,
        piece=None if woven else sample,
        card=card,
        table=table,
        light=light,
        lamp=lamp,
        camera=camera,
        post=post,
        samples=samples,
        difficulty=group,
    )


def _scan(sample: Cloth | Piece, rng: np.random.Generator) -> Scene:
    square = 90.0 * rng.integers(0, 4) + rng.normal(0.0, 1.5)  # laid along the glass by hand
    sample = replace(sample, turn_deg=square)
    span = np.ptp(_corners(sample, None), axis=0) + rng.uniform(10.0, 30.0)
    dpi = 600 if span.prod() < 12000.0 and rng.random() < 0.5 else 300
    size = np.ceil(span * dpi / INCH_MM / 2).astype(int) * 2
    camera = Camera(width_px=int(size[0]), height_px=int(size[1]), dpi=dpi)
    lid = Table(kind="lid", colour=str(rng.choice(["#efefec", "#f4f4f2", "#26262a"])))
    light = Light(azimuth_deg=90.0, elevation_deg=58.0, distance_mm=700.0, half_size_mm=160.0, ambient=0.5)
    post = Post(brightness=0.45, blur_px=0.55, vignette=0.0, read_noise=0.0012, shot_noise=6e-5, quality=90)
    samples = _even(float(np.clip(LIGHT_PATHS / size.prod(), 4, 16)))
    return _scene(sample, None, lid, light, None, camera, post, samples, "scan")


def _table(rng: np.random.Generator) -> Table:
    choice = (
        ("oak", "#b58d5f"),
        ("walnut", "#6b4a33"),
        ("slate", "#4d5156"),
        ("slate", "#2f3236"),
        ("linen", "#b9b1a0"),
        ("linen", "#49586a"),
        ("painted", "#d9d6cd"),
        ("painted", "#8c9a8a"),
        ("tile", "#cfc8bb"),
        ("tile", "#7c8288"),
        ("mat", "#3f7a4c"),
        ("paper", "#ecebe7"),
        ("speckled", "#a9a49b"),
    )
    return Table(**dict(zip(("kind", "colour"), choice[rng.integers(len(choice))], strict=True)))


def _lightness(colour: str) -> float:
    return sum(int(colour[i : i + 2], 16) for i in (1, 3, 5)) / 765.0


def _beside(sample: Cloth | Piece, table: Table, rng: np.random.Generator) -> tuple[Cloth | Piece, Card]:
    """Lay a bank card beside the sample, as a hand does, and bring both to the middle of the picture.

    The card differs from the table by a tenth of the range of grey: on a table of its own colour nobody would see it.
    """
    width, length = extent_mm(sample)
    away = float(rng.choice([-1, 1])) * (0.5 * width + rng.uniform(5.0, 25.0))
    turned = rng.random() < 0.6  # its long side along the warp
    tilt = rng.normal(0.0, 4.0)
    half = 0.5 * (53.98 if turned else 85.6) + 0.5 * 85.6 * abs(math.sin(math.radians(tilt)))
    away += math.copysign(half, away)
    along = rng.uniform(-0.5, 0.5) * max(0.0, length - 80.0)
    a = math.radians(sample.turn_deg)
    x, y = math.cos(a) * away - math.sin(a) * along, math.sin(a) * away + math.cos(a) * along
    colours = [
        c
        for c in ("#eceae6", "#2b3550", "#b9c4cc", "#a33b32", "#1e1e20", "#3f6f8f")
        if abs(_lightness(c) - _lightness(table.colour)) > 0.1
    ]
    card = Card(
        x_mm=x,
        y_mm=y,
        turn_deg=sample.turn_deg + tilt + (90.0 if turned else 0.0),
        colour=str(rng.choice(colours)),
    )
    points = _corners(sample, card)
    middle = 0.5 * (points.min(axis=0) + points.max(axis=0))
    card = replace(card, x_mm=x - middle[0], y_mm=y - middle[1])
    return replace(sample, x_mm=-middle[0], y_mm=-middle[1]), card


def _corners(sample: Cloth | Piece, card: Card | None) -> np.ndarray:
    width, length = extent_mm(sample)
    box = Card(x_mm=sample.x_mm, y_mm=sample.y_mm, turn_deg=sample.turn_deg, width_mm=width, height_mm=length)
    corners = card_corners_mm(box)
    return corners if card is None else np.concatenate([corners, card_corners_mm(card)])


def _fits(camera: Camera, points: np.ndarray) -> bool:
    pose = camera_pose(camera)
    seen = pose.project(np.column_stack([points, np.zeros(len(points))]))
    size = np.array([camera.width_px, camera.height_px])
    depth = (np.column_stack([points, np.zeros(len(points))]) - pose.centre) @ pose.rotation[2]
    return bool((depth > 0).all() and (seen > MARGIN * size).all() and (seen < (1 - MARGIN) * size).all())


def _lights(camera: Camera, flash: bool, rng: np.random.Generator) -> tuple[Light, Light | None]:
    if flash:
        high = 90.0 - max(camera.tilt_deg, 1.0)
        at = Light(
            azimuth_deg=camera.tilt_azimuth_deg,
            elevation_deg=high,
            distance_mm=camera.distance_mm * 1.03,
            half_size_mm=4.0,
            ambient=rng.uniform(0.1, 0.3),
        )
        return at, None
    kind = str(rng.choice(["window", "lamp", "two lamps"], p=[0.55, 0.22, 0.23]))
    window = Light(
        azimuth_deg=rng.uniform(0.0, 360.0),
        elevation_deg=rng.uniform(22.0, 65.0),
        ambient=rng.uniform(0.25, 0.6),
        warmth=rng.normal(0.0, 0.04),
    )
    if kind == "window":
        return window, None
    lamp = replace(
        window, distance_mm=700.0, half_size_mm=rng.uniform(25.0, 90.0), warmth=rng.uniform(0.1, 0.3)
    )
    if kind == "lamp":
        return lamp, None
    turn = rng.uniform(60.0, 180.0)
    return lamp, replace(lamp, azimuth_deg=lamp.azimuth_deg + turn, elevation_deg=rng.uniform(30.0, 65.0))


def _can_be_seen(scene: Scene, cloth: Cloth) -> bool:
    """Whether the threads are far enough apart in the picture, and few enough to be rendered."""
    camera = scene.camera
    pose = camera_pose(camera)
    px_per_mm = pose.px_per_mm or pose.f_px / camera.distance_mm
    width, length = extent_mm(cloth)
    nodes = (
        cloth.ends * length / cloth.warp.diameter_mm + cloth.picks * width / cloth.weft.diameter_mm
    ) / 0.17
    return px_per_mm * INCH_MM / max(cloth.epi, cloth.ppi) >= LEAST_PX and nodes <= MOST_NODES
