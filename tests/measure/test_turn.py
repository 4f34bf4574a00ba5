"""Turned pictures that are all cloth: the turn is found and the cloth read along its threads."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from cloth import Camera, make_cloth
from pickglass.calibration.photo import Photo
from pickglass.calibration.plane import scaling_plane
from pickglass.measure.frame import straighten
from pickglass.measure.sample import find_sample
from pickglass.measure.turn import likely_turns_deg


def _drawn(weave: str, turn_deg: float, shape: tuple[int, int] = (420, 480), pitch=(9.0, 11.0)) -> np.ndarray:
    camera = Camera(turn_deg=turn_deg, blur_px=0.7)
    return make_cloth(
        shape, end_pitch_px=pitch[0], pick_pitch_px=pitch[1], weave=weave, camera=camera, seed=5
    ).bgr


def _photo(bgr: np.ndarray) -> Photo:
    return Photo(bgr=bgr, name="drawn")


@pytest.mark.parametrize("turn_deg", [-38, -20, 0, 13, 31, 44])
@pytest.mark.parametrize("weave", ["plain", "twill 2/2", "satin 5"])
def test_turn_is_among_the_likely_ones(weave, turn_deg):
    bgr = _drawn(weave, turn_deg)
    found = likely_turns_deg(bgr, np.ones(bgr.shape[:2], bool))
    assert min(abs((f - turn_deg + 45) % 90 - 45) for f in found) <= 2  # turns are alike every quarter


def test_even_surface_has_no_preferred_turn_to_crash_on():
    flat = np.full((200, 300, 3), 90, np.uint8)
    assert all(-45 <= turn < 45 for turn in likely_turns_deg(flat, np.ones(flat.shape[:2], bool)))


@pytest.mark.parametrize("turn_deg", [5.0, -30.0, 45.0, 44.0, -12.5])
@pytest.mark.parametrize("size", [(300, 300), (200, 500), (520, 180)])
def test_turned_rectangle_fits_and_is_the_largest(turn_deg, size):
    height, width = size
    photo = _photo(np.zeros((height, width, 3), np.uint8))
    sample = find_sample(photo, scaling_plane(1.0, "none"), all_cloth=True, turn_deg=turn_deg)
    corners = sample.outline_mm
    assert corners.min() >= -1e-6
    assert (corners.max(axis=0) <= [width - 1 + 1e-6, height - 1 + 1e-6]).all()
    area = cv2.contourArea(corners.astype(np.float32))
    assert area == pytest.approx(_largest_area(width - 1, height - 1, turn_deg), rel=0.01)


def _largest_area(width: float, height: float, turn_deg: float) -> float:
    """The same by search over all aspect ratios: each grown until a corner meets a side."""
    turn = np.deg2rad(abs(turn_deg))
    sine, cosine = np.sin(turn), np.cos(turn)
    slope = np.tan(np.linspace(0.001, np.pi / 2 - 0.001, 20000))
    w = np.minimum(width / (cosine + slope * sine), height / (sine + slope * cosine))
    return float((w * w * slope).max())


def test_straightened_turned_cloth_has_its_pitches_on_the_axes():
    turn = 24.0
    photo, plane = _photo(_drawn("plain", turn)), scaling_plane(1.0, "none")
    patch = straighten(photo, plane, find_sample(photo, plane, all_cloth=True, turn_deg=turn))
    grey = cv2.cvtColor(patch.bgr, cv2.COLOR_BGR2GRAY).astype(np.float64)
    profile = grey.mean(axis=0) - grey.mean()
    power = np.abs(np.fft.rfft(profile * np.hanning(len(profile)), 8 * len(profile))) ** 2
    frequency = np.arange(len(power)) / (8 * len(profile))
    band = (frequency > 1 / 14) & (frequency < 1 / 6)
    assert power[band].max() > 30 * np.median(power[band])
    assert 1 / frequency[band][power[band].argmax()] == pytest.approx(9.0, rel=0.02)
