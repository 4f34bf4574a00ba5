import pytest

from pickglass.measure.hints import Hints, check_hints, ends_prior, picks_prior
from pickglass.measure.results import WeaveReading

PLAIN = WeaveReading(name="plain", repeat_ends=2, repeat_picks=2, face="balanced")


def told(hints, *, ends=20.0, picks=18.0, count=48, weave=PLAIN):
    found = check_hints(hints, ends_per_inch=ends, picks_per_inch=picks, ends_count=count, weave=weave)
    return [notice.code for notice in found]


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
