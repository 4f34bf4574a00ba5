"""What must not change, and what must change along, when the same cloth is photographed differently.

Tolerances: two readings of one cloth may differ by what both state as their uncertainty together, and the
statement itself must stay below one thread of those counted plus 1 %, so that no test passes by knowing nothing.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from cloth import Camera, Setting, Yarn, make_cloth
from pickglass.calibration.budget import combine_percent
from pickglass.calibration.photo import Photo
from pickglass.cli.pipeline import Request, measure_loaded
from pickglass.measure.results import SettResult, ThreadReading

PX_PER_MM = 8.0
CARD_MM = (85.60, 53.98)  # ISO/IEC 7810 ID-1
CLOTHS = [("plain", 11.0, 14.0, 1), ("twill 2/2", 12.0, 10.0, 2), ("plain", 9.0, 9.5, 3)]


def all_cloth(weave: str, end_pitch_px: float, pick_pitch_px: float, seed: int) -> np.ndarray:
    return make_cloth(
        (600, 800), end_pitch_px=end_pitch_px, pick_pitch_px=pick_pitch_px, weave=weave, seed=seed
    ).bgr


def read(bgr: np.ndarray, **asked: object) -> SettResult:
    photo = Photo(bgr=np.ascontiguousarray(bgr), name="made-up.png")
    return measure_loaded(photo, Request(**asked)).result  # type: ignore[arg-type]


def agree(first: ThreadReading, second: ThreadReading, *, ratio: float = 1.0) -> bool:
    """Whether `second` is `ratio` times `first` within what both state."""
    doubts = [combine_percent(reading.budget) for reading in (first, second)]
    for reading, doubt in zip((first, second), doubts, strict=True):
        assert reading.count is not None
        assert 0.0 < doubt < 1.0 + 100.0 / reading.count
    return abs(second.per_1000_px / first.per_1000_px / ratio - 1.0) <= math.hypot(*doubts) / 100.0


@pytest.mark.parametrize("cloth", CLOTHS)
def test_a_quarter_turn_swaps_ends_and_picks(cloth):
    bgr = all_cloth(*cloth)
    upright = read(bgr, all_cloth=True, no_scale=True)
    turned = read(cv2.rotate(bgr, cv2.ROTATE_90_CLOCKWISE), all_cloth=True, no_scale=True)
    assert upright.verdict == turned.verdict == "measured"
    assert agree(upright.ends, turned.picks)
    assert agree(upright.picks, turned.ends)
    assert upright.ends.per_1000_px == pytest.approx(1000 / cloth[1], rel=0.02)
    assert upright.picks.per_1000_px == pytest.approx(1000 / cloth[2], rel=0.02)


@pytest.mark.parametrize("cloth", CLOTHS[:2])
def test_twice_the_pixels_per_millimetre_doubles_the_densities(cloth):
    bgr = all_cloth(*cloth)
    once = read(bgr, all_cloth=True, px_per_mm=PX_PER_MM)
    twice = read(bgr, all_cloth=True, px_per_mm=2 * PX_PER_MM)
    for a, b in ((once.ends, twice.ends), (once.picks, twice.picks)):
        assert b.per_inch == pytest.approx(2.0 * a.per_inch, rel=1e-6)
        assert a.per_cm == pytest.approx(a.per_inch / 2.54, rel=1e-12)
        assert b.per_1000_px == pytest.approx(a.per_1000_px, rel=1e-6)


@pytest.mark.parametrize("cloth", CLOTHS[:2])
@pytest.mark.parametrize(
    "gain", [(0.6, 0.6, 0.6), (1.25, 1.25, 1.25), (0.7, 1.0, 1.15)], ids=["darker", "brighter", "warm light"]
)
def test_brightness_and_colour_cast_change_nothing(cloth, gain):
    bgr = all_cloth(*cloth)
    changed = np.clip(bgr * np.array(gain), 0, 255).astype(np.uint8)
    before = read(bgr, all_cloth=True, no_scale=True)
    after = read(changed, all_cloth=True, no_scale=True)
    assert before.verdict == after.verdict
    assert agree(before.ends, after.ends)
    assert agree(before.picks, after.picks)


def test_same_photo_same_numbers():
    bgr = all_cloth(*CLOTHS[0])
    first, second = (read(bgr, all_cloth=True, px_per_mm=PX_PER_MM) for _ in range(2))
    assert first.ends.per_inch == second.ends.per_inch
    assert first.picks.per_inch == second.picks.per_inch
    assert first.ends.u95_per_inch == second.ends.u95_per_inch


def band_on_table(turn_deg: float) -> np.ndarray:
    """Draw a warp-faced band of 30 by 150 mm and a white card on a table, the whole turned about the middle."""
    size = 1800
    band = make_cloth(
        (int(30 * PX_PER_MM), int(150 * PX_PER_MM)),
        # drawn lying: its ends run along the rows, so the drawing's picks are the band's ends
        end_pitch_px=16.0,
        pick_pitch_px=7.5,
        ends=Yarn(cover=0.75, colours=((0.25, 0.2, 0.35),)),
        picks=Yarn(cover=1.1, colours=((0.75, 0.75, 0.8), (0.75, 0.75, 0.8), (0.2, 0.25, 0.6))),
        pick_setting=Setting(cv=0.02),
        crimp_share=0.1,
        camera=Camera(noise=0.0, blur_px=0.0),
        seed=5,
    ).bgr
    flat = np.full((size, size, 3), (96, 120, 128), np.uint8)
    x, y = (size - band.shape[1]) // 2, 700
    flat[y : y + band.shape[0], x : x + band.shape[1]] = band
    card = np.zeros((size, size), np.uint8)
    _rounded(
        card, (size // 2 - 340, 1060), (CARD_MM[0] * PX_PER_MM, CARD_MM[1] * PX_PER_MM), 3.18 * PX_PER_MM
    )
    flat[card > 0] = (228, 232, 234)
    turn = cv2.getRotationMatrix2D((size / 2, size / 2), turn_deg, 1.0)
    turned = cv2.warpAffine(flat, turn, (size, size), flags=cv2.INTER_CUBIC, borderValue=(96, 120, 128))
    grain = np.random.default_rng(7).normal(0.0, 2.0, turned.shape)
    return np.clip(cv2.GaussianBlur(turned, (0, 0), 0.7) + grain, 0, 255).astype(np.uint8)


def _rounded(mask: np.ndarray, corner: tuple[int, int], size: tuple[float, float], radius: float) -> None:
    """Fill a rectangle with rounded corners, to a sixteenth of a pixel."""
    (x, y), (w, h) = corner, size
    arcs = []
    for cx, cy, start in (
        (x + w - radius, y + radius, -90),
        (x + w - radius, y + h - radius, 0),
        (x + radius, y + h - radius, 90),
        (x + radius, y + radius, 180),
    ):
        angle = np.radians(np.linspace(start, start + 90, 20))
        arcs.append(np.column_stack([cx + radius * np.cos(angle), cy + radius * np.sin(angle)]))
    cv2.fillPoly(mask, [np.round(np.vstack(arcs) * 16).astype(np.int32)], 255, cv2.LINE_8, 4)


@pytest.mark.parametrize("turn_deg", [0.0, 17.0, 48.0, 90.0, 133.0, 180.0])
def test_a_band_reads_the_same_however_it_lies(turn_deg):
    """Its length gives the warp, so turning the photo changes nothing: true values stand in the drawing."""
    result = read(band_on_table(turn_deg))
    assert result.verdict == "measured"
    assert result.ends.per_inch == pytest.approx(25.4 * PX_PER_MM / 7.5, rel=0.02)
    assert result.picks.per_inch == pytest.approx(25.4 * PX_PER_MM / 16.0, rel=0.02)
    assert result.sample.width_mm == pytest.approx(30.0, abs=0.5)
