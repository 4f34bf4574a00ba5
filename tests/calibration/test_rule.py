"""The scale from a rule in the photo: right by the camera model of OpenCV, or refused; never off by a factor."""

import math

import numpy as np
import pytest
from card_scene import Shot, as_photo
from rule_scene import rule_photo, rule_raster

from pickglass.calibration.errors import ScaleError
from pickglass.calibration.plane import Plane
from pickglass.calibration.rule_scale import find_rule
from pickglass.calibration.scale import find_scale

SHOT = Shot(width_px=2400, height_px=1800, distance_mm=240.0, aim_mm=(95.0, 40.0), roll_deg=7.0)
CLOTH_MM = np.array([[x, y] for x in (60.0, 100.0, 140.0) for y in (40.0, 60.0, 80.0)])


def shot(**changes) -> Shot:
    return Shot(**({name: getattr(SHOT, name) for name in SHOT.__dataclass_fields__} | changes))


def errors_percent(plane: Plane, seen: Shot) -> np.ndarray:
    """Error of the local scale at the cloth, truth by cv2.projectPoints."""
    out = []
    for place in CLOTH_MM:
        px = seen.project(place + np.array([[0.5, 0], [-0.5, 0], [0, 0.5], [0, -0.5]]))
        true = math.sqrt(abs(np.linalg.det(np.column_stack([px[0] - px[1], px[2] - px[3]]))))
        middle = plane.to_mm(px.mean(axis=0)[None])[0]
        out.append(100 * (plane.px_per_mm_at(middle) / true - 1))
    return np.array(out)


@pytest.mark.parametrize(
    ("kind", "raster", "changes"),
    [
        ("mm", {}, {"tilt_deg": 15.0, "tilt_towards_deg": 200.0}),
        ("mm", {}, {"tilt_deg": 8.0, "tilt_towards_deg": 95.0, "roll_deg": 97.0, "aim_mm": (100.0, 30.0)}),
        ("mm", {"kind": "half-mm", "opposite": None}, {"tilt_deg": 5.0}),
        ("mm", {"bright": True}, {"tilt_deg": 5.0, "k1": -0.015}),
        ("inch16", {}, {"tilt_deg": 6.0, "tilt_towards_deg": 60.0}),
        ("inch16", {"kind": "inch32", "opposite": None}, {"tilt_deg": 4.0, "roll_deg": 187.0}),
    ],
)
def test_scale_and_tilt(kind, raster, changes):
    seen = shot(**changes)
    plane = find_rule(as_photo(rule_photo(rule_raster(**raster), seen), seen), kind)
    assert plane.source == "rule"
    assert np.abs(errors_percent(plane, seen)).max() < 0.3
    assert plane.tilt_deg == pytest.approx(seen.tilt_deg, abs=1.0)
    assert abs(errors_percent(plane, seen).mean()) < plane.u95_percent < 0.8


@pytest.mark.parametrize(
    ("kind", "raster", "code"),
    [
        (
            "inch16",
            {"kind": "inch8", "opposite": None},
            "rule-unread",
        ),  # eighths, or sixteenths not all seen?
        ("mm", {"kind": "5mm", "opposite": None}, "rule-unread"),
        (
            "mm",
            {"kind": "plain", "opposite": None},
            "rule-unread",
        ),  # marks of one length: millimetres of what?
        ("mm", {"kind": "inch16", "opposite": None}, "rule-other"),
        ("inch16", {"kind": "mm", "opposite": None}, "rule-other"),
    ],
)
def test_never_a_silent_factor(kind, raster, code):
    seen = shot(tilt_deg=5.0)
    with pytest.raises(ScaleError) as caught:
        find_rule(as_photo(rule_photo(rule_raster(**raster), seen), seen), kind)
    assert caught.value.code == code


def test_marks_too_fine_for_the_photo_are_refused():
    seen = shot(distance_mm=700.0, blur_px=1.2)
    with pytest.raises(ScaleError):
        find_rule(as_photo(rule_photo(rule_raster(), seen), seen), "mm")


def test_cloth_is_no_rule():
    blank = np.full_like(rule_raster(), 110)
    with pytest.raises(ScaleError):
        find_rule(as_photo(rule_photo(blank, SHOT), SHOT), "mm")


def test_the_span_is_told_so_that_it_can_be_checked():
    plane = find_scale(as_photo(rule_photo(rule_raster(), SHOT), SHOT), rule="mm")
    assert [n.code for n in plane.notices] == ["scale-rule"]
    assert "199 mm" in plane.notices[0].text or "198 mm" in plane.notices[0].text
    assert {line.name for line in plane.budget} >= {"marks of the rule", "graduation of the rule"}


def test_the_whole_rule_is_kept_from_being_taken_for_cloth():
    plane = find_rule(as_photo(rule_photo(rule_raster(), SHOT), SHOT), "mm")
    outline = plane.to_mm(plane.card_outline_px)
    assert np.linalg.norm(outline[3] - outline[0]) == pytest.approx(
        1.0 + 25.0, abs=1.5
    )  # a rim, and its width
    assert np.linalg.norm(outline[1] - outline[0]) > 199.0
