"""Ends crowded beside a selvedge are followed, or doubted; even edges are left alone."""

from __future__ import annotations

from dataclasses import replace

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


def test_ends_without_looks_leave_room_for_more():
    bgr, mask, _ = on_table(False)
    tracks = followed(bgr, mask)
    likeness = tracks.ends.likeness.copy()
    likeness[:2] = -1.0
    blind = replace(tracks, ends=replace(tracks.ends, likeness=likeness))
    doubted = follow_edges(bgr, mask, blind).ends
    assert doubted.count == tracks.ends.count
    assert doubted.count_high == tracks.ends.count_high + 1
    assert doubted.count_std > tracks.ends.count_std
    assert np.hypot(tracks.ends.count_std, doubted.edge_std) == pytest.approx(doubted.count_std)
