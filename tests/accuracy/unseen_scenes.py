"""Draws scenes at random over what a hand weaver would photograph. Nothing here was chosen by how it is measured."""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "sample_images"))

from camera import camera_pose
from scene_spec import Camera, Card, Cloth, Fault, Light, Piece, Post, Scene, Step, Table, Yarn
from surroundings import card_corners_mm

__all__ = ["KINDS", "PIECES", "draw_scene", "kinds_in_turn"]

INCH_MM = 25.4
LEAST_PX = 7.0  # between neighbouring threads; the README asks for 8
MOST_NODES = 330_000  # along all yarns: bounds the time and memory of a scene
LIGHT_PATHS = 42e6  # per picture
MARGIN = 0.03  # of the frame, kept free around sample and card
NEAREST_MM = 170.0  # a phone held nearer casts its own shadow

NATURAL = ("#e8e0cc", "#d8cdb4", "#c9b48c", "#b08d5a", "#8a6b45", "#5b4530")
DYED = ("#7b2f3a", "#2e4a6e", "#4f7a74", "#c8952c", "#6d3b63", "#a8492f", "#57723c", "#8fa9bf", "#d6a5a0")
WHITES, BLACKS = ("#efece4", "#e9e4d6", "#f0efec"), ("#1c1b1e", "#232127", "#1f2226")
BRIGHT = ("#e7c23c", "#e4e2dd", "#d9722a")


@dataclass(frozen=True)
class Kind:
    """A cloth: its weave, how closely its ends lie (diameter over spacing), and the range of setts."""

    weave: str
    colours: str = "two"
    cover: tuple[float, float] = (0.55, 0.85)
    epi: tuple[float, float] = (6.0, 34.0)
    picks_per_end: tuple[float, float] = (0.75, 1.15)
    band: float = 0.45
    """Share of narrow bands."""
    weft_times: tuple[float, float] = (0.9, 1.2)
    """Diameter of the weft over that of the warp."""


FACED = Kind("warp_faced", "stripes", (1.15, 1.4), (18.0, 40.0), (0.28, 0.45), 0.9, (0.9, 1.2))
KINDS: dict[str, Kind] = {
    "plain": Kind("plain"),
    "plain_coarse": Kind("plain", epi=(5.0, 11.0)),
    "plain_fine": Kind("plain", epi=(24.0, 40.0)),
    "twill22": Kind("twill22", cover=(0.65, 0.95), epi=(8.0, 36.0)),
    "twill21": Kind("twill21", cover=(0.65, 0.95), epi=(8.0, 36.0)),
    "twill31": Kind("twill31", cover=(0.7, 1.0), epi=(10.0, 36.0)),
    "herringbone": Kind("herringbone", cover=(0.65, 0.95), epi=(10.0, 30.0), band=0.3),
    "point_twill": Kind("point_twill", cover=(0.65, 0.95), epi=(10.0, 30.0), band=0.3),
    "basket22": Kind("basket22", cover=(0.65, 0.9), epi=(10.0, 36.0)),
    "satin5": Kind("satin5", cover=(0.8, 1.05), epi=(16.0, 40.0), band=0.3),
    "satin8": Kind("satin8", cover=(0.85, 1.05), epi=(20.0, 40.0), band=0.3),
    "band": FACED,
    "band_plain": replace(FACED, colours="one"),
    "rug": Kind("weft_faced", "weft", (0.45, 0.6), (5.0, 10.0), (2.6, 4.2), 0.2, (0.5, 0.65)),
    "rep": Kind("warp_faced", "stripes", (1.2, 1.4), (18.0, 36.0), (0.2, 0.28), 0.4, (1.3, 1.7)),
    "log_cabin": Kind("plain", "log_cabin", epi=(8.0, 24.0)),
    "houndstooth": Kind("twill22", "houndstooth", (0.7, 0.95), (10.0, 28.0)),
    "checks": Kind("plain", "checks", epi=(8.0, 30.0), band=0.2),
    "gradient": Kind("plain", "gradient", epi=(10.0, 30.0)),
    "white": Kind("plain", "white", epi=(8.0, 32.0)),
    "black": Kind("twill22", "black", (0.65, 0.95), (8.0, 30.0)),
    "bright": Kind("plain", "bright", epi=(10.0, 32.0)),
}
PIECES = ("stockinette", "garter", "felt", "corduroy", "gingham_print")
_SPARE = ("plain", "twill22", "band")  # what is commonest comes twice in a turn


def kinds_in_turn(count: int, seed: int) -> list[str]:
    """Return what each picture shows: every kind once before any comes again, in random order."""
    rng = np.random.default_rng([seed, 1])
    pool: list[str] = []
    while len(pool) < count:
        turn = [*KINDS, *_SPARE, *rng.choice(PIECES, 3, replace=False)]
        pool += [str(kind) for kind in rng.permutation(turn)]
    return pool[:count]


def draw_scene(kind: str, seed: int, index: int) -> Scene:
    """Draw one scene; the same arguments give the same scene.

    Raises
    ------
    KeyError
        When the kind is neither in `KINDS` nor in `PIECES`.
    """
    rng = np.random.default_rng([seed, 2, index])
    while True:
        sample = _piece(kind, rng) if kind in PIECES else _cloth(KINDS[kind], rng)
        scene = _photograph(sample, rng)
        if isinstance(sample, Piece) or _can_be_seen(scene, sample):
            break
    return replace(scene, name=f"u{seed}_{index:02d}_{kind}", seed=seed * 1000 + index)


def _between(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(math.log(low), math.log(high))))


def _cloth(kind: Kind, rng: np.random.Generator) -> Cloth:
    epi = _between(rng, *kind.epi)
    ppi = min(epi * rng.uniform(*kind.picks_per_end), 42.0)
    diameter = INCH_MM / epi * rng.uniform(*kind.cover)
    fibre = str(rng.choice(["wool", "cotton", "linen"], p=[0.35, 0.4, 0.25]))
    faced = kind.weave in ("warp_faced", "weft_faced")
    thick = rng.uniform(*kind.weft_times)
    if not faced:  # picks must find room
        thick = min(thick, 0.92 * INCH_MM / ppi / diameter)
    warp, weft = _yarn(fibre, diameter, rng), _yarn(fibre, diameter * thick, rng)
    if kind.weave == "warp_faced":
        warp = replace(warp, spread=1.3)
    elif kind.weave == "weft_faced":
        weft = replace(weft, spread=1.35)
    if rng.random() < kind.band:
        width, length = rng.uniform(10.0, 60.0), rng.uniform(80.0, 250.0)
    else:
        width = rng.uniform(100.0, 200.0)
        length = width * rng.uniform(0.85, 1.15)
    warp_palette, weft_palette, warp_order, weft_order, mirror = _colours(kind.colours, rng)
    cloth = Cloth(
        weave=kind.weave,
        ends=max(12, round(width * epi / INCH_MM)),
        picks=max(20, round(length * ppi / INCH_MM)),
        epi=epi,
        ppi=ppi,
        warp=warp,
        weft=weft,
        warp_palette=warp_palette,
        weft_palette=weft_palette,
        warp_sequence=warp_order,
        weft_sequence=weft_order,
        mirror_warp=mirror,
        end_cv=rng.uniform(0.03, 0.07),
        beat_cv=rng.uniform(0.03, 0.07),
        beat_drift=rng.uniform(0.005, 0.03),
        draw_in=rng.uniform(0.0, 0.03),
        selvedge_crowding=rng.uniform(0.0, 0.2),
        pairing=rng.uniform(0.0, 0.08) if rng.random() < 0.3 else None,
        sides="cut" if width > 90.0 and rng.random() < 0.25 else "selvedge",
        turn_slack=rng.uniform(0.05, 0.3),
        fringe_mm=float(rng.choice([1.0, rng.uniform(5.0, 20.0)])),
        bow_mm=rng.normal(0.0, 0.008) * width,
        skew_mm_per_mm=rng.normal(0.0, 0.015),
        bend_per_mm=rng.normal(0.0, 2e-4),
        turn_deg=rng.uniform(0.0, 360.0),
    )
    return replace(cloth, steps=_steps(cloth, rng), faults=_faults(cloth, rng))


def _yarn(fibre: str, diameter: float, rng: np.random.Generator) -> Yarn:
    if fibre == "wool":
        hairs, hair, uneven, slubs, mottle = (
            rng.uniform(3, 14),
            rng.uniform(0.5, 1.0) * diameter,
            0.08,
            0.0,
            0.08,
        )
    elif fibre == "linen":
        hairs, hair, uneven, slubs, mottle = rng.uniform(0.3, 1), 0.4, 0.1, rng.uniform(0.0, 2.0), 0.06
    else:
        hairs, hair, uneven, slubs, mottle = rng.uniform(0.5, 2), 0.5, 0.05, 0.0, 0.05
    return Yarn(
        diameter_mm=diameter,
        plies=int(rng.choice([1, 2, 2, 3, 4])),
        twist_mm=diameter * rng.uniform(3.0, 8.0),
        unevenness=uneven * rng.uniform(0.6, 1.3),
        slubs_per_m=slubs,
        hairs_per_mm=hairs,
        hair_mm=hair,
        mottle=mottle,
    )


def _colours(
    colours: str, rng: np.random.Generator
) -> tuple[tuple[str, ...], tuple[str, ...], str, str, bool]:
    """Return palettes of warp and weft, their orders, and whether the warp's is mirrored."""
    a, b, c = (str(x) for x in rng.choice(NATURAL + DYED + WHITES, 3, replace=False))
    n = int(rng.integers(3, 13))
    if colours == "one":
        return (a,), (a,), "A", "A", False
    if colours == "stripes":
        stripes = "".join("ABC"[k] * int(rng.integers(1, 8)) for k in (0, 1, 2, 1, 0, 1))
        return (a, b, c), (a,), stripes, "A", True
    if colours == "weft":
        return (a,), (b, c), "A", "A" * int(rng.integers(6, 40)) + "B" * int(rng.integers(2, 20)), False
    if colours == "log_cabin":
        order = "AB" * n + "BA" * n
        return (a, b), (a, b), order, order, False
    if colours == "houndstooth":
        return (a, b), (a, b), "AAAABBBB", "AAAABBBB", False
    if colours == "checks":
        order = "A" * n + "B" * n
        return (a, b), (a, b), order, order, False
    if colours == "gradient":
        ramp = _ramp(a, b, 9)
        return ramp, (c,), "".join("ABCDEFGHI"[k] * n for k in range(9)), "A", True
    if colours in ("white", "black"):
        one, two = (str(x) for x in rng.choice(WHITES if colours == "white" else BLACKS, 2))
        return (one,), (two,), "A", "A", False
    if colours == "bright":
        pair = (str(rng.choice(BRIGHT)), str(rng.choice(BLACKS)))
        return (pair[0],), (pair[1],), "A", "A", False
    return (a,), (b if rng.random() < 0.75 else a,), "A", "A", False


def _ramp(first: str, last: str, steps: int) -> tuple[str, ...]:
    ends = [[int(colour[i : i + 2], 16) for i in (1, 3, 5)] for colour in (first, last)]
    return tuple(
        "#" + "".join(f"{round(p + (q - p) * k / (steps - 1)):02x}" for p, q in zip(*ends, strict=True))
        for k in range(steps)
    )


def _steps(cloth: Cloth, rng: np.random.Generator) -> tuple[Step, ...]:
    if rng.random() > 0.4:
        return ()
    factor = 1.0 + float(rng.choice([-1, 1])) * rng.uniform(0.08, 0.2)
    return (Step(pick_index=round(cloth.picks * rng.uniform(0.3, 0.7)), factor=factor),)


def _faults(cloth: Cloth, rng: np.random.Generator) -> tuple[Fault, ...]:
    """Plant at most one of each kind, each in a part of the length of its own."""
    part = iter(rng.permutation(5))
    end = int(rng.integers(3, cloth.ends - 8))
    out = []
    for kind, chance in (
        ("missed_pick", 0.25),
        ("double_pick", 0.2),
        ("warp_float", 0.25),
        ("weft_float", 0.2),
        ("crowded_edge", 0.2),
    ):
        pick = round(cloth.picks * (0.12 + 0.16 * float(next(part)) + rng.uniform(0.0, 0.1)))
        if rng.random() > chance:
            continue
        if kind == "crowded_edge":
            side = int(rng.choice([0, cloth.ends - 1]))
            out.append(Fault(kind=kind, end_index=side, length=min(5, cloth.ends // 4)))
        else:
            out.append(Fault(kind=kind, pick_index=pick, end_index=end, length=int(rng.integers(5, 8))))
    return tuple(out)


def _piece(kind: str, rng: np.random.Generator) -> Piece:
    gauge = rng.uniform(3.0, 9.0)
    pair = tuple(str(x) for x in rng.choice(NATURAL + DYED, 2, replace=False))
    if kind == "gingham_print":
        pair = (str(rng.choice(WHITES)), str(rng.choice(DYED)))
    return Piece(
        kind=kind,
        width_mm=rng.uniform(70.0, 130.0),
        length_mm=rng.uniform(70.0, 140.0),
        gauge_mm=gauge if kind in ("stockinette", "garter", "gingham_print") else rng.uniform(1.5, 5.0),
        hair_mm=rng.uniform(0.3, 0.9),
        colours=pair,
        turn_deg=rng.uniform(0.0, 360.0),
    )


def _extent(sample: Cloth | Piece) -> tuple[float, float]:
    if isinstance(sample, Piece):
        return sample.width_mm, sample.length_mm
    length = sample.picks * INCH_MM / sample.ppi + 2 * sample.fringe_mm
    return sample.ends * INCH_MM / sample.epi + 3.0, length


def _photograph(sample: Cloth | Piece, rng: np.random.Generator) -> Scene:
    if rng.random() < 0.15:
        return _scan(sample, rng)
    megapixels = _between(rng, 6.0, 12.0)
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
    width, length = _extent(sample)
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
    width, length = _extent(sample)
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
    width, length = _extent(cloth)
    nodes = (
        cloth.ends * length / cloth.warp.diameter_mm + cloth.picks * width / cloth.weft.diameter_mm
    ) / 0.17
    return px_per_mm * INCH_MM / max(cloth.epi, cloth.ppi) >= LEAST_PX and nodes <= MOST_NODES
