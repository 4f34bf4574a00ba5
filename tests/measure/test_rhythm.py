"""The node that a weave's rhythm is built from, and pitches at which there is none."""

from __future__ import annotations

import numpy as np
import pytest

from cloth import make_cloth
from pickglass.measure.repeat import read_weave
from pickglass.measure.rhythm import leading_node
from pickglass.measure.track import track_threads

QUIET = {(1, 0, 2): 0.1, (0, 1, 2): 0.1, (1, 1, 2): 0.1, (1, 1, 4): 0.1, (1, 2, 5): 0.1, (2, 1, 5): 0.1}


def test_a_node_beside_its_fraction_is_no_weaves():
    """As strong in the band of 3/8 as in that of 1/3 it lies between them."""
    assert leading_node(QUIET | {(1, 1, 3): 0.41, (3, 3, 8): 0.10}) == (1, 1, 3)
    assert leading_node(QUIET | {(1, 1, 3): 0.41, (3, 3, 8): 0.39}) is None


def test_a_neighbour_far_away_takes_nothing_from_a_node():
    assert leading_node(QUIET | {(1, 1, 3): 0.41, (3, 1, 8): 0.30}) == (1, 1, 3)


@pytest.mark.parametrize("seed", range(3))
def test_a_satin_over_eight_is_no_twill_of_too_few_picks(seed):
    """Led by eight thirds of its picks it was named a twill over three, and sometimes measured so."""
    cloth = make_cloth((640, 640), end_pitch_px=12.0, pick_pitch_px=12.5, weave="satin 8", seed=seed)
    mask = np.ones(cloth.bgr.shape[:2], bool)
    right, wrong = (
        read_weave(track_threads(cloth.bgr, mask, pitch_x_px=12.0, pitch_y_px=pitch)).name
        for pitch in (12.5, 12.5 * 8 / 3)
    )
    assert right == "satin"
    assert wrong != "twill"
