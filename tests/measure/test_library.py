"""Measuring from Python: every way to the scale that the command line knows, and what each refuses."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from card_scene import Shot
from rule_scene import rule_photo, rule_raster

from pickglass.calibration.errors import UsageError
from pickglass.measure import SettOptions, measure_photo

from ..cli.small_photo import ENDS_PER_INCH, PICKS_PER_INCH, draw
from ..sample_scene import PITCH_PX, lay, piece

ROOT = Path(__file__).resolve().parents[2]
ALL_CLOTH = SettOptions(all_cloth=True)


@pytest.fixture(scope="module")
def cloth(tmp_path_factory):
    return draw(tmp_path_factory.mktemp("library") / "cloth.png")


def per_inch(measurement):
    return measurement.result.ends.per_inch, measurement.result.picks.per_inch


def test_two_points_give_the_scale(cloth):
    found = measure_photo(cloth, ALL_CLOTH, points=(20.0, 100.0, 244.0, 100.0, 28.0))
    assert "scale-two-points" in {notice.code for notice in found.plane.notices}
    assert per_inch(found) == pytest.approx((ENDS_PER_INCH, PICKS_PER_INCH), rel=0.01)
    given = measure_photo(cloth, ALL_CLOTH, px_per_mm=8.0)
    assert per_inch(found) == pytest.approx(per_inch(given), rel=1e-9)
    assert (
        found.result.ends.u95_per_inch > given.result.ends.u95_per_inch
    )  # two points have a doubt of their own


def test_a_rule_beside_the_cloth_gives_the_scale(tmp_path):
    seen = Shot(width_px=2400, height_px=1800, distance_mm=240.0, aim_mm=(95.0, 50.0), roll_deg=0.0)
    rule = rule_photo(rule_raster(), seen)  # 7.5 pixels per mm: the rule in rows 525 to 712
    bare = np.full(rule.shape, 110.0, np.float32)
    bare[524:714, 486:1990] = rule[524:714, 486:1990]  # without that scene's table and striped cloth
    picture = lay(bare, piece(700, 500, 60), (1200.0, 1330.0), 0.0)
    photo = tmp_path / "rule.png"
    cv2.imwrite(str(photo), np.clip(picture, 0, 255).astype(np.uint8))
    found = measure_photo(photo, rule="mm")
    truth = seen.focal_px / seen.distance_mm / PITCH_PX * 25.4
    assert found.plane.source == "rule"
    assert per_inch(found) == pytest.approx((truth, truth), rel=0.012)


def test_two_ways_to_the_scale_are_refused(cloth):
    with pytest.raises(UsageError) as caught:
        measure_photo(cloth, ALL_CLOTH, points=(20.0, 100.0, 244.0, 100.0, 28.0), rule="mm")
    assert caught.value.code == "two-scales"


def test_points_outside_the_photo_are_refused(cloth):
    with pytest.raises(UsageError) as caught:
        measure_photo(cloth, ALL_CLOTH, points=(20.0, 100.0, 5000.0, 100.0, 28.0))
    assert caught.value.code == "bad-points"


@pytest.mark.parametrize("wrong", [{"rule": "cm"}, {"card": "page"}])
def test_words_that_are_none_are_never_taken_for_another(cloth, wrong):
    with pytest.raises(ValueError, match="one of"):
        measure_photo(cloth, ALL_CLOTH, **wrong)


def test_the_width_is_no_surer_than_the_scale():
    """Nobody measured the check bars of this card here: it may have been printed some percent too large."""
    found = measure_photo(ROOT / "sample_images" / "page_card_checked.jpg", card="printed")
    sample, scale = found.result.sample, found.plane.u95_percent / 100.0
    assert scale > 0.03
    assert sample.width_u95_mm > scale * sample.width_mm
    assert sample.width_edges_u95_mm < 0.01 * sample.width_mm
    assert sample.width_u95_mm == pytest.approx(
        np.hypot(sample.width_edges_u95_mm, scale * sample.width_mm), rel=0.01
    )
