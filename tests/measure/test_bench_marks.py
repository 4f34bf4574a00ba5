"""Bench marks: found as spots of contrasting thread, paired, and turned into a change of size."""

import numpy as np
import pytest

from pickglass.calibration.errors import UsageError
from pickglass.measure.bench_marks import change_of_marks, match_marks, spots_in_cloth

SQUARE = np.array([[5.0, 8.0], [75.0, 10.0], [6.0, 92.0], [74.0, 90.0], [38.0, 50.0]])


def turned(points: np.ndarray, degrees: float) -> np.ndarray:
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return np.asarray(points @ np.array([[c, s], [-s, c]]))


def test_marks_tell_both_directions_whatever_the_turn() -> None:
    after = turned(SQUARE * [0.95, 0.88], 183.0) + np.array([400.0, -20.0])
    change = change_of_marks(SQUARE, after)
    assert change["warpwise"].change_percent == pytest.approx(-12.0, abs=1e-6)
    assert change["weftwise"].change_percent == pytest.approx(-5.0, abs=1e-6)


def test_stated_doubt_of_marks_matches_the_scatter() -> None:
    rng = np.random.default_rng(3)
    found = []
    for _ in range(400):
        before, after = (p + rng.normal(0, 0.3, p.shape) for p in (SQUARE, SQUARE * [0.95, 0.88]))
        change = change_of_marks(before, after)["warpwise"]
        found.append((change.change_percent + 12.0, change.u95_percent))
    errors, stated = np.array(found).T
    inside = np.mean(np.abs(errors) < stated)
    assert 0.93 <= inside <= 0.995
    assert abs(errors.mean()) < 0.1


def test_two_marks_tell_of_the_way_they_lie_in() -> None:
    change = change_of_marks(np.array([[0.0, 0.0], [1.0, 100.0]]), np.array([[0.0, 0.0], [1.0, 90.0]]))
    assert set(change) == {"warpwise"}
    assert change["warpwise"].change_percent == pytest.approx(-10.0, abs=0.01)


def test_marks_across_the_diagonal_are_refused() -> None:
    with pytest.raises(UsageError):
        change_of_marks(np.array([[0.0, 0.0], [80.0, 80.0]]), np.array([[0.0, 0.0], [70.0, 70.0]]))


def test_marks_are_paired_after_half_a_turn_and_in_any_order() -> None:
    order = [3, 0, 4, 2, 1]
    pair = match_marks(SQUARE, -(SQUARE * [0.9, 0.85])[order])
    assert pair is not None
    change = change_of_marks(*pair)
    assert change["warpwise"].change_percent == pytest.approx(-15.0, abs=1e-6)


def test_spots_in_other_places_are_no_marks() -> None:
    moved = SQUARE.copy()
    moved[4] += [15.0, 0.0]
    assert match_marks(SQUARE, moved) is None
    assert match_marks(SQUARE, SQUARE[:4]) is None


def test_contrasting_spots_are_found_in_cloth_and_none_where_there_are_none() -> None:
    rng = np.random.default_rng(1)
    y, x = np.mgrid[0:400, 0:300]
    shade = 120 + 40 * np.cos(2 * np.pi * x / 10) * np.cos(2 * np.pi * y / 10)
    cloth = np.clip(shade[..., None] * [0.6, 0.8, 1.0] + rng.normal(0, 4, (400, 300, 3)), 0, 255).astype(
        np.uint8
    )
    mask = np.ones(cloth.shape[:2], dtype=bool)
    assert len(spots_in_cloth(cloth, mask, 10.0)) == 0
    places = np.array([[50, 60], [250, 70], [60, 330], [240, 340]])
    for px, py in places:
        cloth[py - 6 : py + 7, px - 6 : px + 7] = (200, 40, 20)
    found = spots_in_cloth(cloth, mask, 10.0)
    assert len(found) == 4
    gap = np.linalg.norm(found[:, None] - places[None], axis=2).min(axis=1)
    assert gap.max() < 2.0
