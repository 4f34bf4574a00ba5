from dataclasses import replace

import cv2
import numpy as np
import pytest
from notcloth import make_other

from cloth import Setting, Yarn, make_cloth
from pickglass.measure.lattice import read_lattice
from pickglass.measure.local_rhythm import even_rhythm
from pickglass.measure.settle import settle
from pickglass.measure.trial_weights import FEATURES, WEIGHTS

RED_WHITE = ((0.15, 0.15, 0.7), (0.85, 0.85, 0.85))


def settled(bgr, **known):
    mask = np.ones(bgr.shape[:2], bool)
    return settle(bgr, mask, read_lattice(bgr, mask), **known)


@pytest.mark.parametrize(
    ("weave", "name"),
    [("plain", "plain"), ("twill 2/2", "twill"), ("satin 5", "satin"), ("basket 2/2", "basket")],
)
def test_settles_on_the_thread_whatever_the_weave(weave, name):
    cloth = make_cloth((420, 480), end_pitch_px=10.0, pick_pitch_px=12.0, weave=weave, seed=11)
    found = settled(cloth.bgr)
    assert found.lattice.ends.pitch_px == pytest.approx(cloth.end_pitch_px, rel=0.03)
    assert found.lattice.picks.pitch_px == pytest.approx(cloth.pick_pitch_px, rel=0.03)
    assert found.weave.name == name


@pytest.mark.parametrize(
    "colours", [RED_WHITE, (*RED_WHITE, *RED_WHITE[::-1]), RED_WHITE[:1] * 4 + RED_WHITE[1:] * 4]
)
def test_colour_orders_do_not_move_the_count(colours):
    ends = Yarn(colours=colours)
    cloth = make_cloth((420, 480), end_pitch_px=10.0, pick_pitch_px=11.0, ends=ends, seed=12)
    found = settled(cloth.bgr)
    assert found.lattice.ends.pitch_px == pytest.approx(cloth.end_pitch_px, rel=0.03)


def test_two_to_a_slot_is_not_read_as_one():
    pairs = Setting(group=2, group_shift=0.15)
    cloth = make_cloth((420, 480), end_pitch_px=11.0, pick_pitch_px=12.0, end_setting=pairs, seed=13)
    assert settled(cloth.bgr).lattice.ends.pitch_px == pytest.approx(cloth.end_pitch_px, rel=0.03)


@pytest.mark.parametrize("kind", ["grass", "noise", "wood", "stockinette"])
def test_what_is_not_woven_is_not_believed(kind):
    bgr = make_other(kind, (400, 420), pitch_px=12.0, seed=5)
    # 0.7 is what the verdict "measured" asks for.
    assert settled(bgr).lattice.woven_probability < 0.7


def test_what_the_weaver_knows_decides_between_readings():
    cloth = make_cloth((420, 480), end_pitch_px=10.0, pick_pitch_px=12.0, seed=14)
    plain = settled(cloth.bgr).lattice
    told = settled(cloth.bgr, ends_prior=lambda pitch: 1.0 if 8 < pitch < 13 else 1e-3).lattice
    assert told.ends.probability >= plain.ends.probability
    assert told.woven_probability == pytest.approx(plain.woven_probability, abs=0.2)


def test_probabilities_are_probabilities():
    cloth = make_cloth((300, 320), seed=15)
    for reading in (settled(cloth.bgr).lattice.ends, settled(cloth.bgr).lattice.picks):
        total = reading.probability + sum(chance for _, chance in reading.alternatives)
        assert total == pytest.approx(1.0, abs=1e-6)


def test_every_feature_has_its_weight():
    assert WEIGHTS.shape == (len(FEATURES),)


def test_spectra_that_count_something_else_do_not_lead_the_threads_astray(monkeypatch):
    """The spectra of a warp-faced band may show two ends where three lie; threads so led look like none."""
    cloth = make_cloth((420, 420), end_pitch_px=12.0, pick_pitch_px=12.0, seed=6)
    undisturbed = settled(cloth.bgr).tracks.ends

    def two_of_three(planes, positions_px, centres, along):
        even = even_rhythm(centres)
        rate = np.full(len(centres), 2 / 3 if along == 0 else 1.0)
        return replace(even, rate=rate, clearness=np.full(len(centres), 5.0))

    monkeypatch.setattr("pickglass.measure.settle.read_local_rhythm", two_of_three)
    misled = settled(cloth.bgr).tracks.ends
    assert (misled.count, misled.passed_over) == (undisturbed.count, 0.0)


@pytest.mark.parametrize(("rows", "squeezed"), [(450, 300), (200, 300)])
def test_spectra_that_count_better_lead_the_threads(rows, squeezed):
    """Where the spacing jumps tracking steps over picks or doubles them; led by the spectra it finds every one."""
    cloth = make_cloth((900, 300), end_pitch_px=10.0, pick_pitch_px=12.0, seed=4)
    start = 450 - rows // 2
    middle = cv2.resize(cloth.bgr[start : start + rows], (300, squeezed), interpolation=cv2.INTER_AREA)
    found = settled(np.concatenate([cloth.bgr[:start], middle, cloth.bgr[start + rows :]]))
    woven = int(np.sum((cloth.picks_px > 0) & (cloth.picks_px < 900)))
    assert (found.tracks.picks.count, found.tracks.picks.passed_over) == (woven, 0.0)


def test_a_large_cloth_is_tried_on_its_middle_and_followed_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    cloth = make_cloth((520, 560), end_pitch_px=9.0, pick_pitch_px=10.0, seed=15)
    whole = settled(cloth.bgr)
    monkeypatch.setattr("pickglass.measure.settle._TRIAL_CROSSINGS", 1000)
    found = settled(cloth.bgr)
    assert "part" not in found.tracks.ends.flags | found.tracks.picks.flags
    assert (found.tracks.ends.count, found.tracks.picks.count) == (
        whole.tracks.ends.count,
        whole.tracks.picks.count,
    )
    assert found.lattice.ends.pitch_px == pytest.approx(whole.lattice.ends.pitch_px, rel=0.005)
