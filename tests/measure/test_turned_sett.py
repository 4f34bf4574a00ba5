"""Real cloth that lies turned in the picture: read along its threads, or doubted, never along its diagonals."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from pickglass.calibration.photo import Photo, load_photo
from pickglass.calibration.plane import scaling_plane
from pickglass.measure.sett import SettOptions, measure_sett

CLOTHS = Path(__file__).parents[3] / "shared" / "real" / "img"


def _photo(name: str, turn_deg: float = 0.0) -> Photo:
    path = CLOTHS / name
    if not path.is_file():
        pytest.skip("the pictures are not there")
    bgr = load_photo(path).bgr
    return Photo(bgr=_turned(bgr, turn_deg) if turn_deg else bgr, name=name)


def _turned(bgr: np.ndarray, turn_deg: float) -> np.ndarray:
    """Turn a picture and keep the largest square that it fills."""
    height, width = bgr.shape[:2]
    turn = np.deg2rad(turn_deg)
    side = int(min(height, width) / (abs(np.sin(turn)) + abs(np.cos(turn))))
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    matrix = cv2.getRotationMatrix2D(tuple(middle), turn_deg, 1.0)
    matrix[:, 2] += (side - 1) / 2 - middle
    return cv2.warpAffine(bgr, matrix, (side, side), flags=cv2.INTER_CUBIC)


def _sett(photo: Photo):
    return measure_sett(photo, scaling_plane(1.0, "none"), SettOptions(all_cloth=True)).result


@pytest.mark.parametrize(
    ("name", "ends", "picks"),
    [("brodatz_D020.png", 61.0, 61.2), ("fdr_06.jpg", 269.4, 155.0)],  # hand counts in 1000 px
)
def test_diagonals_do_not_pass_for_threads(name, ends, picks):
    """The diagonals of the first look like 87 threads; another slant of the second like its ends and picks exchanged."""
    found = _sett(_photo(name, -42.0))
    assert found.verdict == "unsure"
    assert "turned-far" in [notice.code for notice in found.notices]
    assert found.ends.per_1000_px == pytest.approx(ends, rel=0.03)
    assert found.picks.per_1000_px == pytest.approx(picks, rel=0.03)


def test_fine_threads_are_followed_in_a_band_that_leans_a_little():
    """A webbing that lies askew by three degrees: 50.96 ends in 1000 px (hand count), picks four pixels apart."""
    found = _sett(_photo("band_pink_webbing.png"))
    assert "turned" in [notice.code for notice in found.notices]
    assert found.verdict == "measured"
    assert found.ends.per_1000_px == pytest.approx(50.96, rel=0.02)
