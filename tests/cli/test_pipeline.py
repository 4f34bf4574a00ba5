"""What the command line was told reaches the measurement in the units it works in."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from pickglass.calibration.errors import SampleError, UsageError
from pickglass.cli.pipeline import Request, _options, measure_photo
from pickglass.measure.plausible import doubt_impossible

from .small_photo import REQUEST, draw, measured


def test_area_becomes_corners():
    assert _options(Request(area_px=(10, 20, 100, 50))).area_px == (10, 20, 110, 70)
    assert _options(Request()).area_px is None


def test_expectations_are_per_inch_or_per_1000_px():
    assert _options(Request(expect_ends=(20.0, 30.0))).hints.expect_ends_per_inch == (20.0, 30.0)
    # Without a scale one pixel stands for one millimetre: 100 threads in 1000 px are 2.54 in 25.4 px.
    bare = _options(Request(expect_picks=(100.0, 200.0), no_scale=True)).hints.expect_picks_per_inch
    assert bare == pytest.approx((2.54, 5.08))


@pytest.mark.parametrize("area", [(500, 0, 100, 100), (0, 380, 100, 100), (0, 0, 20, 100)])
def test_an_area_beside_the_photo_is_refused(tmp_path, area):
    path = tmp_path / "plain.png"
    cv2.imwrite(str(path), np.full((400, 500, 3), 128, np.uint8))
    with pytest.raises(UsageError, match="500 × 400 pixels"):
        measure_photo(path, Request(area_px=area, all_cloth=True, no_scale=True))


@pytest.mark.parametrize(("area", "told"), [((60, 40, 400, 200), "200 × 200"), ((0, 0, 260, 300), None)])
def test_an_area_that_reaches_beyond_the_photo_is_said(tmp_path, area, told):
    _, measurement = measure_photo(draw(tmp_path / "small.png"), replace(REQUEST, area_px=area))
    said = [notice.text for notice in measurement.plane.notices if notice.code == "area-clipped"]
    assert len(said) == (told is not None)
    assert all(f"photo of 260 × 300 pixels: only {told} of its 400 × 200 pixels" in text for text in said)


@pytest.mark.parametrize(
    ("told", "words"),
    [
        ({"all_cloth": True}, ("leave --all-cloth out", "--area")),
        (
            {"all_cloth": True, "area_px": (10, 20, 300, 200)},
            ("300 × 200 pixels from 10, 20", "leave --all-cloth"),
        ),
        ({"area_px": (10, 20, 300, 200)}, ("300 × 200 pixels from 10, 20", "Look whether --area")),
    ],
)
def test_a_refusal_names_what_was_told_and_may_be_the_cause(tmp_path, told, words):
    path = tmp_path / "table.png"
    noise = np.random.default_rng(3).normal(128, 20, (400, 500, 3))
    cv2.imwrite(str(path), cv2.GaussianBlur(noise, (0, 0), 2).clip(0, 255).astype(np.uint8))
    with pytest.raises(SampleError) as refused:
        measure_photo(path, Request(no_scale=True, **told))
    for part in words:
        assert part in str(refused.value)


@pytest.mark.parametrize(("px_per_mm", "sure"), [(REQUEST.px_per_mm, True), (1500.0, False)])
def test_a_sett_that_no_yarn_allows_is_not_measured(tmp_path, px_per_mm, sure):
    _, measurement = measure_photo(draw(tmp_path / "a.png"), replace(REQUEST, px_per_mm=px_per_mm))
    result = measurement.result
    assert result.verdict == ("measured" if sure else "unsure")
    assert [n.code for n in result.notices if n.doubt] == ([] if sure else ["scale-impossible"])


def test_threads_thicker_than_a_rope_are_not_measured(tmp_path):
    _, measurement = measured(tmp_path)
    ends = replace(measurement.result.ends, per_inch=0.4)
    doubted = doubt_impossible(replace(measurement, result=replace(measurement.result, ends=ends)))
    assert doubted.result.verdict == "unsure"
    assert "0.4 ends per inch are fewer than yarns allow" in doubted.result.notices[-1].text
