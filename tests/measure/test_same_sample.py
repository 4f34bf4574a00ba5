"""Two photos of two samples are told apart; another lamp, half a turn or the back is no other sample."""

import numpy as np

from pickglass.measure.results import ThreadReading
from pickglass.measure.same_sample import SampleLook, compare_counts, compare_looks


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
