"""The cloth's own axes and the one resampling into them."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sample_scene import PX_PER_MM, draw, plane

from pickglass.calibration.photo import Photo
from pickglass.calibration.plane import Plane, scaling_plane
from pickglass.measure.frame import ClothFrame, curved_frame, resample, straight_frame, straighten
from pickglass.measure.sample import find_sample


def arc(radius_mm: float, length_mm: float, nodes: int = 25) -> ClothFrame:
    angle = np.linspace(0, length_mm / radius_mm, nodes)
    return curved_frame(np.stack([radius_mm * np.sin(angle), radius_mm * (1 - np.cos(angle))], axis=-1))


def test_axes_keep_the_photo_s_handedness() -> None:
    for angle in np.radians([0, 30, 90, -50]):
        along = np.array([np.sin(angle), np.cos(angle)])
        frame = straight_frame(np.zeros(2), along, 100.0)
        across = frame.normal[0]
        # x right, y down: u turned by +90 degrees in that sense gives v, as x turned so gives y.
        assert across[0] * along[1] - across[1] * along[0] == pytest.approx(1.0)


@settings(deadline=None, max_examples=30)
@given(
    radius=st.floats(150, 5000),
    u=st.floats(-20, 20),
    v=st.floats(-5, 125),
)
def test_to_cloth_undoes_to_plane(radius: float, u: float, v: float) -> None:
    frame = arc(radius, 120.0)
    uv = np.array([[u, v]])
    # Between nodes the normal is interpolated and not quite of unit length: chord against arc of one step.
    np.testing.assert_allclose(frame.to_cloth(frame.to_plane(uv)), uv, atol=2e-3)


def test_arc_length_and_distance_of_a_known_arc() -> None:
    frame = arc(200.0, 120.0, nodes=61)
    # Chords are shorter than the arc by (step / radius)^2 / 24.
    assert frame.v_mm[-1] == pytest.approx(120.0, rel=1e-5)
    centre = np.array([0.0, 200.0])
    for u in (-10.0, 10.0):
        points = frame.to_plane(np.stack([np.full(9, u), np.linspace(10, 110, 9)], axis=-1))
        radii = np.linalg.norm(points - centre, axis=-1)
        np.testing.assert_allclose(radii, radii.mean(), atol=0.01)
        assert abs(radii.mean() - 200.0) == pytest.approx(10.0, abs=0.01)


def ramp(shape: tuple[int, int]) -> Photo:
    y, x = np.mgrid[: shape[0], : shape[1]]
    bgr = np.stack([x * 255 / shape[1], y * 255 / shape[0], np.zeros_like(x)], axis=-1)
    return Photo(bgr=bgr.astype(np.uint8), name="ramp.png")


def test_resampled_pixels_lie_where_the_map_says() -> None:
    photo = ramp((400, 600))
    scale = scaling_plane(4.0, "given")
    frame = straight_frame(np.array([60.0, 20.0]), np.array([0.6, 0.8]), 60.0)
    bgr, map_px = resample(photo, scale, frame, (-10.0, 10.0), (0.0, 50.0), 4.0)
    u, v = np.meshgrid(-10.0 + np.arange(bgr.shape[1]) / 4, np.arange(bgr.shape[0]) / 4)
    exact = scale.to_px(frame.to_plane(np.stack([u, v], axis=-1)))
    np.testing.assert_allclose(map_px, exact, atol=0.01)
    expected = exact[..., 0] * 255 / 600
    # One grey level of rounding in the ramp and one in the interpolation.
    assert np.abs(bgr[..., 0] - expected).max() <= 2.0


@pytest.mark.parametrize("px_per_mm", [4.0, 2.0, 1.3])
def test_reduced_patches_keep_their_place_and_do_not_alias(px_per_mm: float) -> None:
    stripes = np.zeros((400, 600, 3), np.uint8)
    stripes[:, ::2] = 255  # the finest pattern there is: it must turn grey, not into false stripes
    stripes[200:, :] = 0
    photo = Photo(bgr=stripes, name="stripes.png")
    frame = straight_frame(np.array([75.0, 10.0]), np.array([0.0, 1.0]), 80.0)
    bgr, _ = resample(photo, scaling_plane(4.0, "given"), frame, (-20.0, 20.0), (0.0, 80.0), px_per_mm)
    upper = bgr[: round(30 * px_per_mm), :, 0].astype(float)
    if px_per_mm <= 2.0:
        assert upper.std() < 20
    rows = bgr[:, :, 0].mean(axis=1)
    edge = np.interp(
        -64.0, -cv2.blur(rows.astype(np.float64).reshape(-1, 1), (1, 3))[:, 0], np.arange(len(rows))
    )
    # The dark half begins at photo row 199.5, which is v = 199.5 / 4 - 10 mm.
    assert edge / px_per_mm == pytest.approx(199.5 / 4 - 10.0, abs=0.6 / px_per_mm)


def test_straightened_sample_is_upright_and_masked() -> None:
    drawn = draw("plain", turn_deg=25.0)
    sample = find_sample(drawn.photo, plane())
    patch = straighten(drawn.photo, plane(), sample, margin_mm=3.0)
    assert patch.px_per_mm == pytest.approx(PX_PER_MM)
    assert patch.mask.sum() / PX_PER_MM**2 == pytest.approx(drawn.width_mm * drawn.length_mm, rel=0.04)
    assert not patch.mask[: round(2 * PX_PER_MM)].any()
    gray = cv2.cvtColor(patch.bgr, cv2.COLOR_BGR2GRAY).astype(float)
    inner = gray[40:-40, 40:-40]
    # Ends run down the rows: averaging along them leaves more contrast than averaging along a slant.
    upright = inner.mean(axis=0).std()
    slanted = np.mean([np.roll(row, i // 6) for i, row in enumerate(inner)], axis=0).std()
    assert upright > 1.5 * slanted


def test_card_is_left_out_of_the_mask() -> None:
    drawn = draw("plain")
    corners = np.array([[600.0, 440], [690, 440], [690, 500], [600, 500]])
    bgr = drawn.photo.bgr.copy()
    cv2.fillPoly(bgr, [corners.astype(np.int32)], (230, 235, 235))
    scale = Plane(px_from_mm=plane().px_from_mm, source="bank-card", card_outline_px=corners)
    photo = Photo(bgr=bgr, name="card.png")
    sample = find_sample(photo, scale)
    assert sample.width_mm == pytest.approx(drawn.width_mm, abs=0.7)
    patch = straighten(photo, scale, sample)
    missing = (~patch.mask).sum() / PX_PER_MM**2
    assert missing == pytest.approx(15.0 * 10.0, rel=0.35)
