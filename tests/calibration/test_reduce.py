"""Quick ways of averaging areas give the means, in their place."""

import cv2
import numpy as np
import pytest

from pickglass.calibration.reduce import block_means, shrink


def picture(shape):
    return np.random.default_rng(5).integers(0, 256, shape, dtype=np.uint8)


@pytest.mark.parametrize("block", [1, 2, 3, 4, 5])
@pytest.mark.parametrize("shape", [(61, 47), (60, 48, 3)])
def test_means_of_blocks_are_right_to_the_rounding(shape, block):
    source = picture(shape)
    rows, columns = shape[0] // block, shape[1] // block
    whole = source[: rows * block, : columns * block].astype(np.float64)
    true = whole.reshape(rows, block, columns, block, *shape[2:]).mean(axis=(1, 3))
    found = block_means(source, block)
    assert found.dtype == np.uint8
    assert np.abs(found - true).max() <= 0.5 + 1e-9


def test_shrinking_in_two_steps_keeps_places_and_levels():
    """A ramp tells where every area lay: half a level of rounding, no shift."""
    ramp = np.tile(np.linspace(0, 255, 1000).round().astype(np.uint8), (800, 1))
    small = shrink(ramp, (150, 120))
    wanted = cv2.resize(ramp.astype(np.float32), (150, 120), interpolation=cv2.INTER_AREA)
    assert small.shape == (120, 150)
    assert np.abs(small - wanted).max() <= 1.0
    assert abs(float((small - wanted).mean())) < 0.3
