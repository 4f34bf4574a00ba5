import cv2
import numpy as np
import pytest

from pickglass.measure.fringe import _weaves_on, woven_limit

PX_PER_MM, PICK_PX, WIDTH = 12, 15, 300


def energy(seed, table_rows, tips_rows, fringe_rows, fringe=0.055):
    """Change along the warp: nothing on the table, most at the tips, little in the fringe, pulses in the cloth."""
    rng = np.random.default_rng(seed)
    cloth_rows = 450
    tips = 0.05 + 0.3 * np.sin(np.linspace(0, np.pi, tips_rows))
    cloth = 0.055 + 0.055 * (0.5 - 0.5 * np.cos(np.arange(cloth_rows) * 2 * np.pi / PICK_PX))
    level = np.concatenate([np.full(table_rows, 0.005), tips, np.full(fringe_rows, fringe), cloth])
    picture = level[:, None] * rng.lognormal(0, 0.25, (len(level), WIDTH))
    blurred = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), 1.5)
    return blurred, table_rows + tips_rows + fringe_rows


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("table_rows", [10, 40, 70])
def test_a_wide_margin_of_table_hides_no_fringe(seed, table_rows):
    # The table is far quieter than any fringe: measured against it the fringe of twisted yarn looked like cloth.
    picture, begins = energy(seed, table_rows, 36, 66)
    seen = np.ones(picture.shape, bool)
    curve = woven_limit(picture, seen, (0, WIDTH), (0, len(picture) - 20), PX_PER_MM)
    assert curve is not None
    assert abs(np.polyval(curve, WIDTH / 2) - begins) < PICK_PX


def uneven_last_picks(seed, quiet=1.0, outer_picks=5, inner_picks=25):
    """Pulses of picks, even inside; the outermost wander by up to a seventh of their spacing about their places."""
    rng = np.random.default_rng(seed)
    at = (np.arange(outer_picks + inner_picks) + 0.5) * PICK_PX
    at[:outer_picks] += rng.uniform(-0.15, 0.15, outer_picks) * PICK_PX
    rows = np.arange((outer_picks + inner_picks) * PICK_PX)
    level = 0.05 + 0.07 * np.exp(-0.5 * ((rows[:, None] - at) / (0.2 * PICK_PX)) ** 2).sum(axis=1)
    level[: outer_picks * PICK_PX] *= quiet
    level = np.concatenate([np.full(10, 0.005), level])
    picture = level[:, None] * rng.lognormal(0, 0.1, (len(level), WIDTH))
    return cv2.GaussianBlur(picture.astype(np.float32), (0, 0), 1.5), float(10 + outer_picks * PICK_PX)


def woven_beyond(picture, limit, straight_end):
    seen = np.ones(picture.shape, bool)
    curve, rows = np.array([0.0, 0.0, limit]), (0, limit, len(picture) - 20)
    return _weaves_on(picture, seen, (0, WIDTH), curve, rows, PX_PER_MM, straight_end)


def test_uneven_picks_before_a_straight_cut_are_woven():
    # Three picks before a close cut were taken for fringe, though as high as inside and with no tips beyond them.
    pieces = [uneven_last_picks(seed) for seed in range(8)]
    straight = [woven_beyond(*piece, True) for piece in pieces]
    tips = [woven_beyond(*piece, False) for piece in pieces]
    assert sum(straight) > sum(tips)
    assert all(one for one, other in zip(straight, tips, strict=True) if other)
    assert not any(woven_beyond(*uneven_last_picks(seed, quiet=0.5), True) for seed in range(8))
