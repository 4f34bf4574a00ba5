"""The derivatives that fit the pose of a card, beside differences of the residuals themselves."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pickglass.calibration.plane import Plane
from pickglass.calibration.pose_model import SeenEdges, unpack

SIZE_MM = (85.6, 53.98)
CENTRE = (2000.0, 1500.0)


@settings(deadline=None, max_examples=40)
@given(
    turn=st.tuples(st.floats(-0.4, 0.4), st.floats(-0.4, 0.4), st.floats(-3.0, 3.0)),
    place=st.tuples(st.floats(-1, 1), st.floats(-1, 1), st.floats(2.5, 6)),
    focal=st.floats(1500, 5000),
    k1=st.floats(-0.06, 0.06),
)
def test_jacobian_agrees_with_central_differences(turn, place, focal, k1) -> None:
    parameters = np.concatenate([turn, place, [np.log(focal), k1, 0.1, 0.0, 0.0], np.zeros(4)])
    rng = np.random.default_rng(0)
    side = rng.integers(0, 4, 24)
    homography, lens = unpack(parameters, SIZE_MM[0], CENTRE)
    plane = Plane(px_from_mm=homography, source="bank-card", lens=lens)
    points_px = plane.to_px(rng.uniform(-40, 40, (24, 2)))
    px_per_mm = rng.uniform(8, 12, 24)
    seen = SeenEdges(
        points_px=points_px,
        side=side,
        std_px=np.ones(24),
        size_mm=SIZE_MM,
        thickness_mm=0.76,
        centre_px=CENTRE,
    )

    def residuals(at: np.ndarray) -> np.ndarray:
        return seen.residuals(at, px_per_mm)

    found = seen.curved_jacobian(parameters, px_per_mm)
    for i in range(found.shape[1]):
        step = np.zeros(len(parameters))
        step[i] = 1e-6
        expected = (residuals(parameters + step) - residuals(parameters - step)) / 2e-6
        # The lens is undone by four rounds of a fixed point, which leaves some 1e-5 of its own effect.
        assert found[:, i] == pytest.approx(expected, rel=1e-3, abs=1e-3 * np.abs(expected).max())
