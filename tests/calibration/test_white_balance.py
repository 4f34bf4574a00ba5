"""White balance from the card's patches: on drawn and path-traced photos with a colour cast, and where it must not be."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from card_scene import Shot, as_photo, card_raster, photograph

from pickglass.calibration.card_memory import CheckBars
from pickglass.calibration.photo import Photo, load_photo
from pickglass.calibration.plane import scaling_plane
from pickglass.calibration.printed_card import find_printed_cards, neutral_patches_px
from pickglass.calibration.white_balance import WhiteBalance, find_white_balance

CHECKED = {code: CheckBars(across_mm=100.0, upright_mm=100.0) for code in ("A4-1", "POCKET-1", "RAIL-1")}
SHOT = Shot(width_px=1600, height_px=1200, tilt_deg=6.0)
DEMO = Path(__file__).parents[2] / "sample_images" / "page_card_checked.jpg"
LUMINANCE = np.array([0.0722, 0.7152, 0.2126])


def linear(level):
    level = np.asarray(level) / 255.0
    return np.where(level <= 0.04045, level / 12.92, ((level + 0.055) / 1.055) ** 2.4)


def tinted(bgr, cast):
    """The same picture in light of another colour (factors of blue, green, red in linear light)."""
    light = np.clip(linear(bgr) * np.array(cast), 0, 1)
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.rint(255 * coded).astype(np.uint8)


@pytest.mark.parametrize("cast", [(1.0, 1.0, 1.0), (0.6, 0.9, 1.0), (1.0, 0.92, 0.75)])
@pytest.mark.parametrize("code", ["A4-1", "POCKET-1"])
def test_a_cast_is_taken_out(code, cast):
    shot = SHOT if code == "A4-1" else replace(SHOT, aim_mm=(60.0, 40.0), distance_mm=260.0)
    picture = tinted(photograph(card_raster(code), shot), cast)
    photo = as_photo(picture, shot)
    (plane,) = find_printed_cards(photo, CHECKED)
    balance = find_white_balance(photo, plane)
    assert balance is not None
    expected = (np.array(cast) @ LUMINANCE) / np.array(cast)
    assert np.array(balance.gains) == pytest.approx(expected, rel=0.03)
    neutral = balance.apply(picture)
    for quads in neutral_patches_px(plane, picture.shape).values():
        x, y = quads[0].mean(axis=0).astype(int)
        patch = neutral[y - 5 : y + 6, x - 5 : x + 6].reshape(-1, 3).mean(axis=0)
        assert np.ptp(patch) < 4.0


def test_path_traced_photo_in_two_lights_comes_out_alike():
    """Rendered paper is warmer than neutral and lit by a window and a room; a cast over all must vanish."""
    photo = load_photo(DEMO)
    (plane,) = find_printed_cards(photo, CHECKED)
    plain = find_white_balance(photo, plane)
    yellow = replace(photo, bgr=tinted(photo.bgr, (0.65, 0.93, 1.0)))
    other = find_white_balance(yellow, plane)
    assert plain is not None
    assert other is not None
    cloth = (slice(1300, 1700), slice(1800, 2200))
    before = plain.apply(photo.bgr)[cloth].reshape(-1, 3).mean(axis=0)
    after = other.apply(yellow.bgr)[cloth].reshape(-1, 3).mean(axis=0)
    raw = np.abs(yellow.bgr[cloth].reshape(-1, 3).mean(axis=0) - photo.bgr[cloth].reshape(-1, 3).mean(axis=0))
    assert raw.max() > 15.0  # the cast was there
    assert after / after.mean() == pytest.approx(before / before.mean(), rel=0.02)


def test_covered_or_blown_patches_are_not_believed():
    picture = photograph(card_raster("A4-1"), SHOT)
    (plane,) = find_printed_cards(as_photo(picture, SHOT), CHECKED)
    rng = np.random.default_rng(1)
    covered, blown, red = picture.copy(), picture.copy(), picture.copy()
    for quads in neutral_patches_px(plane, picture.shape).values():
        (x0, y0), (x1, y1) = quads[0].min(axis=0).astype(int) - 3, quads[0].max(axis=0).astype(int) + 3
        covered[y0:y1, x0:x1] = rng.integers(0, 255, (y1 - y0, x1 - x0, 3))
        blown[y0:y1, x0:x1] = 255
        red[y0:y1, x0:x1] = (40, 40, 190)
    for spoiled in (covered, blown, red):
        assert find_white_balance(as_photo(spoiled, SHOT), plane) is None
    bank = Photo(bgr=picture, name="p.jpg")
    assert find_white_balance(bank, scaling_plane(5.0, "given")) is None


def test_grey_stays_grey_without_a_cast():
    ramp = np.repeat(np.arange(256, dtype=np.uint8)[:, None, None], 3, axis=2)
    assert np.array_equal(WhiteBalance(gains=(1.0, 1.0, 1.0)).apply(ramp), ramp)
