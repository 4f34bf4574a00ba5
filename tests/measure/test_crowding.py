import numpy as np
import pytest

from pickglass.measure.crowding import crowded_edges


def ends(spacings, scatter=0.0, seed=0, length=100.0):
    """Lines of the ends, their spacing scattered along the warp."""
    rng = np.random.default_rng(seed)
    steps = np.asarray(spacings)[:, None] * (1 + rng.normal(0, scatter, (len(spacings), 24)))
    u = np.vstack([np.zeros(24), np.cumsum(steps, axis=0)])
    return u - u.mean(axis=0), np.tile(np.linspace(0, length, 24), (len(u), 1))


def test_even_ends_and_usual_crowding_are_no_fault():
    spacings = np.full(30, 1.7)
    spacings[:4] *= [0.82, 0.85, 0.9, 0.95]  # selvedges crowd a little; common practice
    for seed in range(20):
        assert crowded_edges(*ends(spacings, 0.06, seed)) == []


@pytest.mark.parametrize("side", ["left", "right"])
def test_a_crowded_edge_is_found_with_its_side(side):
    spacings = np.full(30, 1.7)
    spacings[:5] *= 0.65
    (found,) = crowded_edges(*ends(spacings if side == "left" else spacings[::-1], 0.05))
    assert found.kind == "crowded-edge"
    assert (found.across_mm < 0) == (side == "left")
    assert found.clearness == pytest.approx(0.65, abs=0.05)


def test_one_close_pair_is_no_crowded_edge():
    spacings = np.full(30, 1.7)
    spacings[1] *= 0.3
    assert crowded_edges(*ends(spacings)) == []


def test_few_ends_are_not_judged():
    assert crowded_edges(*ends(np.array([0.5, 0.5, 0.5, 0.5, 1, 1, 1, 1]))) == []
