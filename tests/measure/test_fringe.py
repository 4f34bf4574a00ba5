import cv2
import numpy as np
import pytest

from pickglass.measure.fringe import woven_limit

PX_PER_MM, PICK_PX, WIDTH = 12, 15, 300


def energy(seed, table_rows, tips_rows, fringe_rows, fringe=0.055):
    """Change along the warp: nothing on the table, most at the tips, little in the fringe, pulses in the cloth."""
    rng = np.random.default_rng(seed)
    cloth_rows = 450
    tips = 0.05 + 0.3 * np.sin(np.linspace(0, np.pi, tips_rows))
    cloth = 0.055 + 0.055 * (0.5 - 0.5 * np.cos(np.arange(cloth_rows) * 2 * np.pi / PICK_PX))
    level = np.concatenate([np.full(table_rows, 0.005), tips, np.full(fringe_rows, fringe), cloth])
    picture = level[:, None] * rng.lognormal(0, 0.25, (len(level), WIDTH))
    blurred = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), 1.5)
    return blurred, table_rows + tips_rows + fringe_rows


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("table_rows", [10, 40, 70])
def test_a_wide_margin_of_table_hides_no_fringe(seed, table_rows):
    # The table is far quieter than any fringe: measured against it the fringe of twisted yarn looked like cloth.
    picture, begins = energy(seed, table_rows, 36, 66)
    seen = np.ones(picture.shape, bool)
    curve = woven_limit(picture, seen, (0, WIDTH), (0, len(picture) - 20), PX_PER_MM)
    assert curve is not None
    assert abs(np.polyval(curve, WIDTH / 2) - begins) < PICK_PX
