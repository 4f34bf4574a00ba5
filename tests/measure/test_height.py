import math

import pytest

from pickglass.measure.height import CARD_THICKNESS_MM, estimate_height


def correction(**changes):
    asked = {
        "pitch_mm": (2.0, 2.0),
        "face": "balanced",
        "camera_distance_mm": 300.0,
        "bank_card": True,
        "card_on_cloth": False,
        "thickness_mm": None,
    }
    return estimate_height(**{**asked, **changes})


def test_card_thickness_is_that_of_the_standard():
    # ISO/IEC 7810 ID-1: 0.76 mm +/- 0.08 mm.
    assert CARD_THICKNESS_MM == 0.76


def test_five_millimetres_at_forty_centimetres_is_1_27_percent():
    # Similar triangles: Z / (Z - h) = 400 / 395, computed.
    assert 100 * (400 / (400 - 5) - 1) == pytest.approx(1.27, abs=0.005)
    # A paper card 0.1 mm thick and cloth whose middle lies h = t/2 + 0.15 - 0.1 = 5 mm above it.
    found = correction(camera_distance_mm=400.0, bank_card=False, thickness_mm=9.9)
    assert found.height_mm == pytest.approx(5.0)
    assert 1 / found.length_factor == pytest.approx(400 / 395)


def test_a_card_on_thin_cloth_makes_lengths_too_small():
    # A 0.76 mm card on top of the cloth at 300 mm: -0.253 %, computed; a thickness of 0 leaves only the card.
    found = correction(card_on_cloth=True, thickness_mm=0.0)
    assert 100 * (1 / found.length_factor - 1) == pytest.approx(-0.253, abs=0.001)


def test_unknown_distance_corrects_nothing_but_widens_the_doubt():
    known, unknown = correction(), correction(camera_distance_mm=None)
    assert unknown.length_factor == 1.0
    assert unknown.line.standard_percent > known.line.standard_percent


def test_faced_cloth_is_thicker_than_balanced():
    assert correction(face="warp-faced").height_mm > correction().height_mm


def test_a_given_thickness_is_surer_than_an_estimate():
    thickness = 1.25 * math.sqrt(2.0 * 2.0)
    assert correction(thickness_mm=thickness).height_mm == pytest.approx(correction().height_mm)
    assert correction(thickness_mm=thickness).line.standard_percent < correction().line.standard_percent
