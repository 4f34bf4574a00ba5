"""Flat pictures: right geometry, no aliasing, no up-sampling."""

import cv2
import numpy as np
import pytest
from bank_card_scene import card_homography

from pickglass.calibration.flatten import flatten, resample, sensible_px_per_mm
from pickglass.calibration.photo import Photo
from pickglass.calibration.plane import Lens, Plane, scaling_plane


def smooth_noise(shape: tuple[int, int], seed: int = 0) -> np.ndarray:
    noise = np.random.default_rng(seed).normal(0, 1, shape)
    smooth = cv2.GaussianBlur(noise, (0, 0), 4)
    return np.repeat(np.rint(128 + 60 * smooth / np.abs(smooth).max())[..., None], 3, axis=2).astype(np.uint8)


def test_flat_picture_matches_warp_perspective() -> None:
    """Reference: OpenCV's own perspective warp of the same homography."""
    photo = Photo(bgr=smooth_noise((500, 700)), name="noise")
    homography = card_homography(
        shape=(500, 700),
        focal_px=800,
        distance_mm=150,
        tilt_deg=12,
        tilt_towards_deg=40,
        turn_deg=9,
        shift_mm=(0, 0),
    )
    flat = flatten(photo, Plane(px_from_mm=homography, source="bank-card"), (-30, -20, 30, 20), 5.0)
    assert flat.px_per_mm == 5.0
    mm_from_flat = np.array([[1 / 5, 0, -30], [0, 1 / 5, -20], [0, 0, 1.0]])
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    reference = cv2.warpPerspective(photo.bgr, homography @ mm_from_flat, flat.bgr.shape[1::-1], flags=flags)
    # One or two grey levels: OpenCV rounds positions to 1/32 px.
    assert np.abs(flat.bgr.astype(int) - reference).max() <= 3


def test_lens_distortion_is_followed() -> None:
    lens = Lens(focal_px=800.0, centre_px=(349.5, 249.5), k1=-0.05)
    plane = Plane(
        px_from_mm=np.array([[5.0, 0, 349.5], [0, 5.0, 249.5], [0, 0, 1]]), source="bank-card", lens=lens
    )
    ramp = np.repeat(np.repeat(np.linspace(0, 255, 700)[None, :, None], 500, axis=0), 3, axis=2)
    flat = flatten(Photo(bgr=ramp.astype(np.uint8), name="ramp"), plane, (-60, -40, 60, 40), 4.0)
    where = plane.to_px(np.array([50.0, 30.0]))
    assert flat.bgr[280, 440, 0] == pytest.approx(255 * where[0] / 699, abs=1.5)


def test_fine_stripes_do_not_fold_into_coarse_ones() -> None:
    """Stripes of 2.2 px, reduced to a fifth: without low-pass they would fold to a strong beat (Nyquist)."""
    columns = np.arange(1000)
    stripes = 127.5 + 127.5 * np.sin(2 * np.pi * columns / 2.2)
    bgr = np.repeat(np.repeat(stripes[None, :, None], 400, axis=0), 3, axis=2).astype(np.uint8)
    photo = Photo(bgr=bgr, name="stripes")
    flat = flatten(photo, scaling_plane(10.0, "given"), (2.0, 2.0, 98.0, 38.0), 2.0)
    assert flat.px_per_mm == 2.0
    naive = bgr[::5, ::5, 0].astype(float)
    assert naive.std() > 60
    assert flat.bgr[..., 0].astype(float).std() < 0.12 * naive.std()


def test_never_finer_than_the_photo() -> None:
    photo = Photo(bgr=smooth_noise((300, 400)), name="noise")
    flat = flatten(photo, scaling_plane(6.0, "given"), (5, 5, 40, 30), 50.0)
    assert flat.px_per_mm == pytest.approx(6.0)
    assert flat.bgr.shape == (151, 211, 3)
    # At the photo's own sampling the flat picture is the photo itself.
    np.testing.assert_array_equal(flat.bgr, photo.bgr[30:181, 30:241])


def test_sensible_sampling_is_that_of_the_near_side() -> None:
    homography = card_homography(
        shape=(500, 700),
        focal_px=800,
        distance_mm=150,
        tilt_deg=20,
        tilt_towards_deg=0,
        turn_deg=0,
        shift_mm=(0, 0),
    )
    plane = Plane(px_from_mm=homography, source="bank-card")
    ends = [plane.px_per_mm_at(np.array([x, 0.0])) for x in (-30.0, 30.0)]
    assert sensible_px_per_mm(plane, (-30, -1, 30, 1)) == pytest.approx(max(ends), rel=0.01)


def test_area_must_have_size() -> None:
    with pytest.raises(ValueError, match="region_mm"):
        flatten(Photo(bgr=smooth_noise((100, 100)), name="n"), scaling_plane(1.0, "none"), (5, 5, 5, 9))


def test_resample_keeps_pixel_centres_when_reducing() -> None:
    """A linear ramp stays the same ramp at any reduction: no half-pixel slip."""
    ramp = np.repeat(np.linspace(0, 250, 501)[None, :], 300, axis=0).astype(np.uint8)
    for reduction in (1.0, 0.5, 0.23):
        x, y = np.meshgrid(np.linspace(50, 450, 101), np.linspace(50, 250, 50))
        got = resample(ramp, np.stack([x, y], axis=-1).astype(np.float32), reduction=reduction)
        assert np.abs(got - 0.5 * x).max() <= 1.0
