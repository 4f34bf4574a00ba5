import numpy as np

from pickglass.measure.streaks import streaks_of_cells


def cloth(rng, picks=80, ends=50):
    """Light of every crossing in plain weave with a striped warp and a shadow along the band."""
    up = (np.add.outer(np.arange(picks), np.arange(ends)) % 2) * 0.3
    stripes = rng.choice([0.2, 0.6], ends)[None]
    return up + stripes + 0.1 * np.linspace(0, 1, picks)[:, None] + rng.normal(0, 0.03, (picks, ends))


def test_even_cloth_has_no_streak():
    rng = np.random.default_rng(0)
    assert sum(len(streaks_of_cells(cloth(rng))) for _ in range(40)) == 0


def test_a_dark_end_is_found_where_it_is():
    rng = np.random.default_rng(1)
    cells = cloth(rng)
    cells[30:44, 21] -= 0.15
    found = streaks_of_cells(cells)
    assert [s.end for s in found] == [21]
    assert abs(found[0].first_pick - 30) <= 3
    assert abs(found[0].last_pick - 43) <= 3


def test_a_shadow_over_several_ends_is_no_streak():
    cells = cloth(np.random.default_rng(2))
    cells[30:44, 18:26] -= 0.15
    assert streaks_of_cells(cells) == ()
