"""Hopeless photos are refused with advice, fair ones pass in silence."""

import cv2
import numpy as np
import pytest
from bank_card_scene import draw

from pickglass.calibration.errors import QualityError
from pickglass.calibration.photo import Photo
from pickglass.calibration.plane import Plane, scaling_plane
from pickglass.calibration.quality import check_photo, edge_width_px, plane_notices


def step_picture(sigma_px: float) -> np.ndarray:
    picture = np.full((600, 800), 60.0)
    picture[:, 405:] = 180.0
    return np.rint(cv2.GaussianBlur(picture, (0, 0), sigma_px)).astype(np.uint8)


@pytest.mark.parametrize("sigma_px", [1.5, 3.0, 5.0])
def test_edge_width_of_a_gaussian_step(sigma_px: float) -> None:
    # 10 to 90 % of a Gaussian step is 2 * 1.2816 sigma (normal quantile); the window sees 95 % of the step.
    assert edge_width_px(step_picture(sigma_px)) == pytest.approx(2.563 * sigma_px, rel=0.12)


def test_a_fair_photo_passes() -> None:
    assert check_photo(draw().photo) == ()


@pytest.mark.parametrize(
    ("code", "picture"),
    [
        ("too-dark", np.full((400, 600, 3), 5, np.uint8)),
        ("overexposed", np.full((400, 600, 3), 255, np.uint8)),
        ("no-contrast", np.full((400, 600, 3), 128, np.uint8)),
        ("too-blurred", np.repeat(step_picture(9.0)[..., None], 3, axis=2)),
    ],
)
def test_hopeless_photos(code: str, picture: np.ndarray) -> None:
    with pytest.raises(QualityError) as caught:
        check_photo(Photo(bgr=picture, name="p.jpg"))
    assert caught.value.code == code
    assert caught.value.exit_code == 4


def test_partly_white_is_remarked() -> None:
    picture = draw().photo.bgr.copy()
    picture[:200] = 255
    assert [n.code for n in check_photo(Photo(bgr=picture, name="p.jpg"))] == ["partly-overexposed"]


def test_tilt_advice() -> None:
    level = scaling_plane(5.0, "given")
    assert plane_notices(level) == ()
    tilted = Plane(px_from_mm=level.px_from_mm, source="bank-card", tilt_deg=24.0)
    assert [n.code for n in plane_notices(tilted)] == ["tilted"]
