"""Ends crowded beside a selvedge are followed, or doubted; even edges are left alone."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from cloth import make_cloth
from pickglass.measure.edge_ends import follow_edges
from pickglass.measure.track import track_threads

PITCH = 12.0
TABLE = (96, 104, 112)
CROWDED, CLOSENESS = 5, 0.62


def on_table(crowded):
    """Thirty ends on a table; the last of them at `CLOSENESS` of the usual spacing if asked."""
    cloth = make_cloth((420, 480), end_pitch_px=PITCH, pick_pitch_px=12.0, seed=5)
    inside = np.sort(cloth.ends_px)[3:33]
    left, right = round(inside[0] - PITCH / 2), round(inside[-1] + PITCH / 2)
    piece = cloth.bgr[:, left:right]
    if crowded:
        at = round(inside[-1 - CROWDED] + PITCH / 2 - left)
        outer = piece[:, at:]
        width = round(CLOSENESS * outer.shape[1])
        outer = cv2.resize(outer, (width, len(outer)), interpolation=cv2.INTER_AREA)
        piece = np.concatenate([piece[:, :at], outer], axis=1)
    bgr = np.empty((len(piece), piece.shape[1] + 140, 3), np.uint8)
    bgr[:] = TABLE
    bgr[:, 70:-70] = piece
    mask = np.zeros(bgr.shape[:2], bool)
    mask[:, 70:-70] = True
    return bgr, mask, len(inside)


def wandering(bgr, mask, reach_px):
    """Let the cloth grow wider and narrower along the warp, by `reach_px` at either selvedge."""
    rows, columns = mask.shape
    x = np.arange(columns, dtype=np.float32)[None] - columns / 2
    half = mask[0].sum() / 2
    wave = reach_px * np.sin(2 * np.pi * np.arange(rows, dtype=np.float32) / 210)[:, None]
    map_x = (x * half / (half + wave) + columns / 2).astype(np.float32)
    map_y = np.repeat(np.arange(rows, dtype=np.float32)[:, None], columns, axis=1)
    moved = cv2.remap(bgr, map_x, map_y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return moved, cv2.remap(mask.astype(np.uint8), map_x, map_y, cv2.INTER_NEAREST) > 0


def followed(bgr, mask):
    return track_threads(bgr, mask, pitch_x_px=PITCH, pitch_y_px=12.0)


def test_an_even_edge_is_left_alone():
    bgr, mask, count = on_table(False)
    tracks = followed(bgr, mask)
    assert abs(tracks.ends.count - count) <= 1
    assert follow_edges(bgr, mask, tracks) is tracks


def test_crowded_ends_are_counted_or_doubted():
    bgr, mask, count = on_table(True)
    before = followed(bgr, mask)
    after = follow_edges(bgr, mask, before)
    assert abs(after.ends.count - count) <= abs(before.ends.count - count)
    assert abs(after.ends.count - count) <= max(0.5, 2.0 * after.ends.count_std)


@pytest.mark.parametrize("reach_px", [0.0, 0.3 * PITCH])
def test_crowded_ends_are_found_where_the_edge_wanders(reach_px):
    bgr, mask, count = on_table(True)
    bgr, mask = wandering(bgr, mask, reach_px)
    before = followed(bgr, mask)
    after = follow_edges(bgr, mask, before)
    # A cut edge without turns of the weft hides half an end: even edges drawn so are counted one short as well.
    assert before.ends.count < count - 1
    assert abs(after.ends.count - count) <= 1


def test_picks_stay_where_they_were_followed():
    bgr, mask, _ = on_table(True)
    before = followed(bgr, mask)
    after = follow_edges(bgr, mask, before)
    assert after.threads is not before.threads
    np.testing.assert_array_equal(after.picks.positions_px, before.picks.positions_px)
    middle = after.threads.grid_y_px[:, after.threads.grid_y_px.shape[1] // 2]
    at_px = np.interp(after.picks.centres_index, np.arange(len(middle)), middle)
    np.testing.assert_allclose(at_px, before.picks.positions_px, atol=0.05)


def test_ends_without_looks_leave_room_for_more():
    bgr, mask, _ = on_table(False)
    # The outermost ends on the left in one colour: nothing shows where they lie.
    bgr[:, 70 : 70 + round(2.2 * PITCH)] = bgr[:, 70:-70].reshape(-1, 3).mean(axis=0)
    tracks = followed(bgr, mask)
    doubted = follow_edges(bgr, mask, tracks).ends
    assert doubted.likeness[:2].min() < 0.0
    assert doubted.edge_std > 0.0
    assert doubted.count_high > doubted.count
    assert doubted.count_std > doubted.edge_std
