"""Scale, tilt and distance from a bank-sized card, on pictures drawn from exact geometry."""

import math

import cv2
import numpy as np
import pytest
from bank_card_scene import SIZE_MM, Scene, cover, develop, draw, table

from pickglass.calibration.bank_card import find_bank_cards
from pickglass.calibration.bank_card_plane import plane_of_card
from pickglass.calibration.camera_view import align_with_photo, focal_px_from_35mm, tilt_and_distance
from pickglass.calibration.id1 import ID1_CORNER_RADIUS_MM, ID1_SIZE_MM, ID1_THICKNESS_MM
from pickglass.calibration.photo import Photo
from pickglass.calibration.plane import Plane, apply_homography

POSES = [
    # table, table level, card, tilt, towards, turn, shift: every table and contrast, every quarter of turn
    ("plain", 0.2, (0.7, 0.7, 0.7), 0.0, 0.0, 0.0, (0.0, 0.0)),
    ("plain", 0.6, (0.5, 0.5, 0.52), 8.0, 200.0, 95.0, (35.0, 10.0)),
    ("plain", 0.05, (0.02, 0.02, 0.03), 5.0, 60.0, 170.0, (-40.0, 20.0)),
    ("grain", 0.2, (0.75, 0.75, 0.75), 14.0, 310.0, 28.0, (30.0, -25.0)),
    ("grid", 0.2, (0.5, 0.3, 0.1), 20.0, 120.0, 260.0, (-20.0, -20.0)),
]


def found(scene: Scene) -> Plane:
    cards = find_bank_cards(scene.photo)
    assert len(cards) == 1
    return plane_of_card(scene.photo, cards[0])


def scale_error_percent(scene: Scene, plane: Plane, at_px: tuple[float, float]) -> float:
    point = np.array(at_px)
    return 100 * math.log(plane.px_per_mm_at(plane.to_mm(point)) / scene.px_per_mm_at(point))


def test_card_is_iso_iec_7810_id1() -> None:
    # ISO/IEC 7810:2019, ID-1: 85.60 mm x 53.98 mm, thickness 0.76 mm, corner radius 2.88 mm to 3.48 mm.
    assert ID1_SIZE_MM == (85.60, 53.98)
    assert ID1_THICKNESS_MM == 0.76
    assert 2.88 <= ID1_CORNER_RADIUS_MM <= 3.48


@pytest.mark.parametrize(("kind", "level", "card", "tilt", "towards", "turn", "shift"), POSES)
def test_scale_tilt_distance_and_corners(kind, level, card, tilt, towards, turn, shift) -> None:
    scene = draw(
        table_kind=kind,
        table_level=level,
        card_bgr=card,
        tilt_deg=tilt,
        tilt_towards_deg=towards,
        turn_deg=turn,
        shift_mm=shift,
    )
    plane = found(scene)
    # 0.3 % is the project's aim for the scale; the picture's middle lies up to 60 mm from the card's.
    assert abs(scale_error_percent(scene, plane, (599.5, 449.5))) < 0.3
    assert abs(scale_error_percent(scene, plane, (599.5, 449.5))) < plane.u95_percent
    assert plane.tilt_deg == pytest.approx(tilt, abs=1.0)
    # Distance follows from scale and focal length; with the focal length exact it is as good as the fit (2 %).
    assert plane.camera_distance_mm == pytest.approx(scene.distance_mm, rel=0.02)
    assert plane.card_outline_px is not None
    inside = np.array(
        [
            cv2.pointPolygonTest(plane.card_outline_px.astype(np.float32), tuple(p), True)
            for p in scene.card_corners_px()
        ]
    )
    # The outline is rounded: sharp corners lie r (sqrt 2 - 1) = 1.3 mm outside it.
    px_per_mm = scene.px_per_mm_at(scene.card_corners_px().mean(axis=0))
    assert np.all(np.abs(inside / px_per_mm + ID1_CORNER_RADIUS_MM * (math.sqrt(2) - 1)) < 0.35)


def test_homography_agrees_with_opencv() -> None:
    """The plane maps the card's sharp corners as cv2.findHomography does from cv2.projectPoints' own corners."""
    scene = draw(tilt_deg=12.0, turn_deg=33.0)
    plane = found(scene)
    half = np.array(SIZE_MM) / 2
    corners_mm = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half
    reference, _ = cv2.findHomography(corners_mm, scene.card_corners_px())
    distances_mm = np.linalg.norm(
        plane.to_mm(apply_homography(reference, corners_mm[:2]))[0]
        - plane.to_mm(apply_homography(reference, corners_mm[:2]))[1]
    )
    assert distances_mm == pytest.approx(SIZE_MM[0], rel=0.003)


def test_axes_follow_the_photo_whatever_the_turn() -> None:
    for turn in (0.0, 80.0, 190.0, 275.0):
        plane = found(draw(turn_deg=turn, tilt_deg=6.0))
        centre = plane.to_px(np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]))
        assert centre[0] == pytest.approx([599.5, 449.5], abs=0.01)
        right, down = centre[1] - centre[0], centre[2] - centre[0]
        assert right[0] > 0
        assert abs(right[1]) < 0.02 * right[0]
        assert down[1] > 0


def test_align_keeps_the_plane() -> None:
    homography = np.array([[3.0, 2.0, 500], [-2.5, 3.1, 300], [1e-4, -2e-4, 1.0]])
    aligned, old_from_new = align_with_photo(homography, (600, 900, 3))
    points = np.array([[3.0, 5.0], [-20.0, 8.0]])
    np.testing.assert_allclose(
        apply_homography(aligned, points),
        apply_homography(homography, apply_homography(old_from_new, points)),
    )
    np.testing.assert_allclose(apply_homography(aligned, np.zeros(2)), [449.5, 299.5], atol=1e-9)


def test_tilt_and_distance_against_project_points() -> None:
    """Reference: the pose handed to cv2.projectPoints."""
    tilt, distance, focal = 17.0, 312.0, 2400.0
    vector = np.array([0.0, math.radians(tilt), 0.0])
    rotation, _ = cv2.Rodrigues(vector)
    translation = rotation @ np.array([20.0, -10.0, 0.0]) + np.array(
        [0, 0, distance / math.cos(math.radians(tilt))]
    )
    camera = np.array([[focal, 0, 1500.0], [0, focal, 1000.0], [0, 0, 1]])
    model = np.array([[0, 0, 0], [80.0, 0, 0], [80, 50, 0], [0, 50, 0]])
    image, _ = cv2.projectPoints(model, vector, translation, camera, None)
    homography, _ = cv2.findHomography(model[:, :2], image.reshape(-1, 2))
    got = tilt_and_distance(homography, focal, (1500.0, 1000.0))
    assert got == pytest.approx((tilt, distance), rel=1e-5)  # findHomography itself is good to 3e-6


@pytest.mark.parametrize(("tilt", "percent"), [(2, 0.061), (5, 0.381), (10, 1.519), (15, 3.407)])
def test_tilt_left_uncorrected_would_shorten(tilt: float, percent: float) -> None:
    """Computed: a length along the tilt looks shorter by 1 - cos(tilt); the plane must undo it."""
    assert 100 * (1 - math.cos(math.radians(tilt))) == pytest.approx(percent, abs=0.0006)
    focal, distance = 1e7, 1e6  # so far away that perspective drops out and only the foreshortening is left
    rotation, _ = cv2.Rodrigues(np.array([0.0, math.radians(tilt), 0.0]))
    camera = np.diag([focal, focal, 1.0])
    homography = camera @ np.column_stack([rotation[:, 0], rotation[:, 1], [0, 0, distance]])
    along, across = (
        np.linalg.norm(np.diff(apply_homography(homography, np.array(p)), axis=0))
        for p in ([[0.0, 0], [1, 0]], [[0.0, 0], [0, 1]])
    )
    assert 100 * (1 - along / across) == pytest.approx(percent, abs=0.002)
    plane = Plane(px_from_mm=homography / homography[2, 2], source="bank-card")
    assert np.linalg.norm(
        np.diff(plane.to_mm(plane.to_px(np.array([[0.0, 0], [50, 0]]))), axis=0)
    ) == pytest.approx(50)


@pytest.mark.parametrize(("height", "distance", "percent"), [(5.0, 400.0, 1.27), (-0.76, 300.0, -0.253)])
def test_height_error(height: float, distance: float, percent: float) -> None:
    """Computed: what lies h above the card's plane reads too large by Z / (Z - h)."""
    camera = np.diag([1000.0, 1000.0, 1.0])
    seen = [
        np.linalg.norm(
            np.diff(
                cv2.projectPoints(
                    np.array([[0.0, 0, 0], [10.0, 0, 0]]), np.zeros(3), np.array([0, 0, z]), camera, None
                )[0][:, 0],
                axis=0,
            )
        )
        for z in (distance - height, distance)
    ]
    assert 100 * (seen[0] / seen[1] - 1) == pytest.approx(percent, abs=0.005)


def test_focal_length_in_pixels() -> None:
    # CIPA DC-008: the 35 mm equivalent keeps the diagonal angle of view of the 36 x 24 mm frame.
    assert focal_px_from_35mm(36.0, 3600, 2400) == pytest.approx(3600, rel=1e-4)


def test_hidden_corner_and_side() -> None:
    """Cloth over one corner and a third of one edge: the straight rest still gives the scale."""
    scene = draw(tilt_deg=5.0, turn_deg=15.0, shift_mm=(10.0, 5.0))
    corner = scene.card_corners_px()[2]
    bgr = scene.photo.bgr.copy()
    rng = np.random.default_rng(4)
    size = int(0.35 * np.linalg.norm(scene.card_corners_px()[1] - scene.card_corners_px()[0]))
    x, y = (int(v) for v in corner)
    patch = bgr[y - size // 2 : y + size, x - size // 2 : x + size]
    patch[:] = rng.integers(20, 120, patch.shape)
    cards = find_bank_cards(Photo(bgr=bgr, name="hidden", focal_length_35mm=26.0))
    assert len(cards) == 1
    plane = plane_of_card(scene.photo, cards[0])
    assert abs(scale_error_percent(scene, plane, (599.5, 449.5))) < 0.5
    assert cards[0].seen_share < 0.95


def test_without_focal_length_the_uncertainty_grows() -> None:
    with_tag, without = (found(draw(tilt_deg=10.0, with_focal=known)) for known in (True, False))
    assert without.camera_distance_mm is None
    assert without.u95_percent > with_tag.u95_percent
    assert [notice.code for notice in without.notices] == ["focal-length-unknown"]


def test_budget_names_every_source() -> None:
    plane = found(draw())
    assert {line.name for line in plane.budget} == {
        "edge points",
        "focal length",
        "lens distortion",
        "edge position",
        "side faces and shadows",
        "card width",
        "card height",
    }
    assert all(line.standard_percent >= 0 and line.kind in "AB" and line.origin for line in plane.budget)
    assert 0.05 < plane.u95_percent < 1.0


def test_claimed_uncertainty_matches_scatter() -> None:
    """Eight noises and turns: root mean square error over claimed standard uncertainty must be near or below 1.

    With 8 draws the ratio itself scatters by 1/sqrt(16) = 25 %, three times that is allowed. The drawings are kinder
    than photos (no shadow, exact size, no distortion), so far smaller ratios are no mistake here.
    """
    ratios = []
    for seed in range(8):
        scene = draw(seed=seed, turn_deg=31.0 * seed, tilt_deg=1.5 * seed, tilt_towards_deg=77.0 * seed)
        plane = found(scene)
        ratios.append(scale_error_percent(scene, plane, (599.5, 449.5)) / (plane.u95_percent / 2))
    assert math.sqrt(np.mean(np.square(ratios))) < 1.6


@pytest.mark.parametrize(
    ("what", "size_mm", "radius_mm"),
    [
        ("square-cornered business card, 85 x 55 mm (common size)", (85.0, 55.0), 0.0),
        ("playing card, 88 x 63 mm (common size)", (88.0, 63.0), 3.5),
        ("phone, 147 x 72 mm", (147.0, 72.0), 9.0),
        ("credit-card shape with square corners", (85.6, 53.98), 0.0),
        ("square coaster", (90.0, 90.0), 4.0),
    ],
)
def test_other_flat_things_are_no_bank_card(
    what: str, size_mm: tuple[float, float], radius_mm: float
) -> None:
    scene = draw(size_mm=size_mm, radius_mm=radius_mm, tilt_deg=6.0, turn_deg=20.0, shift_mm=(0, 0))
    assert find_bank_cards(scene.photo) == (), what


def test_bare_tables_hold_no_card() -> None:
    for kind in ("plain", "grain", "grid"):
        scene = draw(table_kind=kind, size_mm=(1e-3, 1e-3), radius_mm=1e-4)
        assert find_bank_cards(scene.photo) == ()


def test_woven_sample_of_a_cards_shape_is_no_card() -> None:
    """A balanced plain weave cut to the card's size and rounding, with threads of 1.5 mm."""
    scene = draw(turn_deg=10.0)
    rows, columns = np.mgrid[:900, :1200].astype(np.float64)
    inverse = np.linalg.inv(scene.px_from_card_mm)
    mm = cv2.perspectiveTransform(np.stack([columns, rows], axis=-1).reshape(-1, 1, 2), inverse).reshape(
        900, 1200, 2
    )
    weave = 0.3 + 0.2 * np.sign(np.sin(mm[..., 0] * math.pi / 1.5) * np.sin(mm[..., 1] * math.pi / 1.5))
    cloth = np.repeat(weave[..., None], 3, axis=2).astype(np.float32)
    ragged = cover(
        np.full((900, 1200, 3), 0.05, np.float32),
        scene.px_from_card_mm,
        np.float32(1.0) * np.ones(3, np.float32),
    )
    light = np.where(ragged > 0.5, cloth, ragged).astype(np.float32)
    photo = Photo(bgr=develop(light, blur_px=0.8, noise=0.004, seed=1), name="cloth", focal_length_35mm=26.0)
    cards = find_bank_cards(photo)
    assert cards == ()


def test_two_cards_are_both_found() -> None:
    scene = draw(shift_mm=(-60.0, 0.0), turn_deg=90.0)
    other = draw(shift_mm=(60.0, 5.0), turn_deg=88.0)
    both = np.where(np.abs(other.photo.bgr.astype(int) - 124) > 60, other.photo.bgr, scene.photo.bgr)
    photo = Photo(bgr=both.astype(np.uint8), name="two", focal_length_35mm=26.0)
    assert len(find_bank_cards(photo)) == 2


def test_same_photo_same_numbers() -> None:
    scene = draw(tilt_deg=9.0, turn_deg=40.0)
    first, second = found(scene), found(scene)
    np.testing.assert_array_equal(first.px_from_mm, second.px_from_mm)


@pytest.mark.parametrize("turn", [0.0, 40.0])
def test_shadow_across_the_card(turn: float) -> None:
    """A shadow that halves the light on one half of card and table divides the card into two plain regions."""
    scene = draw(tilt_deg=5.0, turn_deg=turn, shift_mm=(0.0, 0.0), table_kind="grain")
    columns = np.arange(1200)[None, :, None]
    lit = 1.0 - 0.45 / (1.0 + np.exp(np.clip((columns - 610.0) / 1.5, -50, 50)))
    photo = Photo(bgr=np.rint(scene.photo.bgr * lit).astype(np.uint8), name="shadow", focal_length_35mm=26.0)
    cards = find_bank_cards(photo)
    assert len(cards) == 1
    plane = plane_of_card(photo, cards[0])
    assert abs(scale_error_percent(scene, plane, (599.5, 449.5))) < 0.5


@pytest.mark.parametrize("fade_px", [0.5, 4.0])
def test_edge_hidden_in_the_cards_own_shadow(fade_px: float) -> None:
    """A dark card on a dark table, its shadow beside it as dark as itself: only the colour tells where it ends."""
    shape, distance_mm = (1500, 2000), 250.0
    scene = draw(shape=shape, distance_mm=distance_mm, tilt_deg=8.0, turn_deg=15.0, shift_mm=(5.0, -5.0))
    ground = table(shape, "plain", 0) * np.array([0.09, 0.11, 0.12], np.float32)
    shifted = scene.px_from_card_mm @ np.array([[1, 0, 0.9], [0, 1, 0.9], [0, 0, 1.0]])
    lit = cover(np.ones((*shape, 3), np.float32), shifted, np.full(3, 0.45, np.float32))
    ground *= cv2.GaussianBlur(lit, (0, 0), fade_px)
    light = cover(ground, scene.px_from_card_mm, np.array([0.058, 0.042, 0.036], np.float32))
    photo = Photo(bgr=develop(light, blur_px=0.9, noise=0.002, seed=0), name="dark", focal_length_35mm=26.0)
    cards = find_bank_cards(photo)
    assert len(cards) == 1
    plane = plane_of_card(photo, cards[0])
    at = ((shape[1] - 1) / 2.0, (shape[0] - 1) / 2.0)
    error = scale_error_percent(scene, plane, at)
    assert abs(error) < 0.4
    assert abs(error) < 1.5 * plane.u95_percent


def test_cropped_photo_with_a_stale_focal_length() -> None:
    """A crop keeps the EXIF tag, which then claims a far wider view: the tag is set aside and the scale stays right."""
    scene = draw(shape=(1400, 1900), tilt_deg=14.0, turn_deg=20.0, shift_mm=(10.0, -5.0), distance_mm=260.0)
    crop = np.ascontiguousarray(scene.photo.bgr[300:1100, 450:1450])
    cards = find_bank_cards(Photo(bgr=crop, name="crop", focal_length_35mm=26.0))
    assert len(cards) == 1
    plane = plane_of_card(Photo(bgr=crop, name="crop", focal_length_35mm=26.0), cards[0])
    at = np.array([600.0, 400.0])
    error = 100 * math.log(
        plane.px_per_mm_at(plane.to_mm(at)) / scene.px_per_mm_at(at + np.array([450.0, 300.0]))
    )
    assert abs(error) < 0.6
    assert abs(error) < 1.5 * plane.u95_percent
