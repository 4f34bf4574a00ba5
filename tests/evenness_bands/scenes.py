"""The rendered bands: even controls, steps of beat and width, faults. All invented; seeds fix every thread."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "sample_images"))

from scene_spec import Camera, Card, Cloth, Fault, Light, Post, Scene, Step, Table, Yarn

__all__ = ["BANDS", "is_even"]

TABLES = (
    Table(kind="oak", colour="#b58d5f"),
    Table(kind="slate", colour="#5d6166"),
    Table(kind="painted", colour="#d9d6cd"),
    Table(kind="walnut", colour="#6b4a33"),
    Table(kind="linen", colour="#49586a"),
)
PLAIN = Cloth(
    weave="plain",
    ends=26,
    picks=72,
    epi=15.0,
    ppi=14.0,
    warp=Yarn(diameter_mm=1.05, slubs_per_m=0.0, hair_mm=0.5),
    weft=Yarn(diameter_mm=1.1, slubs_per_m=0.0, hair_mm=0.5),
    warp_palette=("#d8cdb4",),
    weft_palette=("#4f7a74",),
    beat_cv=0.04,
    beat_drift=0.01,
    fringe_mm=7.0,
)
FACED = Cloth(
    weave="warp_faced",
    ends=34,
    picks=64,
    epi=34.0,
    ppi=12.5,
    warp=Yarn(diameter_mm=1.0, spread=1.3, unevenness=0.04, hairs_per_mm=0.8, hair_mm=0.4, mottle=0.04),
    weft=Yarn(diameter_mm=1.0, spread=1.15, hairs_per_mm=0.6, hair_mm=0.4),
    warp_palette=("#1f5a54", "#e3d3a6"),
    warp_sequence="AAAAABBAAAABBAAAA",
    mirror_warp=True,
    weft_palette=("#1f5a54",),
    beat_cv=0.04,
    beat_drift=0.01,
    turn_slack=0.2,
    fringe_mm=9.0,
)
TWILL = replace(
    PLAIN,
    weave="twill22",
    ends=38,
    picks=84,
    epi=20.0,
    ppi=18.0,
    warp=Yarn(diameter_mm=0.92, hair_mm=0.4),
    weft=Yarn(diameter_mm=0.95, hair_mm=0.4),
    warp_palette=("#cfc7b2",),
    weft_palette=("#7b2f3a",),
)
WOOL = replace(
    PLAIN,
    ends=22,
    picks=52,
    epi=10.5,
    ppi=10.0,
    warp=Yarn(diameter_mm=1.6, twist_mm=14.0, hairs_per_mm=18.0, hair_mm=1.2, mottle=0.08),
    weft=Yarn(diameter_mm=1.7, twist_mm=15.0, hairs_per_mm=18.0, hair_mm=1.2, mottle=0.08),
    warp_palette=("#b9a98c",),
    weft_palette=("#6f7f97",),
)
SAME = replace(PLAIN, warp_palette=("#cfc6b4",), weft_palette=("#c6bca6",))
STRIPED = replace(
    PLAIN, warp_palette=("#e4dcc8", "#2e4a6e"), warp_sequence="AAAAABBBB", weft_palette=("#ddd5c1",)
)


def _phone(name: str, seed: int, cloth: Cloth) -> Scene:
    """Lay the band left to right above a bank-sized card, photographed from 25 cm at twice the usual focal length."""
    return Scene(
        name=name,
        seed=seed,
        cloth=replace(cloth, turn_deg=-88.0 + seed % 5, x_mm=-2.0 + seed % 4, y_mm=28.0),
        card=Card(x_mm=-8.0 + seed % 13, y_mm=-28.0, turn_deg=seed % 7 - 3.0, colour="#e9e6df"),
        table=TABLES[seed % len(TABLES)],
        light=Light(azimuth_deg=60.0 + 37.0 * (seed % 7), elevation_deg=38.0 + 3.0 * (seed % 5), ambient=0.4),
        camera=Camera(
            width_px=1660,
            height_px=1180,
            f35_mm=52.0,
            distance_mm=255.0,
            tilt_deg=1.0 + seed % 5,
            tilt_azimuth_deg=47.0 * (seed % 8),
            roll_deg=seed % 5 - 2.0,
            k1=-0.01,
        ),
        post=Post(brightness=0.28, quality=90),
        samples=12,
    )


def _scan(name: str, seed: int, cloth: Cloth) -> Scene:
    return Scene(
        name=name,
        seed=seed,
        cloth=replace(cloth, turn_deg=-90.5 + 0.3 * (seed % 5)),
        table=Table(kind="lid", colour="#efefec"),
        light=Light(azimuth_deg=90.0, elevation_deg=58.0, distance_mm=700.0, half_size_mm=160.0, ambient=0.5),
        camera=Camera(width_px=1900, height_px=760, dpi=300),
        post=Post(brightness=0.5, blur_px=0.55, vignette=0.0, read_noise=0.0012, shot_noise=6e-5, quality=92),
        samples=12,
    )


def _small_scan(name: str, seed: int, cloth: Cloth) -> Scene:
    """Make a picture small enough to lie beside the tests."""
    scene = _scan(name, seed, cloth)
    return replace(
        scene,
        camera=replace(scene.camera, width_px=1520, height_px=620),
        post=replace(scene.post, quality=85),
    )


def _with(cloth: Cloth, *faults: Fault, beat: tuple[Step, ...] = (), width: tuple[Step, ...] = ()) -> Cloth:
    return replace(cloth, faults=faults, steps=beat, width_steps=width)


def _fault(kind: str, pick: int, end: int = 0, length: int = 5) -> Fault:
    return Fault(kind=kind, pick_index=pick, end_index=end, length=length)


def _step(pick: int, factor: float) -> Step:
    return Step(pick_index=pick, factor=factor)


_ALL = (
    # Even: nothing is to be found.
    _phone("even_plain", 5201, PLAIN),
    _scan("even_faced", 5202, FACED),
    _phone("even_twill", 5203, TWILL),
    _phone("even_wool", 5204, WOOL),
    _scan("even_white", 5205, SAME),
    _phone("even_striped", 5206, STRIPED),
    # Steps.
    _phone("beat_plain_8", 5211, _with(PLAIN, beat=(_step(38, 1.085),))),
    _scan("beat_faced_12", 5212, _with(FACED, beat=(_step(33, 0.89),))),
    _scan("beat_twill_9", 5213, _with(TWILL, beat=(_step(46, 0.915),))),
    _phone(
        "beat_rough_15", 5214, replace(_with(PLAIN, beat=(_step(34, 1.15),)), beat_cv=0.06, beat_drift=0.02)
    ),
    _phone("beat_faced_two", 5215, _with(FACED, beat=(_step(22, 1.12), _step(44, 0.9)))),
    _phone("width_plain_4", 5216, _with(PLAIN, width=(_step(36, 0.96),))),
    _scan("width_faced_6", 5217, _with(FACED, width=(_step(30, 1.06),))),
    # Faults.
    _phone("fault_picks_plain", 5221, _with(PLAIN, _fault("missed_pick", 20), _fault("double_pick", 50))),
    _scan("fault_picks_faced", 5222, _with(FACED, _fault("double_pick", 18), _fault("missed_pick", 44))),
    _phone(
        "fault_picks_white",
        5223,
        _with(SAME, _fault("missed_pick", 16), _fault("missed_pick", 36), _fault("double_pick", 56)),
    ),
    _phone(
        "fault_floats_plain",
        5224,
        _with(
            PLAIN,
            _fault("warp_float", 18, 9, 5),
            _fault("weft_float", 40, 12, 5),
            _fault("warp_float", 56, 17, 7),
        ),
    ),
    _scan(
        "fault_floats_faced",
        5225,
        _with(FACED, _fault("warp_float", 15, 12, 5), _fault("weft_float", 38, 15, 5)),
    ),
    _phone(
        "fault_floats_twill",
        5226,
        _with(TWILL, _fault("warp_float", 24, 14, 8), _fault("weft_float", 58, 16, 8)),
    ),
    _phone(
        "fault_lumps_plain",
        5227,
        _with(PLAIN, _fault("knot", 20, 8), _fault("slub", 38, 16, 6), _fault("hole", 56, 14, 3)),
    ),
    _scan(
        "fault_lumps_white",
        5228,
        _with(SAME, _fault("knot", 18, 17), _fault("hole", 36, 10, 3), _fault("slub", 54, 12, 6)),
    ),
    _phone("fault_hole_faced", 5229, _with(FACED, _fault("hole", 32, 16, 6), _fault("knot", 50, 10))),
    _phone("fault_edge_plain", 5230, _with(replace(PLAIN, ends=34), _fault("crowded_edge", 0, 0, 5))),
    _scan(
        "fault_edge_striped",
        5231,
        _with(replace(STRIPED, ends=32), _fault("crowded_edge", 0, 31, 5), _fault("weft_float", 30, 12, 6)),
    ),
    _small_scan(
        "fault_several",
        5232,
        _with(
            replace(PLAIN, ends=24, picks=60),
            _fault("missed_pick", 10),
            _fault("weft_float", 20, 8, 5),
            _fault("knot", 32, 15),
            _fault("hole", 44, 9, 3),
        ),
    ),
    # Rendered when all limits stood: steps of 8 to 9 %, weft floats that must come up between the ends of a warp-faced band.
    _phone("even_faced_phone", 5233, FACED),
    _phone("beat_twill_8", 5234, _with(TWILL, beat=(_step(40, 0.925),))),
    _scan("beat_plain_9", 5235, _with(PLAIN, beat=(_step(30, 1.09),))),
    _phone("beat_striped_8", 5236, _with(STRIPED, beat=(_step(40, 0.922),))),
    _phone(
        "fault_bared_phone",
        5237,
        _with(FACED, _fault("weft_float", 16, 10, 5), _fault("weft_float", 44, 20, 7)),
    ),
    _scan(
        "fault_bared_light",
        5238,
        _with(
            replace(FACED, warp_palette=("#8a3b2a", "#d9c9a3"), weft_palette=("#d9c9a3",)),
            _fault("weft_float", 24, 14, 4),
            _fault("weft_float", 50, 8, 6),
        ),
    ),
    _phone(
        "fault_bared_navy",
        5240,
        _with(
            replace(FACED, warp_palette=("#39405c", "#6d7590"), weft_palette=("#39405c",)),
            _fault("weft_float", 14, 18, 5),
            _fault("weft_float", 30, 7, 4),
            _fault("weft_float", 48, 22, 6),
        ),
    ),
    # Rendered after the gap of a missed pick in a drawn twill had passed for a pick.
    _phone("fault_picks_twill", 5241, _with(TWILL, _fault("missed_pick", 27), _fault("double_pick", 60))),
    _scan("fault_picks_basket", 5242, _with(replace(TWILL, weave="basket22"), _fault("missed_pick", 40))),
    _phone(
        "fault_floats_herringbone",
        5243,
        _with(
            replace(TWILL, weave="herringbone", warp_palette=("#cfc7b2",), weft_palette=("#b9a98c",)),
            _fault("warp_float", 22, 13, 8),
            _fault("warp_float", 40, 29, 8),
            _fault("weft_float", 60, 16, 8),
        ),
    ),
)
BANDS: dict[str, Scene] = {scene.name: scene for scene in _ALL}


def is_even(scene: Scene) -> bool:
    """Whether nothing was planted."""
    cloth = scene.cloth
    return cloth is not None and not (cloth.steps or cloth.width_steps or cloth.faults)
