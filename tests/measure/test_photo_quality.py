"""What a photo was like and what would help, on a demo photo made worse in one respect at a time."""

import math
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from pickglass.calibration.budget import BudgetLine
from pickglass.calibration.notices import Notice
from pickglass.calibration.photo import load_photo
from pickglass.calibration.plane import scaling_plane
from pickglass.calibration.quality import PhotoLook, look_at_photo
from pickglass.calibration.sharpness import card_edge_width_px
from pickglass.cli.pipeline import Request, measure_loaded
from pickglass.measure.photo_quality import judge_photo

PHOTO = Path(__file__).parents[2] / "sample_images" / "wash_before.jpg"
FAIR = PhotoLook(notices=(), edge_width_px=1.8, clipped_share=0.0, bright_level=220)


@pytest.fixture(scope="module")
def photo():
    return load_photo(PHOTO)


@pytest.fixture(scope="module")
def measured(photo):
    return measure_loaded(photo, Request())


def codes(quality):
    return [advice.code for advice in quality.advice]


def test_a_good_photo_is_left_alone(photo, measured):
    quality = judge_photo(photo.bgr.shape, look_at_photo(photo), measured)
    assert quality.px_per_end == pytest.approx(13.0, abs=0.3)
    assert quality.card_seen_percent > 95
    assert quality.camera_distance_mm == pytest.approx(
        250, rel=0.03
    )  # what the scene's description says, rounded EXIF
    assert all(advice.help_share < 0.1 for advice in quality.advice)


def test_blur_takes_the_contrast_that_a_gaussian_takes(photo, measured):
    look = replace(FAIR, edge_width_px=2.0)  # some spark on the table
    quality = judge_photo(photo.bgr.shape, look, measured, card_edge_width_px=9.0)
    pitch = min(quality.px_per_end, quality.px_per_pick)
    x = np.arange(4096, dtype=np.float64)
    wave = np.cos(2 * np.pi * x / pitch)[None]
    soft = cv2.GaussianBlur(wave, (0, 0), 9.0 / 2.563)[0, 500:-500]
    assert quality.contrast_kept == pytest.approx(soft.max(), rel=0.02)
    assert quality.blur_per_pitch == pytest.approx(9.0 / pitch)
    assert codes(quality)[0] == "sharper"


def test_edges_as_wide_as_threads_say_nothing(photo, measured):
    quality = judge_photo(photo.bgr.shape, replace(FAIR, edge_width_px=4.5), measured)
    assert quality.edge_width_px is None
    assert quality.contrast_kept is None


@pytest.mark.parametrize("sigma_px", [1.5, 3.0, 4.5])
def test_blur_is_measured_at_the_card(photo, measured, sigma_px):
    """A Gaussian over the demo photo, whose own blur is known: variances add."""
    own = card_edge_width_px(photo.bgr, measured.plane) / 2.563
    soft = np.asarray(cv2.GaussianBlur(photo.bgr, (0, 0), sigma_px))
    assert card_edge_width_px(soft, measured.plane) == pytest.approx(
        2.563 * math.hypot(sigma_px, own), rel=0.12
    )
    assert card_edge_width_px(photo.bgr, scaling_plane(5.0, "given")) is None


def test_from_twice_as_far_it_says_how_near_to_go(photo, measured):
    """A photo three times coarser: all that is needed is in its geometry."""
    far = measured.plane
    third = np.diag([1 / 3, 1 / 3, 1.0])
    plane = replace(
        far,
        px_from_mm=third @ far.px_from_mm,
        lens=replace(far.lens, k1=0.0),
        card_outline_px=far.card_outline_px / 3 + np.array([600.0, 400.0]),
        camera_distance_mm=3 * far.camera_distance_mm,
    )
    sample = replace(
        measured.result.sample, outline_px=measured.result.sample.outline_px / 3 + [600.0, 400.0]
    )
    coarse = replace(measured, plane=plane, result=replace(measured.result, sample=sample))
    quality = judge_photo(photo.bgr.shape, FAIR, coarse)
    assert quality.px_per_end == pytest.approx(
        judge_photo(photo.bgr.shape, FAIR, measured).px_per_end / 3, rel=0.01
    )
    best = quality.advice[0]
    assert best.code == "nearer"
    finest = min(quality.px_per_end, quality.px_per_pick)
    wanted_cm = plane.camera_distance_mm * finest / 8.0 / 10.0
    assert f"Move to {wanted_cm:.0f} cm" in best.text


def test_a_card_that_fills_the_frame_cannot_come_nearer(photo, measured):
    plane = replace(measured.plane, px_from_mm=np.diag([1 / 3, 1 / 3, 1.0]) @ measured.plane.px_from_mm)
    outline = np.array([[0.0, 0.0], [photo.bgr.shape[1], 0.0], [photo.bgr.shape[1], photo.bgr.shape[0]]])
    result = replace(measured.result, sample=replace(measured.result.sample, outline_px=outline))
    quality = judge_photo(photo.bgr.shape, FAIR, replace(measured, plane=plane, result=result))
    assert quality.advice[0].code == "nearer"
    assert "only a part of the cloth" in quality.advice[0].text


def test_gains_are_root_sums_of_squares(photo, measured):
    """GUM 5.1.2: measuring the bars leaves 0.2 mm of 100 mm, rectangular, in place of the line of the print."""
    line = BudgetLine(name="print scale", standard_percent=2.31, kind="B", origin="not measured")
    plane = replace(
        measured.plane,
        source="page-card",
        card_code="A4-1",
        budget=(*measured.plane.budget, line),
        notices=(Notice("card-unconfirmed", "…"),),
    )
    quality = judge_photo(photo.bgr.shape, FAIR, replace(measured, plane=plane))
    best = quality.advice[0]
    assert best.code == "check-bars"
    result = measured.result
    worse = max(
        (result.ends, result.picks),
        key=lambda r: sum(x.standard_percent**2 for x in r.budget if x.name != "scale"),
    )
    rest = [x.standard_percent for x in worse.budget if x.name != "scale"]
    rest += [x.standard_percent for x in measured.plane.budget]
    assert best.doubt_now_percent == pytest.approx(2 * math.hypot(2.31, *rest))
    assert best.doubt_then_percent == pytest.approx(2 * math.hypot(0.2 / math.sqrt(3), *rest))


def test_tilt_glare_dusk_and_flat_light(photo, measured):
    lens = measured.plane.lens
    camera = np.array(
        [[lens.focal_px, 0, lens.centre_px[0]], [0, lens.focal_px, lens.centre_px[1]], [0, 0, 1.0]]
    )
    turn = cv2.Rodrigues(np.array([0.0, math.radians(20.0), 0.0]))[
        0
    ]  # the same camera turned about its own centre
    seen = camera @ turn @ np.linalg.inv(camera) @ measured.plane.px_from_mm
    tilted = replace(measured, plane=replace(measured.plane, tilt_deg=22.0, px_from_mm=seen))
    assert "level" in codes(judge_photo(photo.bgr.shape, FAIR, tilted))
    assert "more-light" in codes(judge_photo(photo.bgr.shape, replace(FAIR, bright_level=70), measured))
    patch = measured.patch
    bright = patch.bgr.copy()
    bright[: len(bright) // 2] = 255
    glare = judge_photo(photo.bgr.shape, FAIR, replace(measured, patch=replace(patch, bgr=bright)))
    assert codes(glare)[0] == "glare"
    assert 30 < glare.clipped_percent < 70
    flat = (0.1 * patch.bgr + 150).astype(np.uint8)
    faint = judge_photo(photo.bgr.shape, FAIR, replace(measured, patch=replace(patch, bgr=flat)))
    assert codes(faint)[0] == "side-light"


def test_without_a_scale_nothing_is_promised_in_percent(photo, measured):
    bare = scaling_plane(measured.patch.px_per_mm / 4.0, "none")
    none = {"per_inch": None, "per_cm": None, "u95_per_inch": None}
    result = replace(
        measured.result,
        ends=replace(measured.result.ends, **none),
        picks=replace(measured.result.picks, **none),
    )
    quality = judge_photo(photo.bgr.shape, FAIR, replace(measured, plane=bare, result=result, height=None))
    assert all(advice.doubt_now_percent is None for advice in quality.advice)
    assert "times nearer" in quality.advice[0].text
