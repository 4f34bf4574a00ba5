"""The fringe tells the way of the warp, however the photo is turned, and only where it is seen at both sides."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pickglass.calibration.photo import load_photo
from pickglass.calibration.scale import find_scale
from pickglass.measure.sample import find_sample
from pickglass.measure.sett import measure_sett
from pickglass.measure.warp_way import FringeSides

SAMPLES = Path(__file__).parents[2] / "sample_images"
NOTHING = float("nan")


@pytest.fixture(scope="module")
def sampler():
    return load_photo(SAMPLES / "sampler_plain.jpg")


def turned(photo):
    return replace(photo, bgr=np.ascontiguousarray(np.rot90(photo.bgr)))


def test_a_sampler_photographed_sideways_keeps_its_ends_and_picks(sampler):
    photo = turned(sampler)
    result = measure_sett(photo, find_scale(photo)).result
    assert (result.ends.count, result.picks.count) == (50, 63)
    assert (result.sample.warp_from, result.sample.warp_runs) == ("fringe", "across")


def test_the_fringe_of_an_upright_sampler_confirms_its_warp(sampler):
    sample = find_sample(sampler, find_scale(sampler))
    assert sample.fringe_tells == "down"


def test_what_the_weaver_says_goes_before_the_fringe(sampler):
    photo = turned(sampler)
    sample = find_sample(photo, find_scale(photo), warp="down")
    along = np.abs(np.diff(sample.frame.centre_mm[[0, -1]], axis=0))[0]
    assert sample.fringe_tells is None
    assert along[1] > along[0]


@pytest.mark.parametrize(
    ("along", "across", "told"),
    [
        ((-1.2, -0.9), (0.1, -0.2), "along"),
        ((0.1, -0.2), (-1.2, -0.9), "across"),
        ((-1.2, -0.1), (0.0, 0.0), None),  # one side only: the other end is cut close
        ((-0.6, -0.5), (-0.5, -0.4), None),  # blurred all around
        ((-1.2, NOTHING), (0.0, 0.0), None),  # under the card
        ((-1.2, -1.1), (0.0, NOTHING), None),
    ],
)
def test_only_a_clear_fringe_at_both_sides_tells(along, across, told):
    sides = FringeSides(along=along, across=across)
    assert (sides.warp_along, sides.warp_across) == (told == "along", told == "across")
