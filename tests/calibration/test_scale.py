"""The ways to a scale, and the plain words when there is none."""

import dataclasses

import cv2
import numpy as np
import pytest
from bank_card_scene import Scene, draw

from pickglass.calibration.errors import PickglassError, ScaleError, UsageError
from pickglass.calibration.photo import Photo
from pickglass.calibration.scale import find_scale


@pytest.fixture(scope="module")
def scene() -> Scene:
    return draw(tilt_deg=4.0, turn_deg=12.0)


def blank(**tags: float) -> Photo:
    return Photo(bgr=np.full((600, 900, 3), 140, np.uint8), name="blank.png", **tags)  # type: ignore[arg-type]


def refused(kind: type[PickglassError], code: str, photo: Photo, **options: object) -> PickglassError:
    with pytest.raises(kind) as caught:
        find_scale(photo, **options)  # type: ignore[arg-type]
    assert caught.value.code == code
    assert caught.value.problem.endswith(".")
    assert caught.value.next_step.endswith(".")
    return caught.value


def test_bank_card_is_found_without_being_asked(scene: Scene) -> None:
    plane = find_scale(scene.photo)
    assert plane.source == "bank-card"
    at = np.array([599.5, 449.5])
    assert plane.px_per_mm_at(plane.to_mm(at)) == pytest.approx(scene.px_per_mm_at(at), rel=0.003)


def test_given_scale_wins_over_a_card(scene: Scene) -> None:
    plane = find_scale(scene.photo, px_per_mm=12.5)
    assert plane.source == "given"
    assert plane.px_per_mm_at(np.zeros(2)) == pytest.approx(12.5)
    assert plane.notices[0].code == "scale-given"


def test_no_scale_counts_pixels(scene: Scene) -> None:
    plane = find_scale(scene.photo, no_scale=True)
    assert plane.source == "none"
    assert plane.px_per_mm_at(np.zeros(2)) == pytest.approx(1.0)


def test_scan_takes_the_tag_or_the_option() -> None:
    # 1 inch is 25.4 mm exactly, so 600 dpi is 23.622 px/mm.
    assert find_scale(blank(dpi=600.0), scan=True).px_per_mm_at(np.zeros(2)) == pytest.approx(600 / 25.4)
    plane = find_scale(blank(dpi=600.0), scan=True, dpi=300)
    assert plane.px_per_mm_at(np.zeros(2)) == pytest.approx(300 / 25.4)
    assert plane.source == "scan"
    assert 0 < plane.u95_percent < 1


@pytest.mark.parametrize("px_per_mm", [0.0, -3.0, float("nan"), float("inf"), 1e9])
def test_bad_scale(px_per_mm: float) -> None:
    refused(UsageError, "bad-px-per-mm", blank(), px_per_mm=px_per_mm)


@pytest.mark.parametrize("dpi", [0.0, -300.0, float("nan"), 5.0, 1e6])
def test_bad_dpi(dpi: float) -> None:
    refused(UsageError, "bad-dpi", blank(), scan=True, dpi=dpi)


def test_only_one_way_at_a_time() -> None:
    refused(UsageError, "two-scales", blank(), px_per_mm=10, scan=True)
    refused(UsageError, "two-scales", blank(), no_scale=True, dpi=300)


def test_scan_without_or_with_an_implausible_tag() -> None:
    refused(ScaleError, "no-dpi", blank(), scan=True)
    refused(ScaleError, "implausible-dpi", blank(dpi=72.0), scan=True)
    refused(ScaleError, "implausible-dpi", blank(dpi=96.0), scan=True)
    refused(ScaleError, "implausible-dpi", blank(dpi=20.0), scan=True)
    # A phone's photo tagged 300 by an editor is no scan.
    refused(ScaleError, "implausible-dpi", blank(dpi=300.0, focal_length_35mm=26.0), scan=True)
    huge = Photo(bgr=np.zeros((100, 9000, 3), np.uint8), name="wide.png", dpi=300.0)  # 762 mm
    refused(ScaleError, "implausible-dpi", huge, scan=True)


def test_no_card() -> None:
    error = refused(ScaleError, "no-card", blank())
    assert error.exit_code == 4
    assert "card" in error.next_step
    assert "--scan" not in error.next_step


def test_no_card_says_what_the_file_may_be_instead() -> None:
    assert "300 dots per inch" in refused(ScaleError, "no-card", blank(dpi=300.0)).next_step
    assert "--scan" not in refused(ScaleError, "no-card", blank(dpi=72.0)).next_step
    with_lens = blank(dpi=300.0, focal_length_35mm=26.0)
    assert "--scan" not in refused(ScaleError, "no-card", with_lens).next_step
    assert "printed" in refused(ScaleError, "no-card", blank(), card="printed").problem
    bank = refused(ScaleError, "no-card", blank(), card="bank")
    assert "No bank-sized card" in bank.problem
    assert "printed pickglass card is looked for without --card" in bank.next_step


def test_no_card_in_a_blurred_photo_says_that_it_is_blurred() -> None:
    """Stripes narrower than their blur rise less far, so that it looks less than it is: under 6 pixels, 8 in truth."""
    stripes = np.kron(np.arange(200) % 2, np.ones(8)) * 160.0 + 40.0
    rows = cv2.GaussianBlur(np.tile(stripes, (1200, 1)), (0, 0), 3)
    photo = Photo(bgr=np.repeat(rows[..., None], 3, axis=2).astype(np.uint8), name="soft.png")
    assert "blurred" in refused(ScaleError, "no-card", photo).problem


def test_two_cards() -> None:
    first, second = draw(shift_mm=(-60.0, 0.0), turn_deg=90.0), draw(shift_mm=(60.0, 5.0), turn_deg=88.0)
    card = second.photo.bgr.astype(int).min(axis=2) > 190
    both = np.where(card[..., None], second.photo.bgr, first.photo.bgr)
    error = refused(ScaleError, "two-cards", dataclasses.replace(first.photo, bgr=both))
    assert "left" in error.problem
    assert "right" in error.problem


def test_card_cut_off() -> None:
    cut = draw(shift_mm=(150.0, 0.0), turn_deg=5.0)
    assert cut.card_corners_px()[:, 0].max() > 1220
    assert "right" in refused(ScaleError, "card-cut-off", cut.photo).problem
    cut = draw(shift_mm=(20.0, -115.0), turn_deg=-8.0, card_bgr=(0.03, 0.03, 0.03), table_level=0.5)
    assert cut.card_corners_px()[:, 1].min() < -20
    assert "top" in refused(ScaleError, "card-cut-off", cut.photo).problem


def test_band_across_the_photo_leaves_no_cut_card() -> None:
    """Plain table above and below a band that runs out of the photo is no card."""
    photo = blank()
    photo.bgr[200:330] = np.random.default_rng(2).integers(0, 120, (130, 900, 3))
    refused(ScaleError, "no-card", photo)


@pytest.mark.parametrize(
    ("shape", "blur_px", "said"),
    [
        ((480, 640), 0.0, "which has only 640 × 480 pixels"),
        ((1800, 2400), 4.5, "which is blurred (its sharpest edges are"),
        ((1800, 2400), 0.0, "was found in made.png."),
    ],
)
def test_what_may_hide_a_card_is_said_with_it(shape, blur_px, said):
    rng = np.random.default_rng(1)
    picture = np.full((*shape, 3), 120, np.uint8)
    for _ in range(12):  # dark strips, none of them of a card's shape
        x = int(rng.integers(0, shape[1] - 40))
        picture[:, x : x + 12] = 30
    if blur_px:
        picture = cv2.GaussianBlur(picture, (0, 0), blur_px)
    photo = Photo(bgr=picture, name="made.png")
    with pytest.raises(ScaleError) as caught:
        find_scale(photo)
    assert caught.value.code == "no-card"
    assert said in caught.value.problem
