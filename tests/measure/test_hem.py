"""A cloth without fringe ends where its colours end; stripes do not end it."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from sample_scene import PITCH_PX, PX_PER_MM, as_photo, lay, piece, plane, table

from pickglass.measure.fringe import _weaves_on, pick_energy
from pickglass.measure.hem import cloth_end, ends_with
from pickglass.measure.sample import find_sample

COLUMNS = (20, 380)


def evidence(edge: np.ndarray, rows: int = 300) -> np.ndarray:
    """Positive below a given row of each column."""
    return np.where(np.arange(rows)[:, None] > edge[None, :], 1.0, -1.0).astype(np.float32)


def found(weights: np.ndarray, *, photo_from: int = 0) -> np.ndarray | None:
    in_photo = np.ones(weights.shape, bool)
    in_photo[:photo_from] = False
    return cloth_end(weights, in_photo, np.zeros(weights.shape, bool), COLUMNS, 250, 8.0)


def test_a_bowed_end_is_followed_by_its_colours():
    x = np.arange(400.0)
    edge = 60 + 0.05 * (x - 200) - 12 * ((x - 200) / 180) ** 2
    edge += np.random.default_rng(3).normal(0, 2, 400)  # threads stand out by single pixels
    curve = found(evidence(edge))
    true = 60 + 0.05 * (x - 200) - 12 * ((x - 200) / 180) ** 2
    assert np.abs(np.polyval(curve, x) - true)[20:380].max() < 1.5


def test_ragged_colours_tell_no_end():
    tips = 60 + 40 * np.repeat(np.random.default_rng(4).random(40), 10)
    assert found(evidence(tips)) is None


def test_cloth_that_leaves_the_photo_has_no_end():
    assert found(evidence(np.full(400, 20.0)), photo_from=40) is None


@pytest.mark.parametrize(
    ("limit", "met"),
    [
        (60.0, True),  # along the end
        (54.0, True),  # on the table
        (100.0, False),  # a fringe of 5 mm lies between
        (45.0, False),  # the colours lost the cloth everywhere
    ],
)
def test_a_limit_that_meets_the_end_leaves_no_fringe(limit, met):
    end = np.array([0.0, 0.0, 60.0])
    unit = 8.0 if limit != 45.0 else 3.0
    assert ends_with(np.array([0.0, 0.0, limit]), end, COLUMNS, unit) == met


def test_a_limit_that_strays_off_the_end_is_replaced():
    end = np.array([0.0, 0.0, 60.0])
    bowed = np.polyfit([20, 150, 380], [62, 55, 300], 2)
    assert ends_with(bowed, end, COLUMNS, 8.0)


@pytest.mark.parametrize("kind", ["plain", "grain"])
@pytest.mark.parametrize("turn_deg", [0.0, 25.0])
def test_a_hem_is_the_end_of_the_sample(kind, turn_deg):
    bgr, alpha = piece(300, 420, 50)
    hemmed = bgr[50:-50], alpha[50:-50]
    photo = as_photo(lay(table(kind, (960, 1280)), hemmed, (640, 480), turn_deg))
    sample = find_sample(photo, plane())
    assert not sample.cut_off
    assert sample.v_end_mm - sample.v_start_mm == pytest.approx(
        420 / PX_PER_MM, abs=0.4 * PITCH_PX / PX_PER_MM
    )


def limit_is_passed(
    first: int, quiet: float, *, woven: bool, uneven: float = 0.0, straight_end: bool = False
) -> bool:
    """Whether the weaving goes on beyond a limit at row 180, where a quieter stretch from row `first` on ends.

    The spacing of the picks may wander by a share of itself, so that none is like the next.
    """
    rows, columns, pitch, limit = 420, 300, 14, 180
    y, x = np.mgrid[:rows, :columns]
    wander = np.random.default_rng(2).normal(0, uneven, rows // pitch + 2).cumsum()
    turns = y / pitch + np.interp(y / pitch, np.arange(len(wander)), wander)
    wave = 0.5 + 0.5 * np.cos(2 * np.pi * turns) * np.where((x // 10) % 2, 1.0, -1.0)
    outside = wave if woven else 0.5 + 0.5 * np.cos(2 * np.pi * x / 20 + 0.3 * np.sin(y / 9))
    grey = 110 + 90 * np.where(y < limit, quiet * outside, wave)
    grey[:first] = 110
    noisy = grey + np.random.default_rng(5).normal(0, 2, grey.shape)
    soft = cv2.GaussianBlur(np.clip(noisy, 0, 255), (0, 0), 1.0).astype(np.uint8)
    everywhere = np.ones(grey.shape, bool)
    energy = pick_energy(cv2.cvtColor(soft, cv2.COLOR_GRAY2BGR), everywhere, 8.0)
    curve = np.array([0.0, 0.0, float(limit)])
    rows_looked_at = (5, float(limit), 360)
    return _weaves_on(energy, everywhere, (0, columns - 1), curve, rows_looked_at, 8.0, straight_end)


@pytest.mark.parametrize("first", [20, 110])
def test_quieter_picks_are_woven_however_much_table_lies_outside(first):
    assert limit_is_passed(first, 0.6, woven=True)


@pytest.mark.parametrize("straight_end", [False, True])
def test_a_fringe_is_not_woven(straight_end):
    assert not limit_is_passed(20, 0.6, woven=False, straight_end=straight_end)


def test_picks_beaten_so_unevenly_that_only_their_strength_tells_are_woven():
    assert limit_is_passed(20, 0.95, woven=True, uneven=0.45)


@pytest.mark.parametrize("quiet", [0.95, 0.6])
@pytest.mark.parametrize("straight_end", [False, True])
def test_a_fringe_beside_uneven_picks_is_not_woven(quiet, straight_end):
    assert not limit_is_passed(20, quiet, woven=False, uneven=0.45, straight_end=straight_end)
