from pathlib import Path
from types import SimpleNamespace

import pytest

from pickglass.calibration.units import MM_PER_INCH
from pickglass.measure import SettOptions, measure_photo
from pickglass.measure.hints import Hints, check_against_photo, check_hints, ends_prior, picks_prior
from pickglass.measure.lattice import PitchReading
from pickglass.measure.results import ThreadReading, WeaveReading

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
PLAIN = WeaveReading(name="plain", repeat_ends=2, repeat_picks=2, face="balanced")


def reading(per_inch, *, count=None, per_1000_px=80.0):
    per_cm = None if per_inch is None else per_inch / 2.54
    return ThreadReading(
        pitch_px=12.5,
        per_inch=per_inch,
        per_cm=per_cm,
        u95_per_inch=None,
        per_1000_px=per_1000_px,
        count=count,
    )


def notices(hints, *, ends=20.0, picks=18.0, count=48, weave=PLAIN):
    return check_hints(hints, ends=reading(ends, count=count), picks=reading(picks), weave=weave)


def told(hints, **seen):
    return [notice.code for notice in notices(hints, **seen)]


def test_nothing_told_weighs_nothing():
    assert ends_prior(Hints(), 10.0, 300.0)(12.0) == 1.0
    assert told(Hints()) == []


def test_a_range_prefers_what_lies_inside():
    weight = picks_prior(Hints(expect_picks_per_inch=(18, 22)), 10.0)
    assert weight(254 / 20) == 1.0  # 10 px per mm: 254 px per inch
    assert weight(254 / 40) < 0.01


def test_the_number_of_ends_prefers_the_pitch_that_holds_them():
    weight = ends_prior(Hints(ends_warped=50), 10.0, 500.0)
    assert weight(10.0) == pytest.approx(1.0)
    assert weight(20.0) < 0.01


def test_an_expectation_the_cloth_contradicts_is_said():
    assert told(Hints(expect_ends_per_inch=(10, 12))) == ["ends-outside-expectation"]
    assert told(Hints(expect_ends_per_inch=(19, 21))) == []


def test_a_missing_end_is_said_gently_and_a_wrong_count_clearly():
    assert told(Hints(ends_warped=49)) == ["ends-nearly"]
    assert told(Hints(ends_warped=96)) == ["ends-differ"]


def test_another_weave_is_said():
    assert told(Hints(weave="twill")) == ["weave-differs"]
    assert told(Hints(weave="plain")) == []


def test_an_expectation_is_checked_without_a_scale_too():
    per_mm = MM_PER_INCH / 1000.0  # a pixel stands for a millimetre where nothing tells the scale
    assert told(Hints(expect_ends_per_inch=(75 * per_mm, 85 * per_mm)), ends=None) == []
    (said,) = notices(Hints(expect_ends_per_inch=(20 * per_mm, 40 * per_mm)), ends=None)
    assert said.text.startswith("You expected 20 to 40 ends per 1000 pixels; the cloth shows 80.0.")


def test_twice_the_ends_counted_is_told_as_pairs():
    (said,) = notices(Hints(ends_warped=96))
    assert "Two ends may lie side by side as one thread" in said.text
    (said,) = notices(Hints(ends_warped=60))
    assert "selvedges" in said.text
    assert "an end may be hidden" in said.text


def test_more_ends_than_were_warped_are_not_called_hidden():
    (said,) = notices(Hints(ends_warped=45))
    assert "turns of the weft" in said.text
    assert "hidden" not in said.text


def test_a_reading_that_only_what_was_told_prefers_is_said():
    told_px, seen_px = 6.0, 12.0

    def said(probability):
        alone = PitchReading(pitch_px=seen_px, probability=probability, alternatives=())
        chosen = PitchReading(pitch_px=told_px, probability=0.95, alternatives=())
        lattice = SimpleNamespace(ends=chosen, picks=alone)
        settled = SimpleNamespace(lattice=lattice, photo_alone=(alone, alone))
        return check_against_photo(settled, reading(40.0), reading(20.0))

    assert said(0.7) == ()  # the photo leaves it open, and what was told decides
    (notice,) = said(0.98)
    assert notice.code == "ends-against-photo"
    assert "makes it 40.0 ends per inch; the photo by itself shows 20.0" in notice.text


@pytest.mark.parametrize("photo", ["sampler_plain", "twill_two_two"])
@pytest.mark.parametrize("factor", [0.5, 2.0])
def test_a_wrong_expectation_never_makes_a_wrong_number_sure(photo, factor):
    """Who gives the counts of 10 cm, or of pairs, for those of an inch is wrong about ends and picks alike."""
    path = SAMPLES / f"{photo}.jpg"
    alone = measure_photo(path).result
    wrong = [
        tuple(factor * density * share for share in (0.93, 1.07))
        for density in (alone.ends.per_inch, alone.picks.per_inch)
    ]
    hints = Hints(expect_ends_per_inch=wrong[0], expect_picks_per_inch=wrong[1])
    result = measure_photo(path, options=SettOptions(hints=hints)).result
    assert result.verdict == "unsure"
    assert "hint-contradicted" in [notice.code for notice in result.notices]
    assert result.ends.per_inch == pytest.approx(alone.ends.per_inch, rel=0.01)
