"""The drawn cloth must tell the truth about itself, otherwise every test built on it is worthless."""

import numpy as np
import pytest
from arbiter.mats import MATS, random_mat
from arbiter.recipe import random_cloth
from notcloth import OTHERS, make_other
from weaves import draft

from cloth import Camera, Light, Setting, Yarn, make_cloth


def test_same_seed_gives_same_picture():
    first, second = (random_cloth(np.random.default_rng(7)).cloth for _ in range(2))
    np.testing.assert_array_equal(first.bgr, second.bgr)
    np.testing.assert_array_equal(first.ends_px, second.ends_px)


@pytest.mark.parametrize(("end_pitch", "pick_pitch"), [(9.0, 14.0), (3.5, 6.0), (24.0, 17.0)])
def test_positions_agree_with_pitch(end_pitch, pick_pitch):
    even = Setting(cv=0.0)
    cloth = make_cloth(
        (300, 420),
        end_pitch_px=end_pitch,
        pick_pitch_px=pick_pitch,
        end_setting=even,
        pick_setting=even,
        seed=1,
    )
    assert np.diff(cloth.ends_px).mean() == pytest.approx(end_pitch, rel=0.01)
    assert np.diff(cloth.picks_px).mean() == pytest.approx(pick_pitch, rel=0.01)
    assert cloth.end_pitch_px == pytest.approx(end_pitch, rel=0.01)


def test_bright_ridges_lie_where_ends_are_said_to_be():
    """Weft drawn black and thin: columns of the picture are brightest on the ends, darkest half-way between."""
    white, black = Yarn(cover=0.6, colours=((0.9, 0.9, 0.9),)), Yarn(cover=0.3, colours=((0.01, 0.01, 0.01),))
    light = Light(azimuth_deg=90, ambient=0.7, shadow=0.0)
    for turn in (0.0, 2.0):
        cloth = make_cloth(
            (240, 330),
            end_pitch_px=11.0,
            pick_pitch_px=15.0,
            ends=white,
            picks=black,
            end_setting=Setting(cv=0.08),
            light=light,
            camera=Camera(turn_deg=turn, noise=0),
            seed=5,
        )
        rows = slice(100, 141)  # one and a half repeats about the middle row, where the positions hold
        profile = cloth.bgr[rows].astype(float).mean(axis=(0, 2))
        at = np.interp(cloth.ends_px, np.arange(profile.size), profile)
        between = np.interp((cloth.ends_px[1:] + cloth.ends_px[:-1]) / 2, np.arange(profile.size), profile)
        assert at.min() > between.max()


def test_groups_close_up_and_keep_the_mean():
    cloth = make_cloth(
        (200, 400),
        end_pitch_px=10,
        pick_pitch_px=10,
        end_setting=Setting(cv=0.0, group=2, group_shift=0.3),
        seed=2,
    )
    spaces = np.diff(cloth.ends_px)
    assert sorted({round(s) for s in spaces}) == [7, 13]
    assert cloth.end_pitch_px == pytest.approx(10, rel=0.03)


@pytest.mark.parametrize(
    ("weave", "floats_up"),
    [
        *[
            ("plain", 0.5),
            ("twill 2/1", 2 / 3),
            ("twill 1/3 left", 0.25),
            ("satin 5", 0.8),
            ("sateen 8", 1 / 8),
        ],
        *[
            ("basket 2/2", 0.5),
            ("rib 2/2", 0.5),
            ("cord 3/3", 0.5),
            ("herringbone 2/2 6", 0.5),
            ("broken 3/1", 0.75),
        ],
    ],
)
def test_drafts_bind_every_thread(weave, floats_up):
    over = draft(weave)
    assert over.mean() == pytest.approx(floats_up)
    assert not over.all(axis=0).any()
    assert over.any(axis=1).all()
    assert not over.all(axis=1).any()


@pytest.mark.parametrize("kind", OTHERS)
def test_other_surfaces_show_something(kind):
    picture = make_other(kind, (120, 160), pitch_px=12.0, seed=4)
    assert picture.shape == (120, 160, 3)
    assert picture.std() > 2


@pytest.mark.parametrize("kind", sorted(MATS))
def test_mats_show_as_many_threads_as_they_say(kind):
    """By the place of every thread along the middle of the picture, which may truly lie a little closer or wider than the whole."""
    for seed in range(3):
        mat = random_mat(np.random.default_rng(seed), kind)
        for places, pitch in ((mat.ends_px, mat.end_pitch_px), (mat.picks_px, mat.pick_pitch_px)):
            assert np.diff(places).mean() == pytest.approx(pitch, rel=0.12)
