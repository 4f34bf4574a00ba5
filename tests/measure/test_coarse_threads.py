"""Threads farther apart than the spectra look for, as in a close photo of a rug: read in a reduced picture."""

from __future__ import annotations

import numpy as np
import pytest

from cloth import make_cloth
from pickglass.calibration.photo import Photo
from pickglass.calibration.plane import scaling_plane
from pickglass.measure.frame import ClothPatch, straight_frame
from pickglass.measure.sett import SettOptions, measure_sett


@pytest.mark.parametrize("weave", ["plain", "twill 2/2"])
def test_coarse_threads_are_counted_in_pixels_of_the_photo(weave):
    cloth = make_cloth((1500, 1600), end_pitch_px=82.0, pick_pitch_px=74.0, weave=weave, seed=4)
    found = measure_sett(
        Photo(bgr=cloth.bgr, name="rug.png"), scaling_plane(1.0, "none"), SettOptions(all_cloth=True)
    )
    assert found.patch.reduced_by == 2
    assert found.result.ends.per_1000_px == pytest.approx(1000.0 / cloth.end_pitch_px, rel=0.02)
    assert found.result.picks.per_1000_px == pytest.approx(1000.0 / cloth.pick_pitch_px, rel=0.02)


def test_threads_within_reach_are_left_as_photographed():
    cloth = make_cloth((700, 800), end_pitch_px=30.0, pick_pitch_px=28.0, seed=4)
    photo = Photo(bgr=cloth.bgr, name="mat.png")
    assert measure_sett(photo, scaling_plane(1.0, "none"), SettOptions(all_cloth=True)).patch.reduced_by == 1


def test_a_reduced_patch_shows_the_same_places():
    rows, columns = np.mgrid[:41, :62].astype(np.float64)
    ramp = np.stack([2.0 * columns, 3.0 * rows, columns + rows], axis=-1)
    patch = ClothPatch(
        bgr=ramp.astype(np.uint8),
        mask=columns < 30,
        px_per_mm=8.0,
        u0_mm=-3.0,
        v0_mm=5.0,
        frame=straight_frame(np.zeros(2), np.array([0.0, 1.0]), 10.0),
    )
    small = patch.reduced(4)
    assert small.bgr.shape == (10, 15, 3)
    assert (small.px_per_mm, small.reduced_by) == (2.0, 4)
    # Pixel (2, 3) of the small one lies where rows 8 to 11 and columns 12 to 15 have their middle.
    u_mm, v_mm = small.u0_mm + 3 / small.px_per_mm, small.v0_mm + 2 / small.px_per_mm
    assert (u_mm, v_mm) == pytest.approx((patch.u0_mm + 13.5 / 8.0, patch.v0_mm + 9.5 / 8.0))
    np.testing.assert_allclose(small.bgr[2, 3], [27, 28.5, 23], atol=0.51)
    np.testing.assert_array_equal(small.mask[0], np.arange(15) < 7)
