"""The demo pictures: the sampler table of the (invented) weaving circle of Tarrowmere."""

from __future__ import annotations

from dataclasses import replace

from scene_spec import Camera, Card, Cloth, Light, Page, Post, Scene, Table, Wash, Yarn

__all__ = ["SCENES"]

BAND = Scene(
    name="band_striped",
    seed=4101,
    cloth=Cloth(
        weave="warp_faced",
        ends=46,
        picks=84,
        epi=38.0,
        ppi=13.0,
        warp=Yarn(diameter_mm=0.92, spread=1.3, unevenness=0.04, hairs_per_mm=0.8, hair_mm=0.4, mottle=0.04),
        weft=Yarn(diameter_mm=0.95, spread=1.15, hairs_per_mm=0.6, hair_mm=0.4),
        warp_palette=("#1f5a54", "#e3d3a6", "#b8562b", "#2b2a3d"),
        warp_sequence="AAAAAABABABDDCCCCDDBBDD",
        mirror_warp=True,
        weft_palette=("#1f5a54",),
        end_cv=0.06,
        beat_cv=0.05,
        turn_slack=0.2,
        fringe_mm=16.0,
        turn_deg=-84.0,
        x_mm=-4.0,
        y_mm=38.0,
    ),
    card=Card(x_mm=22.0, y_mm=-42.0, turn_deg=-7.0, colour="#e9e6df"),
    table=Table(kind="oak", colour="#b58d5f"),
    light=Light(azimuth_deg=120.0, elevation_deg=44.0, ambient=0.42, warmth=-0.03),
    camera=Camera(distance_mm=252.0, tilt_deg=3.0, tilt_azimuth_deg=250.0, roll_deg=1.6, k1=-0.006),
    post=Post(white_balance=(1.01, 1.0, 0.97)),
    taken="2026:04:18 10:12:40",
)

SAMPLER = Scene(
    name="sampler_plain",
    seed=4102,
    cloth=Cloth(
        weave="plain",
        ends=50,
        picks=63,
        epi=14.0,
        ppi=13.2,
        warp=Yarn(diameter_mm=1.12, plies=2, slubs_per_m=0.5),
        weft=Yarn(diameter_mm=1.2, plies=2, slubs_per_m=0.6),
        warp_palette=("#e0d8c2",),
        weft_palette=("#4f7a74",),
        fringe_mm=11.0,
        turn_deg=3.5,
        x_mm=-55.0,
        y_mm=1.0,
    ),
    card=Card(x_mm=66.0, y_mm=9.0, turn_deg=84.0, colour="#f0eeea"),
    table=Table(kind="slate", colour="#5d6166"),
    light=Light(azimuth_deg=145.0, elevation_deg=42.0, ambient=0.38),
    camera=Camera(distance_mm=250.0, tilt_deg=4.5, tilt_azimuth_deg=300.0, roll_deg=-2.1, k1=-0.008),
    post=Post(brightness=0.24, white_balance=(0.99, 1.0, 1.02)),
    taken="2026:04:18 10:20:05",
)

TWILL = Scene(
    name="twill_two_two",
    seed=4103,
    cloth=Cloth(
        weave="twill22",
        ends=72,
        picks=86,
        epi=19.0,
        ppi=18.0,
        warp=Yarn(diameter_mm=0.98, plies=2),
        weft=Yarn(diameter_mm=1.0, plies=2),
        warp_palette=("#cfc7b2",),
        weft_palette=("#7b2f3a",),
        end_cv=0.045,
        beat_cv=0.055,
        fringe_mm=9.0,
        turn_deg=-4.0,
        x_mm=-54.0,
        y_mm=-2.0,
    ),
    card=Card(x_mm=67.0, y_mm=-8.0, turn_deg=96.0, colour="#35507a"),
    table=Table(kind="painted", colour="#d9d6cd"),
    light=Light(azimuth_deg=60.0, elevation_deg=38.0, ambient=0.35, warmth=0.03),
    camera=Camera(distance_mm=255.0, tilt_deg=5.0, tilt_azimuth_deg=200.0, roll_deg=2.5, k1=-0.005),
    post=Post(brightness=0.42, white_balance=(1.02, 1.0, 0.98)),
    taken="2026:04:18 10:31:52",
)

WOOLLY = Scene(
    name="woolly_scarf",
    seed=4104,
    cloth=Cloth(
        weave="plain",
        ends=38,
        picks=48,
        epi=9.6,
        ppi=9.2,
        warp=Yarn(
            diameter_mm=1.85,
            plies=2,
            twist_mm=17.0,
            hairs_per_mm=55.0,
            hair_mm=1.6,
            mottle=0.09,
            unevenness=0.08,
        ),
        weft=Yarn(
            diameter_mm=1.95,
            plies=2,
            twist_mm=18.0,
            hairs_per_mm=60.0,
            hair_mm=1.7,
            mottle=0.09,
            unevenness=0.08,
        ),
        warp_palette=("#b9a98c",),
        weft_palette=("#6f7f97", "#a8683e"),
        weft_sequence="A" * 16 + "B" * 6 + "A" * 26,
        beat_cv=0.07,
        fringe_mm=13.0,
        turn_deg=2.0,
        x_mm=-54.0,
        y_mm=0.0,
    ),
    card=Card(x_mm=70.0, y_mm=16.0, turn_deg=79.0, colour="#e8e4dc"),
    table=Table(kind="walnut", colour="#5a4030"),
    light=Light(azimuth_deg=170.0, elevation_deg=48.0, ambient=0.45, warmth=0.04),
    camera=Camera(distance_mm=262.0, tilt_deg=3.5, tilt_azimuth_deg=95.0, roll_deg=0.8, k1=-0.007),
    post=Post(brightness=0.22, quality=90),
    difficulty="medium",
    taken="2026:04:18 10:44:19",
)

PAGE = Scene(
    name="page_card_checked",
    seed=4105,
    cloth=Cloth(
        weave="plain",
        ends=60,
        picks=76,
        epi=15.6,
        ppi=15.0,
        warp=Yarn(diameter_mm=1.05, plies=2, hair_mm=0.6),
        weft=Yarn(diameter_mm=1.08, plies=2, hair_mm=0.6),
        warp_palette=("#e4dcc8", "#2e4a6e", "#c08a2d"),
        warp_sequence="AAAAAAAABBBBBBAAAAAAAACC",
        weft_palette=("#ddd5c1", "#2e4a6e"),
        weft_sequence="A" * 10 + "B" * 6,
        fringe_mm=8.0,
        turn_deg=2.0,
        x_mm=3.0,
        y_mm=-2.0,
    ),
    page=Page(code="A4-1", x_mm=1.0, y_mm=1.0, turn_deg=91.2),
    table=Table(kind="walnut", colour="#6b4a33"),
    light=Light(azimuth_deg=130.0, elevation_deg=46.0, ambient=0.42),
    camera=Camera(
        width_px=4000,
        height_px=3000,
        distance_mm=292.0,
        tilt_deg=4.0,
        tilt_azimuth_deg=265.0,
        roll_deg=1.1,
        k1=-0.007,
    ),
    post=Post(brightness=0.42, quality=88),
    taken="2026:04:18 10:52:47",
)

SCAN = Scene(
    name="scan_linen",
    seed=4106,
    cloth=Cloth(
        weave="plain",
        ends=76,
        picks=84,
        epi=21.0,
        ppi=20.0,
        warp=Yarn(diameter_mm=0.78, plies=1, twist_mm=3.0, slubs_per_m=2.0, unevenness=0.08, hair_mm=0.5),
        weft=Yarn(diameter_mm=0.82, plies=1, twist_mm=3.0, slubs_per_m=2.5, unevenness=0.09, hair_mm=0.5),
        warp_palette=("#cdbf9f", "#3d6a8c"),
        warp_sequence="A" * 10 + "B" * 4,
        weft_palette=("#b7a27d",),
        fringe_mm=6.0,
        turn_deg=1.4,
    ),
    table=Table(kind="lid", colour="#efefec"),
    light=Light(azimuth_deg=90.0, elevation_deg=58.0, distance_mm=700.0, half_size_mm=160.0, ambient=0.5),
    camera=Camera(width_px=1340, height_px=1500, dpi=300),
    post=Post(brightness=0.5, blur_px=0.55, vignette=0.0, read_noise=0.0012, shot_noise=6e-5, quality=93),
    samples=16,
    taken="",
)

WASH_YARN = Yarn(
    diameter_mm=1.3, plies=2, twist_mm=8.0, hairs_per_mm=5.0, hair_mm=0.8, mottle=0.07, unevenness=0.06
)
WASH_BEFORE = Scene(
    name="wash_before",
    seed=4107,
    cloth=Cloth(
        weave="plain",
        ends=45,
        picks=56,
        epi=12.4,
        ppi=12.0,
        warp=WASH_YARN,
        weft=WASH_YARN,
        warp_palette=("#d6cbb2",),
        weft_palette=("#94583f",),
        fringe_mm=10.0,
        turn_deg=-2.5,
        x_mm=-55.0,
        y_mm=0.0,
    ),
    card=Card(x_mm=67.0, y_mm=6.0, turn_deg=87.0, colour="#e7e5e0"),
    table=Table(kind="linen", colour="#49586a"),
    light=Light(azimuth_deg=140.0, elevation_deg=45.0, ambient=0.42),
    camera=Camera(
        width_px=2200,
        height_px=1650,
        distance_mm=256.0,
        tilt_deg=3.0,
        tilt_azimuth_deg=20.0,
        roll_deg=-1.5,
        k1=-0.006,
    ),
    post=Post(brightness=0.24, quality=85),
    taken="2026:04:18 11:02:10",
    pair_id="wash",
    pair_role="before",
)


def _washed(name: str, wash: Wash, turn_deg: float, camera: Camera, light: Light, taken: str) -> Scene:
    assert WASH_BEFORE.cloth is not None
    return replace(
        WASH_BEFORE,
        name=name,
        cloth=replace(WASH_BEFORE.cloth, wash=wash, turn_deg=turn_deg),
        camera=camera,
        light=light,
        taken=taken,
        pair_role="after",
        pair_partner="wash_before",
    )


WASH_ONCE = _washed(
    "wash_after_first",
    Wash(warp_percent=6.0, weft_percent=4.5, yarn_growth=1.04, hair_growth=2.0),
    3.0,
    Camera(
        width_px=2200,
        height_px=1650,
        distance_mm=250.0,
        tilt_deg=5.5,
        tilt_azimuth_deg=280.0,
        roll_deg=2.2,
        k1=-0.006,
    ),
    Light(azimuth_deg=115.0, elevation_deg=40.0, ambient=0.4),
    "2026:04:25 15:40:31",
)
WASH_TWICE = _washed(
    "wash_after_second",
    Wash(warp_percent=10.5, weft_percent=8.0, yarn_growth=1.08, hair_growth=3.0),
    0.5,
    Camera(
        width_px=2200,
        height_px=1650,
        distance_mm=259.0,
        tilt_deg=2.0,
        tilt_azimuth_deg=150.0,
        roll_deg=-3.0,
        k1=-0.006,
    ),
    Light(azimuth_deg=155.0, elevation_deg=47.0, ambient=0.45, warmth=0.03),
    "2026:05:02 14:05:58",
)
# The third wash changes next to nothing, and the sample lies turned round.
WASH_THRICE = _washed(
    "wash_after_third",
    Wash(warp_percent=10.6, weft_percent=8.1, yarn_growth=1.085, hair_growth=3.2),
    178.5,
    Camera(
        width_px=2200,
        height_px=1650,
        distance_mm=253.0,
        tilt_deg=4.0,
        tilt_azimuth_deg=60.0,
        roll_deg=1.0,
        k1=-0.006,
    ),
    Light(azimuth_deg=125.0, elevation_deg=43.0, ambient=0.43),
    "2026:05:09 10:21:44",
)

SCENES: dict[str, Scene] = {
    s.name: s
    for s in (BAND, SAMPLER, TWILL, WOOLLY, PAGE, SCAN, WASH_BEFORE, WASH_ONCE, WASH_TWICE, WASH_THRICE)
}
