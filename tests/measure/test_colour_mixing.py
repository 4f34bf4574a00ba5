"""Ends told apart by the light around them: what mixes and what does not, and which of two colours is there."""

import numpy as np

from pickglass.measure.colour_mixing import Settled, drop_needless, look_like_two, settle_colours, unmixable

NAVY, WHITE, RUST = (0.025, 0.047, 0.16), (0.88, 0.9, 0.93), (0.38, 0.08, 0.034)
PLACES = 9


def light_of(colours: np.ndarray, palette: np.ndarray) -> np.ndarray:
    """Return the light of ends that show half of themselves in their middle and more of their neighbours beside it."""
    paint = palette[colours]
    padded = np.pad(paint, [(1, 1), (0, 0)], mode="edge")
    at = np.linspace(-0.5, 0.5, PLACES)[None, :, None]
    left, right = np.clip(-at, 0, 1), np.clip(at, 0, 1)
    own = 1.0 - np.abs(at)
    return 0.6 * (own * paint[:, None] + left * padded[:-2, None] + right * padded[2:, None])


def test_rust_is_no_mixture_of_navy_and_white_but_grey_blue_is() -> None:
    between = tuple(0.5 * (a + b) for a, b in zip(NAVY, WHITE, strict=True))
    assert unmixable(np.array([NAVY, WHITE, RUST])).tolist()[2]
    assert not unmixable(np.array([NAVY, WHITE, between]))[2]


def test_the_shade_of_a_colour_is_not_another() -> None:
    shade = tuple(0.3 * c for c in RUST)
    assert not unmixable(np.array([RUST, WHITE, shade]))[2]


def test_a_colour_that_must_stay_is_not_explained_away() -> None:
    order = np.array([0] * 6 + [1, 2] * 6 + [1] + [0] * 6)
    palette = np.array([NAVY, WHITE, RUST])
    free = np.ones(len(order), dtype=bool)
    kept, settled = drop_needless(
        light_of(order, palette), order, palette, free, np.array([False, False, True])
    )
    assert 2 in kept
    assert np.array_equal(kept[settled.colours], order)


def test_of_two_colours_that_stand_for_each_other_the_rarer_goes() -> None:
    truth = np.array([0] * 8 + [1] * 8 + [0] * 8)
    palette = np.array([NAVY, WHITE, tuple(1.2 * c for c in NAVY)])
    voted = truth.copy()
    voted[3] = 2  # a single end whose shadow was taken for a colour of its own
    kept, settled = drop_needless(
        light_of(truth, palette[:2]), voted, palette, np.ones(len(truth), dtype=bool)
    )
    assert kept.tolist() == [0, 1]
    assert np.array_equal(settled.colours, truth)


def test_no_light_at_all_is_settled_too() -> None:
    dark = np.zeros((12, PLACES, 3))
    colours = np.zeros(12, dtype=np.intp)
    settled = settle_colours(dark, colours, np.array([NAVY]), np.ones(12, dtype=bool))
    assert np.array_equal(settled.colours, colours)


def leaning(colours: list[int], lean: list[float]) -> Settled:
    found = np.array(colours, dtype=np.intp)
    return Settled(colours=found, error=np.zeros(len(found)), odds=np.zeros(len(found)), lean=np.array(lean))


def test_one_colour_that_falls_into_two_is_seen() -> None:
    scatter = 0.002 * np.arange(24) % 0.005
    lean = [0.12 * (i % 2) + float(scatter[i]) for i in range(24)]
    assert look_like_two(leaning([0] * 24, lean)).all()


def test_ends_that_differ_only_by_their_neighbours_are_one_colour() -> None:
    # Navy between navy and navy between white ends: what shines over from white lightens the latter alike.
    colours = [0] * 10 + [1, 0] * 6 + [0] * 10
    lean = [0.1 if 10 <= i < 22 and c == 0 else 0.001 * (i % 3) for i, c in enumerate(colours)]
    assert not look_like_two(leaning(colours, lean)).any()
