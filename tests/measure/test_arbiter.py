"""The arbiter must choose the right one of several candidate pitches on cloth it was not trained on."""

import cv2
import numpy as np
import pytest
from notcloth import make_other

from cloth import Camera, Light, Setting, Yarn, make_cloth
from pickglass.measure.arbiter import CROP_PX, FAMILIES, RATIOS, THREAD_PX, cut_crop, judge, spectrum

WHITE, GREY, NAVY = (0.85, 0.87, 0.9), (0.45, 0.45, 0.45), (0.25, 0.08, 0.05)
# The three constructions whose pitch the spectrum misreads most often, and an easy one.
CLOTHS = {
    "plain": {"end_pitch_px": 9.0, "pick_pitch_px": 11.0},
    "twill 2/2": {"weave": "twill 2/2", "end_pitch_px": 10.0, "pick_pitch_px": 9.0},
    "warp-faced": {
        "end_pitch_px": 7.0,
        "pick_pitch_px": 19.0,
        "ends": Yarn(cover=1.5, bulge=0.3, colours=(NAVY,) * 6 + (WHITE,) * 4),
        "picks": Yarn(cover=0.8, colours=(NAVY,)),
        "crimp_share": 0.95,
    },
    "ends alternate dark and light": {
        "end_pitch_px": 8.0,
        "pick_pitch_px": 9.0,
        "ends": Yarn(colours=(WHITE, GREY)),
    },
}


def lightness_of(bgr):
    return cv2.cvtColor(bgr, cv2.COLOR_BGR2LAB)[..., 0].astype(np.float32)


def draw(name, seed):
    settings = dict(CLOTHS[name])
    return make_cloth((360, 380), light=Light(azimuth_deg=40 * seed), seed=seed, **settings)


def around(cloth):
    """Candidates off by the usual factors; neither first nor last is right."""
    x, y = cloth.end_pitch_px, cloth.pick_pitch_px
    return [(2 * x, 2 * y), (x, 2 * y), (x, y), (2 * x, y), (x / 2, y), (4 * x, 4 * y)]


@pytest.mark.parametrize("name", CLOTHS)
def test_right_pitch_wins(name):
    """Three pictures of each construction: no direction surely wrong, at most one of six unsure."""
    unsure = 0
    for seed in (1, 2, 3):
        cloth = draw(name, seed)
        said = judge(lightness_of(cloth.bgr), None, around(cloth))
        for log_p in said.log_p_of(cloth.end_pitch_px, cloth.pick_pitch_px):
            assert log_p > np.log(0.2)
            unsure += log_p < np.log(0.6)
    assert unsure <= 1


def test_probabilities_sum_to_one():
    cloth = draw("plain", 4)
    said = judge(lightness_of(cloth.bgr), None, around(cloth))
    for log_p, other in ((said.log_p_x, said.other_log_p_x), (said.log_p_y, said.other_log_p_y)):
        assert np.exp(log_p).sum() + np.exp(other) == pytest.approx(1)
    assert said.family_probability.shape == (len(FAMILIES),)
    assert 6 <= said.crops <= 4 * 6  # the coarsest candidates leave room for one crop only


def test_wrong_candidates_alone_still_point_at_the_truth():
    """The true pitch need not be listed: all candidates twice too coarse say so."""
    cloth = draw("plain", 5)
    x, y = cloth.end_pitch_px, cloth.pick_pitch_px
    said = judge(lightness_of(cloth.bgr), None, [(2 * x, 2 * y), (2 * x, y), (x, 2 * y)])
    assert said.pitch_x_px[said.log_p_x.argmax()] == pytest.approx(x, rel=0.06)
    assert said.pitch_y_px[said.log_p_y.argmax()] == pytest.approx(y, rel=0.06)


def test_quarter_turn_swaps_directions():
    cloth = draw("warp-faced", 6)
    light, pairs = lightness_of(cloth.bgr), around(cloth)
    upright = judge(light, None, pairs)
    turned = judge(np.ascontiguousarray(light.T), None, [(y, x) for x, y in pairs])
    assert turned.pitch_y_px[turned.log_p_y.argmax()] == pytest.approx(
        upright.pitch_x_px[upright.log_p_x.argmax()]
    )


def test_brightness_and_contrast_change_nothing():
    cloth = draw("twill 2/2", 7)
    light, pairs = lightness_of(cloth.bgr), around(cloth)
    plain, dim = judge(light, None, pairs).log_p_x, judge(0.4 * light + 30, None, pairs).log_p_x
    likely = plain > np.log(1e-4)
    np.testing.assert_allclose(dim[likely], plain[likely], atol=0.02)
    np.testing.assert_allclose(dim, plain, rtol=0.005, atol=0.001)


def test_same_picture_same_answer():
    cloth = draw("plain", 8)
    first, second = (judge(lightness_of(cloth.bgr), None, around(cloth)) for _ in range(2))
    np.testing.assert_array_equal(first.log_p_x, second.log_p_x)


@pytest.mark.parametrize("kind", ["stockinette", "hexagon net", "noise", "wood"])
def test_other_surfaces_are_not_called_woven(kind):
    probabilities = []
    for seed in (1, 2, 3):
        bgr = make_other(kind, (360, 380), pitch_px=14.0, camera=Camera(blur_px=0.8), seed=seed)
        pairs = [(7.0, 7.0), (14.0, 14.0), (7.0, 14.0), (28.0, 28.0)]
        probabilities.append(judge(lightness_of(bgr), None, pairs).woven_probability)
    assert np.median(probabilities) < 0.3


def test_cloth_is_called_woven():
    for name in CLOTHS:
        cloth = draw(name, 9)
        assert judge(lightness_of(cloth.bgr), None, around(cloth)).woven_probability > 0.7


def test_what_lies_outside_the_mask_does_not_matter():
    cloth = draw("plain", 10)
    light = lightness_of(cloth.bgr)
    mask = np.zeros(light.shape, bool)
    mask[:, 60:330] = True
    spoiled = light.copy()
    spoiled[~mask] = 255 * np.random.default_rng(0).random(np.count_nonzero(~mask))
    pair = [(cloth.end_pitch_px, cloth.pick_pitch_px)]
    clean, dirty = (cut_crop(picture, mask, (100.0, 180.0), pair[0]) for picture in (light, spoiled))
    np.testing.assert_allclose(clean[:, :, 24:], dirty[:, :, 24:], atol=0.3)
    assert np.count_nonzero(dirty[:, :, :2]) == 0


def test_crop_scales_the_candidate_to_eight_pixels():
    even = Setting(cv=0.0)
    cloth = make_cloth(
        (300, 400), end_pitch_px=13.0, pick_pitch_px=17.0, end_setting=even, pick_setting=even, seed=1
    )
    crop = cut_crop(lightness_of(cloth.bgr), None, (200.0, 150.0), (13.0, 17.0))
    waves = spectrum(crop[None])[0, 0]
    assert waves.shape == (CROP_PX, CROP_PX // 2)
    # Plain weave: the checkerboard of floats stands out at half a cycle per thread both ways, 6 bins of 12.
    part = waves[CROP_PX // 2 + 3 : CROP_PX // 2 + 10, 3:10]
    assert np.unravel_index(part.argmax(), part.shape) == (3, 3)
    assert THREAD_PX * 12 == CROP_PX
    assert len(RATIOS) == 9


@pytest.mark.parametrize("bad", [[], [(0.0, 5.0)], [(float("nan"), 5.0)]])
def test_bad_candidates_are_refused(bad):
    with pytest.raises(ValueError, match="candidates"):
        judge(np.zeros((50, 50), np.float32), None, bad)


def test_empty_and_tiny_pictures_do_not_crash():
    for shape in ((8, 8), (40, 900), (300, 300)):
        said = judge(np.full(shape, 128, np.float32), np.zeros(shape, bool), [(9.0, 9.0), (18.0, 9.0)])
        assert np.isfinite(said.log_p_x).all()
