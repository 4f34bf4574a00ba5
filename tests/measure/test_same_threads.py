"""Threads are recognised by their uneven spacing: in parts, turned round, placed with noise; never between strangers."""

import numpy as np
import pytest

from pickglass.measure.same_threads import Threads, match_threads


def beat(count: int, seed: int, *, cv: float = 0.08) -> np.ndarray:
    """Return places of threads whose spaces scatter by `cv`, as those of hand-woven cloth do."""
    rng = np.random.default_rng(seed)
    return np.concatenate([[0.0], np.cumsum(2.0 * np.exp(cv * rng.standard_normal(count - 1)))])


def seen(places: np.ndarray, seed: int, *, noise: float = 0.02) -> Threads:
    """Return the threads as a photo gives them: each misplaced by `noise` of a space.

    Between two path-traced photos of one cloth the places differ by 0.01 to 0.02 of a space.
    """
    rng = np.random.default_rng(1000 + seed)
    return Threads(
        positions=places + 2.0 * noise * rng.standard_normal(len(places)),
        places=np.arange(len(places)) % 2,
    )


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("seed", range(5))
def test_a_part_is_found_in_the_whole_either_way_round(seed: int, turned: bool) -> None:
    whole = beat(60, seed)
    part = 0.9 * (whole[20:50] - whole[20])
    if turned:
        part = part.max() - part[::-1]
    match = match_threads(seen(whole, seed), seen(part, seed + 50))
    assert match is not None
    assert match.turned == turned
    expected = match.first - 20 if not turned else 49 - match.first
    assert np.array_equal(match.second, expected)
    assert len(match.first) >= 24


@pytest.mark.parametrize("pair", range(60))
def test_strangers_share_no_threads(pair: int) -> None:
    one, other = beat(60, 2 * pair + 1), beat(45, 2 * pair + 2)
    assert match_threads(seen(one, pair), seen(other, pair + 500)) is None


def test_an_even_beat_tells_nothing() -> None:
    even = np.arange(50) * 2.0
    assert match_threads(seen(even, 1, noise=0.01), seen(even, 2, noise=0.01)) is None


def test_the_rhythm_of_hole_and_slot_tells_nothing() -> None:
    # Ends in pairs, wide and narrow spaces in turn: alike in every cloth from such a heddle.
    pairs = np.cumsum(np.where(np.arange(60) % 2 == 0, 1.7, 2.3))
    assert match_threads(seen(pairs, 3), seen(pairs, 4)) is None


def test_crowded_selvedges_tell_nothing() -> None:
    # Both sides of every band crowd alike; that must not pass for recognition.
    spaces = 2.0 - 0.8 * np.exp(-np.minimum(np.arange(49), np.arange(49)[::-1]) / 2.0)
    crowded = np.concatenate([[0.0], np.cumsum(spaces)])
    assert match_threads(seen(crowded, 5), seen(crowded, 6)) is None


def test_a_thread_missed_in_one_photo_ends_the_match_there() -> None:
    whole = beat(80, 9)
    without = np.delete(whole, 55)
    match = match_threads(seen(whole, 9), seen(0.92 * without, 59))
    assert match is not None
    assert match.first.max() <= 56  # beyond, the numbers are off by one
    one, other = whole[match.first], 0.92 * without[match.second]
    assert (other[-1] - other[0]) / (one[-1] - one[0]) == pytest.approx(0.92, rel=2e-3)


def test_too_few_threads_are_not_tried() -> None:
    few = beat(12, 3)
    assert match_threads(seen(few, 1), seen(few, 2)) is None
