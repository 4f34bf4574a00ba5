"""Medians and percentiles must be numpy's to the last digit, whatever the kind of numbers."""

import subprocess
import sys

import numpy as np
import pytest

from pickglass.calibration.ranks import median, percentile

SHAPES = ((1,), (2,), (7,), (8,), (41,), (3, 4), (5, 6, 7), (1, 1), (40, 41))


def numbers(kind, shape, *, unknown=False):
    rng = np.random.default_rng(7)
    values = (100 * rng.normal(size=shape)).round(3)
    if kind is not np.bool_ and np.issubdtype(kind, np.unsignedinteger):
        values = np.abs(values)
    values = values > 0 if kind is np.bool_ else values.astype(kind)
    if unknown:
        values.flat[rng.integers(values.size)] = np.nan
    return values


def assert_same(found, expected):
    np.testing.assert_array_equal(found, expected)
    assert np.shape(found) == np.shape(expected)
    assert np.asarray(found).dtype == np.asarray(expected).dtype


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("kind", [np.float64, np.float32, np.int64, np.uint8, np.bool_])
def test_equal_numpy(kind, shape):
    values = numbers(kind, shape)
    for axis in (None, *range(-1, len(shape))):
        assert_same(median(values, axis), np.median(values, axis=axis))
        if kind is not np.bool_:
            for percent in (0, 5, 10, 33.3, 75, 80, 85.0, 90, 95, 100):
                found, expected = (
                    percentile(values, percent, axis),
                    np.percentile(values, percent, axis=axis),
                )
                assert np.asarray(found).dtype == np.asarray(expected).dtype
                # Numpy before 2.4 works the place out in single precision where the values are.
                tolerance = 1e-5 if kind is np.float32 else 0.0
                np.testing.assert_allclose(found, expected, rtol=tolerance)


@pytest.mark.parametrize("kind", [np.float64, np.float32])
def test_one_unknown_number_makes_the_result_unknown(kind):
    values = numbers(kind, (9, 10), unknown=True)
    for axis in (None, 0, 1):
        assert np.isnan(median(values, axis)).any()
        assert_same(median(values, axis), np.median(values, axis=axis))
        np.testing.assert_allclose(
            percentile(values, 80, axis), np.percentile(values, 80, axis=axis), rtol=1e-5
        )


def test_nothing_has_no_median():
    with pytest.warns(RuntimeWarning):
        assert np.isnan(median([]))


def test_masked_arrays_are_not_loaded():
    code = (
        "import sys; from pickglass.calibration.ranks import median, percentile; median([1.0, 2.0]); "
        "percentile([1.0, 2.0], 80); print('numpy.ma' in sys.modules)"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "False"
