"""The random scenes are the same for the same seed, cover the trade, and can be seen in their pictures."""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("scipy")  # the renderer's folder needs it
from accuracy.unseen_kinds import KINDS, PIECES, kinds_in_turn
from accuracy.unseen_scenes import LEAST_PX, draw_scene

KIND_NAMES = [*KINDS, *PIECES]


def test_every_kind_of_cloth_comes_before_any_comes_a_third_time():
    turn = kinds_in_turn(len(KINDS) + 6, seed=3)
    assert set(KINDS) <= set(turn)
    assert max(turn.count(kind) for kind in turn) == 2
    assert turn == kinds_in_turn(len(turn), seed=3)
    assert turn != kinds_in_turn(len(turn), seed=4)


@pytest.mark.parametrize("kind", KIND_NAMES)
def test_a_seed_fixes_the_scene(kind):
    assert draw_scene(kind, 5, 2) == draw_scene(kind, 5, 2)
    assert draw_scene(kind, 5, 2) != draw_scene(kind, 5, 4)


def test_an_unknown_kind_is_an_error():
    with pytest.raises(KeyError):
        draw_scene("lace", 5, 2)


@pytest.mark.parametrize("kind", KIND_NAMES)
@pytest.mark.parametrize("index", range(4))
def test_threads_and_card_lie_in_the_picture(kind, index):
    from camera import camera_pose
    from surroundings import card_corners_mm

    scene = draw_scene(kind, 11, index)
    pose = camera_pose(scene.camera)
    size = np.array([scene.camera.width_px, scene.camera.height_px])
    assert (scene.card is None) == (scene.camera.dpi is not None)
    if scene.card is not None:
        assert 5.9e6 <= size.prod() <= 12.1e6
        corners = np.column_stack([card_corners_mm(scene.card), np.zeros(4)])
        seen = pose.project(corners)
        assert (seen > 0).all()
        assert (seen < size).all()
    if scene.cloth is not None:
        px_per_mm = pose.px_per_mm or pose.f_px / scene.camera.distance_mm
        assert px_per_mm * 25.4 / max(scene.cloth.epi, scene.cloth.ppi) >= LEAST_PX


def test_truth_of_a_drawn_scene_counts_what_was_drawn():
    from render import build, true_values

    scene = draw_scene("band", 11, 0)
    truth = true_values(scene, *build(scene))
    assert truth["ends_total"] == scene.cloth.ends
    assert truth["whole_sample_in_frame"]
    assert truth["epi"] == pytest.approx(scene.cloth.epi, rel=0.05)


def test_a_piece_lies_on_the_table():
    from dataclasses import replace

    from piece_mesh import piece_meshes

    piece = replace(draw_scene("stockinette", 11, 0).piece, width_mm=30.0, length_mm=25.0, gauge_mm=5.0)
    for mesh in piece_meshes(piece, 1).values():
        assert mesh.points[:, 2].min() >= 0
        assert np.hypot(*(mesh.points[:, :2] - [piece.x_mm, piece.y_mm]).T).max() < 35.0
        assert mesh.faces.max() < len(mesh.points)
