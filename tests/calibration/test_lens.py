"""Learning a lens from photos of the page card, against the camera that took them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from card_scene import Shot, as_photo, card_raster, photograph, replace

from pickglass.calibration.card_memory import CheckBars, LensRecord
from pickglass.calibration.errors import QualityError, ScaleError, UsageError
from pickglass.calibration.lens import known_lens, learn_lens
from pickglass.calibration.photo import Photo

CHECKED = {"A4-1": CheckBars(across_mm=100.0, upright_mm=100.0)}
SHOT = Shot(width_px=1600, height_px=1200, focal_35mm=26.4, k1=-0.035)
SIDES = [
    replace(SHOT),
    replace(SHOT, tilt_deg=22.0, tilt_towards_deg=20.0, distance_mm=450.0),
    replace(SHOT, tilt_deg=20.0, tilt_towards_deg=140.0, distance_mm=450.0, roll_deg=84.0),
    # upright photo of a lying card: another size, the same lens
    replace(
        SHOT,
        tilt_deg=21.0,
        tilt_towards_deg=260.0,
        distance_mm=450.0,
        width_px=1200,
        height_px=1600,
        roll_deg=3.0,
    ),
]


def take(shot: Shot) -> Photo:
    return as_photo(photograph(card_raster("A4-1"), shot), shot)


@pytest.fixture(scope="module")
def photos() -> list[Photo]:
    return [take(shot) for shot in SIDES]


def test_focal_length_and_distortion_come_back(photos: list[Photo]):
    learned = learn_lens(photos, CHECKED)
    record = learned.record
    truth = SHOT.focal_px / math.hypot(1600, 1200)
    assert learned.focal_from_photos
    assert record.focal_per_diagonal == pytest.approx(truth, abs=3 * record.focal_per_diagonal_u)
    assert record.focal_per_diagonal == pytest.approx(truth, rel=0.006)
    assert record.k1 == pytest.approx(SHOT.k1, abs=0.002)
    assert (record.camera, record.focal_length_mm, record.photos) == ("Invented Phone 1", 5.4, 4)
    assert learned.rms_px < 0.3
    # x_d = x_u (1 + k1 r^2) at the corner, half a diagonal from the centre (OpenCV's model)
    assert learned.corner_shift_percent == pytest.approx(100 * SHOT.k1 * (0.5 / truth) ** 2, rel=0.06)


def test_photos_from_straight_above_keep_the_focal_length_of_the_file():
    straight = [take(replace(SHOT, roll_deg=90.0 + 4 * k, seed=k)) for k in range(3)]
    learned = learn_lens(straight, CHECKED)
    assert not learned.focal_from_photos
    assert learned.record.focal_per_diagonal == pytest.approx(26.0 / math.hypot(36, 24), rel=1e-3)
    # The focal length is 1.5 % off, so r^2 is 3 % off, and k1 with it.
    assert learned.record.k1 == pytest.approx(SHOT.k1, abs=0.004)


def test_known_lens_fits_photos_of_any_size(photos: list[Photo]):
    record = LensRecord(
        camera="Invented Phone 1",
        focal_length_mm=5.4,
        focal_per_diagonal=0.61,
        focal_per_diagonal_u=0.002,
        k1=-0.02,
        k1_u=0.001,
        photos=3,
    )
    small = known_lens(photos[0], [record])
    large = known_lens(replace(photos[0], bgr=np.zeros((2400, 3200, 3), np.uint8)), [record])
    assert small is not None
    assert large is not None
    assert large.focal_px == pytest.approx(2 * small.focal_px)
    assert large.centre_px == (1599.5, 1199.5)
    assert small.k1 == large.k1 == -0.02
    assert known_lens(replace(photos[0], camera="Invented Phone 2"), [record]) is None
    assert known_lens(replace(photos[0], focal_length_mm=9.0), [record]) is None
    assert known_lens(replace(photos[0], camera=None), [record]) is None


def test_what_cannot_be_learned_from_is_refused(photos: list[Photo]):
    with pytest.raises(UsageError, match="too few"):
        learn_lens(photos[:2], CHECKED)
    with pytest.raises(UsageError, match="which camera"):
        learn_lens([*photos[:2], replace(photos[2], camera=None)], CHECKED)
    with pytest.raises(UsageError, match="different lenses"):
        learn_lens([*photos[:2], replace(photos[2], focal_length_mm=2.2)], CHECKED)
    empty = replace(photos[2], bgr=np.full((1200, 1600, 3), 127, np.uint8), name="table.jpg")
    with pytest.raises(ScaleError, match=r"table\.jpg"):
        learn_lens([*photos[:2], empty], CHECKED)
    curled = replace(take(replace(SHOT, curl_mm=9.0, tilt_deg=5.0)), name="curled.jpg")
    with pytest.raises(ScaleError, match=r"curled\.jpg"):
        learn_lens([*photos[:2], curled], CHECKED)


def test_photos_that_agree_with_no_lens_are_refused(photos: list[Photo]):
    """The same tags on pictures zoomed after they were taken."""
    import cv2

    zoomed = []
    for k, photo in enumerate(photos[:3]):
        x, y = 110 * k, 0
        cut = photo.bgr[y : y + 1200, x : x + 1600 - 110 * k]
        wide = cv2.resize(cut, (1600, 1200), interpolation=cv2.INTER_LINEAR)
        zoomed.append(replace(photo, bgr=np.asarray(wide, np.uint8)))
    with pytest.raises((QualityError, ScaleError)):
        learn_lens(zoomed, CHECKED)
