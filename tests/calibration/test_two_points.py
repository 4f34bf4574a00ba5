"""The scale from two points of known distance: its value, its refusals, and whether its doubt is honest."""

import math

import cv2
import numpy as np
import pytest

from pickglass.calibration.errors import UsageError
from pickglass.calibration.photo import Photo
from pickglass.calibration.scale import find_scale
from pickglass.cli.options import points as parse_points

WIDTH, HEIGHT, FOCAL_35MM = 4000, 3000, 26.0
FOCAL_PX = FOCAL_35MM / 43.267 * math.hypot(WIDTH, HEIGHT)


def blank(*, exif: bool = True) -> Photo:
    picture = np.zeros((HEIGHT, WIDTH, 3), np.uint8)
    return Photo(bgr=picture, name="p.jpg", focal_length_35mm=FOCAL_35MM if exif else None)


def test_pixels_over_millimetres():
    plane = find_scale(blank(), points=(500.0, 1500.0, 3500.0, 1500.0, 150.0))
    assert plane.source == "given"
    assert plane.px_per_mm_at(np.zeros(2)) == pytest.approx(20.0)
    assert plane.camera_distance_mm == pytest.approx(FOCAL_PX / 20.0)  # the pinhole camera
    assert plane.tilt_deg is None
    assert [n.code for n in plane.notices] == ["scale-two-points"]
    assert find_scale(blank(exif=False), points=(500, 1500, 3500, 1500, 150)).camera_distance_mm is None


@pytest.mark.parametrize(
    "points",
    [
        (500.0, 1500.0, 4100.0, 1500.0, 150.0),
        (500.0, 1500.0, 520.0, 1500.0, 1.0),
        (500.0, 1500.0, 3500.0, 1500.0, 0.1),
        (500.0, 1500.0, 3500.0, 1500.0, 1e6),
    ],
)
def test_impossible_points_are_refused(points):
    with pytest.raises(UsageError) as caught:
        find_scale(blank(), points=points)
    assert caught.value.code == "bad-points"


@pytest.mark.parametrize(
    "text", ["1,2,3=4", "1,2,3,4", "1,2,3,4=0", "1,2,-3,4=5", "a,2,3,4=5", "1,2,3,4=inf", ""]
)
def test_wrong_notation_is_explained(text):
    with pytest.raises(UsageError, match="--points 410,820"):
        parse_points(text)


def test_notation():
    assert parse_points("410,820, 2630,845.5=150 mm") == (410.0, 820.0, 2630.0, 845.5, 150.0)


def scale_error_percent(rng: np.random.Generator) -> tuple[float, float]:
    """Photograph two points on a table; return the error of the scale where the cloth lies, and its stated doubt."""
    turn = np.append(np.radians(rng.uniform(-5, 5, 2) / math.sqrt(2)), 0.0)
    move = np.array([0.0, 0.0, rng.uniform(200.0, 450.0)])
    camera = np.array([[FOCAL_PX, 0, (WIDTH - 1) / 2], [0, FOCAL_PX, (HEIGHT - 1) / 2], [0, 0, 1.0]])
    lens = np.array([rng.normal(0, 0.015), 0, 0, 0])

    def seen(points_mm):
        solid = np.column_stack([points_mm, np.zeros(len(points_mm))])
        return cv2.projectPoints(solid, turn, move, camera, lens)[0].reshape(-1, 2)

    angle, half = rng.uniform(0, math.pi), rng.uniform(25.0, 60.0)
    along = half * np.array([math.cos(angle), math.sin(angle)])
    ends_px = seen(rng.uniform(-20, 20, 2) + np.array([-along, along])) + rng.uniform(-2, 2, (2, 2))
    plane = find_scale(blank(), points=(*ends_px.ravel(), 2 * half + rng.uniform(-0.3, 0.3)))
    around = seen(rng.uniform(-20, 20, 2) + np.array([[0.5, 0], [-0.5, 0], [0, 0.5], [0, -0.5]]))
    true = math.sqrt(abs(np.linalg.det(np.column_stack([around[0] - around[1], around[2] - around[3]]))))
    return 100 * (plane.px_per_mm_at(np.zeros(2)) / true - 1), plane.u95_percent


def test_truth_lies_inside_the_stated_interval():
    """Monte Carlo: a phone tilted as the budget assumes, places read and rule read as it assumes."""
    rng = np.random.default_rng(4)
    results = [scale_error_percent(rng) for _ in range(300)]
    assert sum(abs(error) <= doubt for error, doubt in results) >= 0.95 * 300
