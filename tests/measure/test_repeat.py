"""Name of the weave and the averaged repeat, on drawn cloth whose draft is known."""

from __future__ import annotations

import numpy as np
import pytest

from cloth import Yarn, make_cloth
from pickglass.measure.repeat import REPEAT_PX, average_repeat, edges_together, plain_share, read_weave
from pickglass.measure.rhythm import leading_node
from pickglass.measure.track import track_threads

DARK, LIGHT = (0.12, 0.1, 0.1), (0.8, 0.82, 0.85)


def tracked(weave, *, seed=7, pitch=(9.0, 10.0), **kwargs):
    cloth = make_cloth(
        (430, 400), end_pitch_px=pitch[0], pick_pitch_px=pitch[1], weave=weave, seed=seed, **kwargs
    )
    tracks = track_threads(
        cloth.bgr,
        np.ones(cloth.bgr.shape[:2], bool),
        pitch_x_px=1.03 * cloth.end_pitch_px,
        pitch_y_px=0.97 * cloth.pick_pitch_px,
    )
    return cloth, tracks


@pytest.mark.parametrize(
    ("weave", "name", "repeat"),
    [
        ("plain", "plain", 2),
        ("twill 2/1", "twill", 3),
        ("twill 2/2", "twill", 4),
        ("twill 1/3 left", "twill", 4),
        ("twill 3/2", "twill", 5),
        ("twill 3/3", "twill", 6),
        ("satin 5", "satin", 5),
        ("sateen 5", "satin", 5),
        ("satin 8", "satin", 8),
        ("basket 2/2", "basket", 4),
    ],
)
def test_names_the_weave(weave, name, repeat):
    _, tracks = tracked(weave)
    reading = read_weave(tracks)
    assert (reading.name, reading.repeat_ends, reading.repeat_picks) == (name, repeat, repeat)


@pytest.mark.parametrize("weave", ["plain", "twill 2/2"])
def test_stripes_and_checks_of_dye_do_not_change_the_name(weave):
    six = (DARK,) * 6 + (LIGHT,) * 6
    plain_dye = read_weave(tracked(weave)[1])
    assert read_weave(tracked(weave, ends=Yarn(colours=six))[1]) == plain_dye
    assert read_weave(tracked(weave, ends=Yarn(colours=six), picks=Yarn(colours=six))[1]) == plain_dye


@pytest.mark.parametrize(
    ("pitch", "crimp", "face"),
    [((7.0, 20.0), 1.0, "warp-faced"), ((20.0, 7.0), 0.0, "weft-faced"), ((10.0, 11.0), 0.5, "balanced")],
)
def test_which_system_covers_the_face(pitch, crimp, face):
    cover = 1.1 if crimp != 0.5 else 0.85
    _, tracks = tracked(
        "plain",
        pitch=pitch,
        crimp_share=crimp,
        ends=Yarn(cover=cover if crimp == 1.0 else 0.85),
        picks=Yarn(cover=cover if crimp == 0.0 else 0.85, colours=((0.7, 0.3, 0.3),)),
    )
    reading = read_weave(tracks)
    assert (reading.name, reading.face) == ("plain", face)


@pytest.mark.parametrize("weave", ["plain", "twill 2/2", "basket 2/2", "satin 5"])
def test_the_averaged_repeat_is_the_draft(weave):
    cloth, tracks = tracked(weave, ends=Yarn(colours=(DARK,)), picks=Yarn(colours=(LIGHT,)))
    picture = average_repeat(cloth.bgr, tracks, read_weave(tracks))
    repeat = cloth.over.shape[0]
    assert (picture.ends, picture.picks) == (repeat, repeat)
    assert picture.bgr.shape == (repeat * REPEAT_PX, repeat * REPEAT_PX, 3)
    cells = picture.bgr.mean(axis=2).reshape(repeat, REPEAT_PX, repeat, REPEAT_PX)
    inner = slice(REPEAT_PX // 4, -REPEAT_PX // 4)
    dark = cells[:, inner, :, inner].mean(axis=(1, 3)) < 0.5 * (cells.min() + cells.max())
    draft = cloth.over.T  # rows are picks; dark ends show where the end is on top
    shifts = [np.roll(draft, (i, j), axis=(0, 1)) for i in range(repeat) for j in range(repeat)]
    assert any(np.array_equal(dark, s) for s in shifts)
    assert picture.explained > 0.3
    assert picture.cells >= 16


def test_noise_explains_nothing_and_has_no_weave():
    rng = np.random.default_rng(2)
    bgr = np.clip(rng.normal(128, 30, (400, 400, 3)), 0, 255).astype(np.uint8)
    tracks = track_threads(bgr, np.ones((400, 400), bool), pitch_x_px=9.0, pitch_y_px=10.0)
    reading = read_weave(tracks)
    assert reading.name == "unknown"
    assert average_repeat(bgr, tracks, reading).explained < 0.1


def test_the_fundamental_is_taken_before_its_overtone():
    usual = {(a, b, q): 0.05 for q in (2, 3, 4, 5, 6, 8) for a in range(1, q // 2 + 1) for b in range(1, q)}
    assert leading_node({**usual, (1, 1, 2): 0.4, (1, 1, 4): 0.3, (1, 3, 4): 0.25}) == (1, 1, 4)
    assert leading_node({**usual, (1, 1, 2): 0.4}) == (1, 1, 2)
    assert leading_node({**usual, (2, 4, 5): 0.7, (3, 6, 8): 0.5}) == (2, 4, 5)
    assert leading_node(usual) is None


def wire_net(pitch_px: tuple[float, float], seed: int = 3) -> np.ndarray:
    """Draw bright wires that slant both ways on a dark ground; half a mesh passes for a thread."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:430, :400].astype(np.float32)
    rising, falling = (x / pitch_px[0] + sign * y / pitch_px[1] for sign in (1, -1))
    wires = [np.exp(-(((turns / 2 - np.round(turns / 2)) / 0.09) ** 2)) for turns in (rising, falling)]
    light = 40 + 150 * np.maximum(*wires) + rng.normal(0, 4, x.shape)
    return np.repeat(np.clip(light, 0, 255).astype(np.uint8)[..., None], 3, axis=2)


def test_a_net_of_slanting_wires_has_upright_and_level_edges_together_and_cloth_has_not():
    pitch = (13.0, 11.0)
    net = wire_net(pitch)
    tracks = track_threads(net, np.ones(net.shape[:2], bool), pitch_x_px=pitch[0], pitch_y_px=pitch[1])
    assert read_weave(tracks).name == "plain"
    assert edges_together(tracks) > 0.6
    for woven in ((9.0, 10.0), (7.0, 17.0)):
        assert edges_together(tracked("plain", pitch=woven)[1]) < 0.5


def test_a_plain_weave_comes_again_with_every_second_thread_and_a_twill_does_not():
    _, plain = tracked("plain")
    assert plain_share(plain, read_weave(plain)) > 0.5
    _, twill = tracked("twill 2/2")
    assert plain_share(twill, read_weave(twill)) == 0.0
    assert plain_share(twill, read_weave(plain)) == 0.0  # four threads explain it, two do not


def test_few_threads_do_not_prove_a_repeat():
    _, tracks = tracked("plain", pitch=(20.0, 20.0))
    assert plain_share(tracks, read_weave(tracks)) == 0.0
