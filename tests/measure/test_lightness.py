"""The lightness that the network sees, beside the weights of ITU-R BT.601."""

import numpy as np
import pytest

from pickglass.measure.lightness import cloth_lightness


@pytest.mark.parametrize(
    ("bgr", "share"), [((255, 0, 0), 0.114), ((0, 255, 0), 0.587), ((0, 0, 255), 0.299), ((255,) * 3, 1.0)]
)
def test_weighs_the_colours_as_the_standard_does(bgr, share):
    picture = np.full((4, 5, 3), bgr, np.uint8)
    assert cloth_lightness(picture) == pytest.approx(np.full((4, 5), 255 * share), abs=0.5)


def test_is_the_same_for_bytes_and_floats_of_the_same_picture():
    picture = np.random.default_rng(1).integers(0, 256, (20, 30, 3)).astype(np.uint8)
    assert np.array_equal(cloth_lightness(picture), cloth_lightness(picture.astype(np.float32)))


def test_takes_what_lies_beyond_white_and_black_for_white_and_black():
    beyond = np.array([[[-40.0, -1.0, -0.5], [300.0, 256.0, 1e4]]], np.float32)
    assert cloth_lightness(beyond).tolist() == [[0.0, 255.0]]
