"""Slope and bow of the picks beside the first and the last one."""

from __future__ import annotations

import numpy as np
import pytest

from pickglass.measure.fringe import _pick_course


@pytest.mark.parametrize("slope", [-0.05, 0.0, 0.02, 0.05])
@pytest.mark.parametrize("pitch_px", [4.5, 6.0])
def test_the_next_pick_is_not_taken_for_the_same_one(pitch_px, slope):
    """Rows so close that strips of the width match as well when every pick meets its neighbour."""
    rows, columns = 120, 700
    y, x = np.mgrid[:rows, :columns]
    pulses = 0.5 + 0.5 * np.cos(2 * np.pi * (y - slope * (x - columns / 2)) / pitch_px)
    energy = (pulses + np.random.default_rng(1).normal(0, 0.3, pulses.shape)).astype(np.float32)
    curve = _pick_course(energy, np.ones(energy.shape, bool), (0, columns), (20, 100))
    found = float(np.polyval(np.polyder(curve), columns / 2))
    assert found == pytest.approx(slope, abs=0.006)
