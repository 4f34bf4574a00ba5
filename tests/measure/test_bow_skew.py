"""Worked examples from the definitions of ASTM D3882-08(2020); the numbers are computed from them."""

import numpy as np
import pytest

from pickglass.measure.bow_skew import pick_shape

WIDTH = 60.0  # inches in the examples; the unit cancels


def arc(width: float, depth: float) -> tuple[np.ndarray, np.ndarray]:
    """A circular arc over `width` with its middle `depth` farther along."""
    radius = (width**2 / 4 + depth**2) / (2 * depth)
    u = np.linspace(-width / 2, width / 2, 101)
    return u, np.sqrt(radius**2 - u**2) - (radius - depth)


def test_bow_of_the_worked_example() -> None:
    u, v = arc(WIDTH, 1.5)
    assert pick_shape(u, v).bow_percent == pytest.approx(2.5, abs=1e-9)


def test_bow_towards_the_beginning_is_a_frown_with_a_minus() -> None:
    u, v = arc(WIDTH, 1.5)
    assert pick_shape(u, -v).bow_percent == pytest.approx(-2.5, abs=1e-9)


def test_slope_of_an_arc_at_the_edge_is_four_depths_over_the_width() -> None:
    u, v = arc(WIDTH, 1.5)
    slope = (v[1] - v[0]) / (u[1] - u[0])
    # To first order in depth / width (0.025): the next term is about 0.6 % of it; the chord over 1/100 takes 1 %.
    assert slope == pytest.approx(4 * 1.5 / WIDTH, rel=0.03)


def test_skew_of_the_worked_example() -> None:
    u = np.linspace(0, WIDTH, 21)
    shape = pick_shape(u, 2.4 * u / WIDTH)
    assert shape.skew_percent == pytest.approx(4.0, abs=1e-9)
    assert np.rad2deg(np.arctan(shape.skew_percent / 100)) == pytest.approx(2.29, abs=0.005)
    assert shape.bow_percent == pytest.approx(0.0, abs=1e-9)


def test_skew_does_not_change_the_bow() -> None:
    u, v = arc(WIDTH, 1.5)
    shape = pick_shape(u, v + 0.04 * u)
    assert shape.bow_percent == pytest.approx(2.5, abs=1e-9)
    assert shape.skew_percent == pytest.approx(4.0, abs=1e-9)


def test_a_hooked_pick_counts_its_greatest_depth_not_that_in_the_middle() -> None:
    u = np.linspace(0, 100, 201)
    v = np.where(u < 20, u / 20, (100 - u) / 80) * 3.0  # deepest 3.0 at one fifth
    assert pick_shape(u, v).bow_percent == pytest.approx(3.0, abs=1e-9)


def test_several_picks_are_averaged_before_the_maximum_is_taken() -> None:
    rng = np.random.default_rng(3)
    u = np.tile(np.linspace(0, 50, 24), (40, 1))
    v = rng.normal(0, 0.2, u.shape) + np.arange(40)[:, None]
    # 24 points of standard deviation 0.2 / sqrt(40): the largest of them stays below 4 of these, 0.25 % of the width.
    assert abs(pick_shape(u, v).bow_percent) < 0.4
    assert max(abs(pick_shape(a, b).bow_percent) for a, b in zip(u, v, strict=True)) > 0.8


def test_a_pick_that_runs_backwards_is_a_mistake_of_the_caller() -> None:
    with pytest.raises(ValueError, match="left to the right"):
        pick_shape(np.array([1.0, 0.0]), np.array([0.0, 0.0]))
