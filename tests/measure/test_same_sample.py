"""Two photos of two samples are told apart; another lamp, half a turn or the back is no other sample."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np

from pickglass.measure.common_stretch import CommonStretch
from pickglass.measure.results import ThreadReading
from pickglass.measure.same_sample import (
    SampleLook,
    compare_counts,
    compare_densities,
    compare_looks,
    differences,
)
from pickglass.measure.same_threads import ThreadMatch


def counted(count: int, u95: float = 1.0) -> ThreadReading:
    return ThreadReading(
        pitch_px=10, per_inch=10, per_cm=4, u95_per_inch=0.1, per_1000_px=100, count=count, count_u95=u95
    )


def look(stripes: np.ndarray | None = None, shift: tuple[float, float, float] = (0, 0, 0)) -> SampleLook:
    across = np.tile([50.0, 10.0, 10.0], (24, 1)) + np.array(shift)
    if stripes is not None:
        across[:, 0] += stripes
    return SampleLook(middle=np.median(across, axis=0), across=across)


STRIPES = np.where(np.arange(24) < 6, 30.0, np.where(np.arange(24) < 10, -20.0, 0.0))
OTHER = np.where(np.arange(24) % 6 < 3, 25.0, -25.0)


def test_counts_within_their_doubt_agree() -> None:
    assert compare_counts(counted(41), counted(42), "ends") is None
    assert compare_counts(counted(53, 1.6), counted(54, 1.7), "ends") is None


def test_counts_far_apart_are_named() -> None:
    reason = compare_counts(counted(41), counted(45), "ends")
    assert reason is not None
    assert "41" in reason
    assert "45" in reason


def test_no_wash_brings_a_gauze_to_a_rep() -> None:
    loose, close = (replace(counted(40), per_inch=value) for value in (11.8, 38.5))
    reason = compare_densities(loose, close, "ends")
    assert reason is not None
    assert "11.8" in reason
    felted = replace(counted(40), per_inch=20.0)
    assert compare_densities(loose, felted, "ends") is None
    assert compare_densities(loose, replace(close, probability=0.6), "ends") is None


def test_recognised_picks_prove_one_sample() -> None:
    numbers = np.arange(20)
    match = ThreadMatch(first=numbers, second=numbers, likeness=0.9)
    one, other = (
        SimpleNamespace(
            result=SimpleNamespace(
                ends=counted(ends), picks=counted(50), weave=SimpleNamespace(name="unknown")
            ),
            sample=SimpleNamespace(cut_off=frozenset()),
            patch=SimpleNamespace(bgr=np.full((40, 40, 3), 120, np.uint8), mask=np.ones((40, 40), bool)),
        )
        for ends in (41, 30)
    )
    same = CommonStretch(ends=None, picks=match, across=None, along=None)
    assert differences(one, other)
    assert not differences(one, other, same)
    # Ends alone prove one warp or heddle: they excuse the count of ends, nothing else.
    assert not differences(one, other, replace(same, ends=match, picks=None))


def test_another_lamp_is_no_other_sample() -> None:
    assert not compare_looks(look(STRIPES), look(STRIPES, (8.0, 6.0, 12.0)), whole_width=True)


def test_half_a_turn_is_no_other_sample() -> None:
    assert not compare_looks(look(STRIPES), look(STRIPES[::-1]), whole_width=True)


def test_other_colours_and_other_stripes_are_another_sample() -> None:
    assert compare_looks(look(), look(None, (0.0, 10.0, -40.0)), whole_width=True)
    assert compare_looks(look(STRIPES), look(OTHER), whole_width=True)
    assert compare_looks(look(STRIPES), look(), whole_width=True)


def test_stripes_of_a_part_are_not_compared() -> None:
    assert not compare_looks(look(STRIPES), look(OTHER), whole_width=False)
