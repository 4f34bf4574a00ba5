"""Finding the sample: drawn samples on drawn tables, with the truth known from the drawing."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from sample_scene import PITCH_PX, PX_PER_MM, as_photo, draw, lay, piece, plane, table

from cloth import make_cloth
from pickglass.calibration.errors import SampleError
from pickglass.calibration.photo import Photo, load_photo
from pickglass.calibration.plane import Lens, Plane, scaling_plane
from pickglass.measure.sample import find_sample

SCENES = Path(__file__).resolve().parents[3] / "shared" / "scenes"

# What the drawing itself leaves open: the drawn edge is blurred over about one pixel on each side.
EDGE_PX = 2.0


@pytest.mark.parametrize("kind", ["plain", "grain", "grid"])
@pytest.mark.parametrize("turn_deg", [0.0, -17.0, 38.0])
def test_width_and_length_do_not_depend_on_the_turn(kind: str, turn_deg: float) -> None:
    drawn = draw(kind, turn_deg=turn_deg)
    found = find_sample(drawn.photo, plane())
    assert not found.cut_off
    assert found.width_mm == pytest.approx(drawn.width_mm, abs=2 * EDGE_PX / PX_PER_MM)
    # The first pick shows from the middle of its outer flank: up to half a pick on either end.
    assert found.v_end_mm - found.v_start_mm == pytest.approx(drawn.length_mm, abs=PITCH_PX / PX_PER_MM)
    direction = found.frame.centre_mm[-1] - found.frame.centre_mm[0]
    angle = np.degrees(np.arctan2(direction[0], direction[1]))
    assert angle == pytest.approx(turn_deg, abs=0.5)


@pytest.mark.parametrize("turn_deg", [0.0, 45.0, 90.0, 160.0])
def test_band_is_followed_along_its_length(turn_deg: float) -> None:
    drawn = draw(width_px=90, length_px=620, turn_deg=turn_deg)
    found = find_sample(drawn.photo, plane())
    assert found.is_band
    assert found.width_mm == pytest.approx(drawn.width_mm, abs=2 * EDGE_PX / PX_PER_MM)
    assert found.v_end_mm - found.v_start_mm == pytest.approx(drawn.length_mm, abs=PITCH_PX / PX_PER_MM)


def test_a_small_piece_twice_as_long_as_wide_is_a_band() -> None:
    """The coarse region that tells so is blurred by some cells all around, which would make a small piece squarer."""
    bgr, alpha = piece(110, 230, 10)
    hemmed = bgr[10:-10], alpha[10:-10]
    picture = lay(table("plain", (960, 1280)), hemmed, (640, 480), 90.0)
    found = find_sample(as_photo(picture), plane())
    assert found.is_band
    assert found.width_mm == pytest.approx(110 / PX_PER_MM, abs=2 * EDGE_PX / PX_PER_MM)


def test_mirrored_photo_gives_the_same_width() -> None:
    drawn = draw("grain", turn_deg=-17.0)
    mirrored = Photo(bgr=np.ascontiguousarray(drawn.photo.bgr[:, ::-1]), name="mirror.png")
    one, two = find_sample(drawn.photo, plane()), find_sample(mirrored, plane())
    # Nothing distinguishes left from right, but cells and rows fall elsewhere: a fraction of a pixel.
    assert one.width_mm == pytest.approx(two.width_mm, abs=0.5 / PX_PER_MM)


def test_warp_across_swaps_width_and_length() -> None:
    drawn = draw()
    found = find_sample(drawn.photo, plane(), warp="across")
    assert not found.is_band
    direction = found.frame.centre_mm[-1] - found.frame.centre_mm[0]
    assert abs(direction[0]) > 10 * abs(direction[1])


@pytest.mark.parametrize("kind", ["plain", "white", "grain", "grid"])
def test_bare_table_is_no_cloth(kind: str) -> None:
    with pytest.raises(SampleError) as caught:
        find_sample(as_photo(table(kind, (960, 1280))), plane())
    assert caught.value.code == "no-cloth"


def test_picture_full_of_cloth_has_no_width() -> None:
    cloth = make_cloth((480, 640), end_pitch_px=9, pick_pitch_px=11, seed=4)
    found = find_sample(Photo(bgr=cloth.bgr, name="cloth.png"), plane())
    assert found.all_cloth
    assert found.width_mm is None
    assert found.cut_off == {"left", "right", "start", "end"}


def test_all_cloth_takes_the_area_given() -> None:
    drawn = draw()
    found = find_sample(drawn.photo, plane(), all_cloth=True, area_px=(500, 400, 700, 600))
    np.testing.assert_allclose(found.outline_mm.min(axis=0) * PX_PER_MM, (500, 400), atol=1e-6)
    np.testing.assert_allclose(found.outline_mm.max(axis=0) * PX_PER_MM, (700, 600), atol=1e-6)


def test_two_samples_are_told_apart_by_the_area() -> None:
    picture = lay(table("plain", (960, 1280)), piece(220, 300, 40), (330, 480), 0.0)
    picture = lay(picture, piece(240, 280, 40, seed=5), (940, 480), 8.0)
    with pytest.raises(SampleError) as caught:
        find_sample(as_photo(picture), plane())
    assert caught.value.code == "two-samples"
    right = find_sample(as_photo(picture), plane(), area_px=(640, 0, 1279, 959))
    assert right.width_mm == pytest.approx(240 / PX_PER_MM, abs=2 * EDGE_PX / PX_PER_MM)


@pytest.mark.parametrize("margin_px", [0, 3, 12, 60])
@pytest.mark.parametrize("turn_deg", [0.0, 9.0])
def test_area_close_around_the_sample_keeps_its_selvedges(margin_px: int, turn_deg: float) -> None:
    drawn = draw(turn_deg=turn_deg)
    turn = np.deg2rad(turn_deg)
    half = np.array([150 * np.cos(turn) + 260 * np.sin(turn), 150 * np.sin(turn) + 260 * np.cos(turn)])
    (x0, y0), (x1, y1) = (np.array([640.0, 480.0]) + sign * (half + margin_px) for sign in (-1, 1))
    found = find_sample(drawn.photo, plane(), area_px=(x0, y0, x1, y1))
    whole = find_sample(drawn.photo, plane())
    assert not found.cut_off
    assert found.width_mm == pytest.approx(whole.width_mm, abs=0.1)
    assert found.width_mm == pytest.approx(drawn.width_mm, abs=2 * EDGE_PX / PX_PER_MM)
    assert found.v_end_mm - found.v_start_mm == pytest.approx(drawn.length_mm, abs=1.0)


def test_area_that_ends_in_the_cloth_ends_it_there() -> None:
    drawn = draw()
    found = find_sample(drawn.photo, plane(), area_px=(400, 100, 640, 860), warp="down")
    assert found.cut_off == {"right"}
    assert found.width_mm is None


def test_area_outside_the_photo_is_refused() -> None:
    with pytest.raises(SampleError) as caught:
        find_sample(draw().photo, plane(), area_px=(5000, 0, 6000, 100))
    assert caught.value.code == "bad-area"


def test_selvedge_outside_the_photo_leaves_no_width() -> None:
    picture = lay(table("plain", (960, 1280)), piece(300, 420, 50), (1210, 480), 0.0)
    found = find_sample(as_photo(picture), plane())
    assert found.cut_off == {"right"}
    assert found.width_mm is None


def test_end_outside_the_photo_is_named() -> None:
    picture = lay(table("plain", (960, 1280)), piece(300, 420, 50), (640, 860), 0.0)
    found = find_sample(as_photo(picture), plane())
    assert found.cut_off == {"end"}
    assert found.width_mm == pytest.approx(300 / PX_PER_MM, abs=2 * EDGE_PX / PX_PER_MM)


def test_without_a_scale_lengths_are_pixels() -> None:
    drawn = draw()
    found = find_sample(drawn.photo, scaling_plane(1.0, "none"))
    assert found.width_mm == pytest.approx(300, abs=2 * EDGE_PX)


def _scene_plane(truth: dict, width: int, height: int) -> Plane:
    """Return the card's plane from the truth, axes as `Plane` wants them."""
    if truth["dpi"]:
        return scaling_plane(truth["dpi"] / 25.4, "scan")
    homography = np.array(truth["homography_card_top_mm_to_undistorted_px"])
    middle = np.linalg.solve(homography, (width / 2, height / 2, 1.0))
    middle = middle[:2] / middle[2]

    def px(point: np.ndarray) -> np.ndarray:
        mapped = homography @ np.append(point, 1.0)
        return np.asarray(mapped[:2] / mapped[2])

    steps = [px(middle + 0.5 * e) - px(middle - 0.5 * e) for e in np.eye(2)]
    jacobian = np.column_stack(steps)
    right = np.linalg.inv(jacobian)[:, 0]
    right /= np.linalg.norm(right)
    down = np.array([-right[1], right[0]]) * np.sign(np.linalg.det(jacobian))
    turn = np.eye(3)
    turn[:2] = np.column_stack([right, down, middle])
    lens = truth["distortion"]
    return Plane(
        px_from_mm=homography @ turn,
        source="bank-card",
        lens=Lens(focal_px=lens["f_px"], centre_px=(lens["cx"], lens["cy"]), k1=lens["k1"] or 0.0),
        card_outline_px=np.array(truth["card"]["corners_px"]),
    )


@pytest.mark.slow
@pytest.mark.skipif(not SCENES.is_dir(), reason="path-traced scenes are not here")
@pytest.mark.parametrize("path", sorted(SCENES.glob("*.json")), ids=lambda p: p.stem)
def test_width_of_path_traced_samples(path: Path) -> None:
    truth = json.loads(path.read_text())
    photo = load_photo(path.with_suffix(".jpg"))
    scale = _scene_plane(truth, photo.bgr.shape[1], photo.bgr.shape[0])
    if truth["kind"] != "woven":
        if truth.get("table") and "wood_only" in truth["name"]:
            with pytest.raises(SampleError):
                find_sample(photo, scale)
        return
    across = "across" if path.stem.startswith("s40") else "auto"  # its warp lies nearer to the horizontal
    found = find_sample(photo, scale, warp=across)
    height = 1 + (truth.get("scale_bias_percent_if_card_plane_used") or 0.0) / 100
    # The scenes' own fair tolerance: how far weft turns make the edge a matter of definition.
    tolerance = max(0.5, truth["width_mean_mm"] - truth["width_warp_mean_mm"])
    assert found.width_mm is not None
    assert found.width_mm / height == pytest.approx(truth["width_mean_mm"], abs=tolerance)


@pytest.mark.parametrize("part", [(0.4, 0.97), (0.15, 0.85), (0.1, 0.6)])
def test_band_that_leaves_the_photo_is_woven_to_its_border(part: tuple[float, float]) -> None:
    """A fault or a denser stretch near the border is no beginning of a fringe."""
    path = Path(__file__).resolve().parents[1] / "evenness_bands" / "pictures" / "fault_several.jpg"
    truth = json.loads(path.with_suffix(".json").read_text())
    x = np.array(truth["pick_axis_px"])[:, 0]
    px_per_mm = truth["dpi"] / 25.4
    low, high = (round(x.min() + share * (x.max() - x.min())) for share in part)
    photo = load_photo(path)
    shown = Photo(bgr=np.ascontiguousarray(photo.bgr[:, low:high]), name="part.png")
    found = find_sample(shown, scaling_plane(px_per_mm, "given"), warp="across")
    assert found.cut_off == {"start", "end"}
    assert found.v_end_mm - found.v_start_mm == pytest.approx((high - low) / px_per_mm, abs=0.5)
