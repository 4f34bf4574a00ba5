"""Straightening by a thread index: every whole index lands where the index says."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from pickglass.measure.phase import PX_PER_THREAD, LatticePicture
from pickglass.measure.thread_picture import IndexField, resample_on_threads

ROWS, COLUMNS = 50, 40


def index_of(threads_in_one, wander):
    """Ends that lie `threads_in_one` to a usual spacing in a stretch beside the last, on cloth that wanders."""
    rate = np.ones(COLUMNS)
    rate[-12:-5] = threads_in_one
    passed = np.concatenate([[0.0], np.cumsum((rate[1:] + rate[:-1]) / 2)])
    noise = np.random.default_rng(3).standard_normal((ROWS, COLUMNS)).astype(np.float32)
    slow = wander * cv2.GaussianBlur(noise, (0, 0), 5) * 10
    everywhere = np.ones((ROWS, COLUMNS), np.float32)
    return IndexField(
        end_index=(passed[None] + slow).astype(np.float32),
        pick_index=(np.arange(ROWS)[:, None] + slow).astype(np.float32),
        end_coherence=everywhere,
        pick_coherence=everywhere,
        cloth=everywhere,
        x_px=np.arange(COLUMNS) * float(PX_PER_THREAD),
        y_px=np.arange(ROWS) * float(PX_PER_THREAD),
    )


@pytest.mark.parametrize("threads_in_one", [1.0, 1.6, 2.2])
@pytest.mark.parametrize("wander", [0.0, 0.3])
def test_every_index_lands_where_the_field_has_it(threads_in_one, wander):
    field = index_of(threads_in_one, wander)
    size = ROWS * PX_PER_THREAD, COLUMNS * PX_PER_THREAD
    blank = LatticePicture(
        bgr=np.zeros((*size, 3), np.float32), cloth=np.ones(size, np.float32), scale_x=1.0, scale_y=1.0
    )
    threads = resample_on_threads(blank, field, margin=0)
    x, y = (grid / PX_PER_THREAD for grid in (threads.grid_x_px, threads.grid_y_px))
    inside = (x > 1) & (x < COLUMNS - 2) & (y > 1) & (y < ROWS - 2)
    assert inside.sum() > 0.6 * inside.size
    for index, first, axis in (
        (field.end_index, threads.first_end, 1),
        (field.pick_index, threads.first_pick, 0),
    ):
        there = cv2.remap(index, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR)
        asked = np.expand_dims(first + np.arange(x.shape[axis]), 1 - axis)
        # A thirty-second of a spacing is the grain of OpenCV's interpolation, here doubled where ends lie closest.
        assert np.abs(there - asked)[inside].max() < 0.08
