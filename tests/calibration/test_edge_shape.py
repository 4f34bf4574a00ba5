"""An edge with a shadow or a lit side face along it is found where it is, not where the slope is steepest."""

import math

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d
from scipy.stats import norm

from pickglass.calibration.edge_shape import _normal_cdf, _shape, has_strip, strip_shift

FINE_PX = 0.01


def blurred(
    edge_px: float, strip_level: float, width_px: float, blur_px: float, inside: float, outside: float
):
    """Profile of a step with a strip outside it, blurred by SciPy's own Gaussian filter."""
    fine = np.arange(-20, 20, FINE_PX)
    sharp = np.where(fine < edge_px, inside, np.where(fine < edge_px + width_px, strip_level, outside))
    smooth = gaussian_filter1d(sharp, blur_px / FINE_PX)
    across = np.arange(-9, 9.01, 0.25)
    return across, np.repeat(np.interp(across, fine, smooth)[:, None], 3, axis=1)


def first_slope(across, profile) -> float:
    slope = np.abs(np.gradient(profile[:, 0]))
    peak = np.flatnonzero(
        (slope[1:-1] > slope[:-2]) & (slope[1:-1] >= slope[2:]) & (slope[1:-1] > 0.2 * slope.max())
    )
    return float(across[peak[0] + 1])


def test_normal_distribution() -> None:
    z = np.linspace(-5, 5, 201)
    # Abramowitz and Stegun, 7.1.26, states an error of 1.5e-7 for erf.
    np.testing.assert_allclose(_normal_cdf(z), norm.cdf(z), atol=1e-7)


@pytest.mark.parametrize("fading", [True, False])
def test_strip_shape_against_a_gaussian_filter(fading: bool) -> None:
    fine = np.arange(-20, 20, FINE_PX)
    sharp = ((fine >= 0) & (fine < 4.0)) * ((1 - fine / 4.0) if fading else 1.0)
    expected = gaussian_filter1d(sharp, 1.3 / FINE_PX)
    # The filter's own sampling and its cut at 4 sigma leave 0.003.
    np.testing.assert_allclose(_shape(fine, 1.3, 4.0, fading), expected, atol=4e-3)


@pytest.mark.parametrize(
    ("strip_level", "width_px", "blur_px", "inside", "outside"),
    [(0.05, 3.0, 1.4, 0.3, 0.6), (0.1, 2.0, 1.5, 0.3, 0.5), (0.9, 2.5, 1.3, 0.6, 0.1)],
)
def test_strip_is_taken_off(strip_level, width_px, blur_px, inside, outside) -> None:
    across, profile = blurred(0.0, strip_level, width_px, blur_px, inside, outside)
    first = first_slope(across, profile)
    assert first < -0.2  # what the steepest slope alone would say
    assert has_strip(profile, across - first)
    shift, std = strip_shift(profile, across - first)
    # Blur and width of the strip are not known; the claimed uncertainty must cover what that costs (k = 2).
    assert abs(first + shift) < 2 * std
    assert 0.0 < std < 1.0


def test_plain_steps_and_plain_shadows_have_no_strip() -> None:
    for strip_level in (0.6, 0.45, 0.3):  # none; a half shadow between the two levels
        across, profile = blurred(0.0, strip_level, 3.0, 1.3, 0.2, 0.6)
        assert not has_strip(profile, across - first_slope(across, profile))
    assert math.isfinite(strip_shift(profile, across)[0])
