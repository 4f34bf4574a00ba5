"""General figures: common practice of the trade, each a range, each marked as such."""

import math

import pytest

from pickglass.calibration.errors import UsageError
from pickglass.measure.priors import FIBRES, prior_percent, prior_sampling, prior_shrinkage, prior_waste


# Common practice, no single source: shrinkage in the first wash, percent of the off-loom length.
@pytest.mark.parametrize(
    ("fibre", "low", "high"), [("wool", 10, 25), ("cotton", 5, 15), ("linen", 3, 8), ("silk", 3, 8)]
)
def test_shrinkage_of_fibres(fibre, low, high):
    prior = prior_shrinkage("shrinkage of the width", "off-loom width", fibre)
    assert prior.origin == "prior"
    assert prior.value == pytest.approx((low + high) / 2)
    # Rectangular over the range (GUM 4.3.7): half-width over root three.
    assert prior.standard == pytest.approx((high - low) / 2 / math.sqrt(3))


# Weavers' records: floor loom 27-36 in, rigid heddle 18-26 in, small band loom 50 in of path giving 39.5 in (10.5 in).
# Body-tensioned looms: common practice 12-24 in, no published figure.
@pytest.mark.parametrize(
    ("loom", "inside"),
    [("floor", (27, 36)), ("rigid-heddle", (18, 26)), ("small-band", (10.5,)), ("body-tensioned", (12, 24))],
)
def test_waste_of_looms(loom, inside):
    prior = prior_waste(loom)
    half = prior.standard * math.sqrt(3) / 25.4
    for inches in inside:
        assert abs(inches - prior.value / 25.4) <= half + 1e-9


def test_an_unnamed_fibre_is_the_least_sure():
    unnamed = prior_shrinkage("shrinkage of the width", "off-loom width", None)
    assert all(unnamed.standard > prior_shrinkage("s", "b", fibre).standard for fibre in FIBRES)


def test_a_band_takes_up_more_than_balanced_cloth():
    assert (
        prior_percent("take-up of a band", "warp length").value
        > prior_percent("take-up", "warp length").value
    )


def test_a_sampled_yarn_needs_no_sampler():
    assert prior_sampling(True) == 0.0
    assert prior_sampling(False) == pytest.approx(12 * 25.4)


def test_unknown_words_are_told_what_is_known():
    with pytest.raises(UsageError, match="not known") as caught:
        prior_shrinkage("s", "b", "nettle")
    assert "linen" in caught.value.next_step
    with pytest.raises(UsageError):
        prior_waste("backyard")
