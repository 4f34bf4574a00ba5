"""Two path-traced photos of printed cards with exact truth: a tilted pocket card, and a rail that does not lie flat."""

from pathlib import Path

import numpy as np
import pytest
from accuracy.cards import CHECKED, judge, true_scales

from pickglass.calibration.photo import load_photo
from pickglass.calibration.scale import find_scale

PHOTOS = Path(__file__).parents[1] / "card_photos"


def test_tilted_pocket_card():
    score = judge(PHOTOS / "pocket_tilt25.jpg")
    assert score is not None
    assert abs(score.mean_percent) < 0.1
    assert score.covered
    assert score.tilt_error_deg < 0.3


def test_bent_rail_is_told_and_still_right():
    """Taken for flat it reads half a percent wrong where cloth lies, a percent at the worst place."""
    score = judge(PHOTOS / "rail_curled3.jpg")
    assert score is not None
    assert "card-curled" in score.told
    assert abs(score.mean_percent) < 0.2
    assert score.covered


@pytest.mark.parametrize("name", ["pocket_tilt25", "rail_curled3"])
def test_truth_is_that_of_opencv(name):
    """The renderer's own projection agrees with a homography fitted to its points: the truth is no echo of the reading."""
    import json

    import cv2

    truth = json.loads((PHOTOS / f"{name}.json").read_text())
    points, scales, _ = true_scales(truth)
    plane = find_scale(load_photo(PHOTOS / f"{name}.jpg"), checks=CHECKED)
    x0, y0, x1, y1 = {"POCKET-1": (-60, 55, 60, 135), "RAIL-1": (-90, 35, 90, 75)}[truth["card"]]
    x, y = np.meshgrid(np.linspace(x0, x1, 5), np.linspace(y0, y1, 5))
    fitted, _ = cv2.findHomography(np.column_stack([x.ravel(), y.ravel()]), points)
    middle_mm = np.array([0.5 * (x0 + x1), 0.5 * (y0 + y1)])
    step = middle_mm + np.array([[0.5, 0], [-0.5, 0], [0, 0.5], [0, -0.5]])
    px = cv2.perspectiveTransform(step[None], fitted)[0]
    middle = float(np.sqrt(abs(np.linalg.det(np.column_stack([px[0] - px[1], px[2] - px[3]])))))
    assert middle == pytest.approx(scales[12], rel=5e-4)
    assert plane.px_per_mm_at(plane.to_mm(points[12:13])[0]) == pytest.approx(middle, rel=0.003)
