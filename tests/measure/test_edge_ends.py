"""Ends crowded beside a selvedge are followed, or doubted; even edges are left alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from selvedge_scene import BESIDE, Selvedges, draw_selvedges

from pickglass.measure.edge_ends import follow_edges
from pickglass.measure.track import track_threads

EVEN = Selvedges()
CROWDED = Selvedges(closeness=0.62)


def drawn(what):
    """Picture, outline and number of ends."""
    piece = draw_selvedges(what, np.random.default_rng(0))
    return piece.bgr, piece.mask, what.ends


def followed(bgr, mask):
    return track_threads(bgr, mask, pitch_x_px=EVEN.pitch_px, pitch_y_px=EVEN.pick_pitch_px)


def test_an_even_edge_is_left_alone():
    bgr, mask, count = drawn(EVEN)
    tracks = followed(bgr, mask)
    assert tracks.ends.count == count
    assert follow_edges(bgr, mask, tracks) is tracks


def test_crowded_ends_are_counted_or_doubted():
    bgr, mask, count = drawn(CROWDED)
    before = followed(bgr, mask)
    after = follow_edges(bgr, mask, before)
    assert abs(after.ends.count - count) <= abs(before.ends.count - count)
    assert abs(after.ends.count - count) <= max(0.5, 2.0 * after.ends.count_std)


@pytest.mark.parametrize("wander", [0.0, 0.3, 0.6])
def test_crowded_ends_are_found_where_the_edge_wanders(wander):
    bgr, mask, count = drawn(replace(CROWDED, wander=wander))
    before = followed(bgr, mask)
    after = follow_edges(bgr, mask, before)
    assert before.ends.count < count - 1
    assert after.ends.count == count


def test_picks_stay_where_they_were_followed():
    bgr, mask, _ = drawn(CROWDED)
    before = followed(bgr, mask)
    after = follow_edges(bgr, mask, before)
    assert after.threads is not before.threads
    np.testing.assert_array_equal(after.picks.positions_px, before.picks.positions_px)
    middle = after.threads.grid_y_px[:, after.threads.grid_y_px.shape[1] // 2]
    at_px = np.interp(after.picks.centres_index, np.arange(len(middle)), middle)
    np.testing.assert_allclose(at_px, before.picks.positions_px, atol=0.05)


def test_ends_without_looks_leave_room_for_more():
    bgr, mask, _ = drawn(EVEN)
    # The outermost ends on the left in one colour: nothing shows where they lie.
    left = int(BESIDE * EVEN.pitch_px)
    bgr[:, left : left + round(2.2 * EVEN.pitch_px)] = bgr[:, left:-left].reshape(-1, 3).mean(axis=0)
    tracks = followed(bgr, mask)
    doubted = follow_edges(bgr, mask, tracks).ends
    assert doubted.likeness[:2].min() < 0.0
    assert doubted.edge_std > 0.0
    assert doubted.count_high > doubted.count
    assert doubted.count_std > doubted.edge_std
