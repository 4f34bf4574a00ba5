"""What is refused, and what the weaver is told to do about it."""

from __future__ import annotations

import numpy as np
import pytest
from notcloth import make_other

from pickglass.calibration.errors import SampleError
from pickglass.calibration.photo import Photo
from pickglass.calibration.plane import scaling_plane
from pickglass.measure.sett import SettOptions, measure_sett


def _advice(bgr: np.ndarray) -> str:
    photo = Photo(bgr=bgr, name="wall.png")
    with pytest.raises(SampleError) as refused:
        measure_sett(photo, scaling_plane(1.0, "none"), SettOptions(all_cloth=True))
    assert refused.value.code == "not-woven"
    return refused.value.next_step


def test_who_shows_few_threads_is_not_sent_nearer():
    """Six bricks each way: if they were threads, the photo would have to show more of them."""
    assert "at least 12 threads" in _advice(make_other("brick", (160, 160), pitch_px=26.0, seed=3))


def test_who_shows_many_is_sent_nearer():
    assert "from nearer" in _advice(make_other("brick", (480, 480), pitch_px=12.0, seed=3))
