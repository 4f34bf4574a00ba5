"""Counting every thread: on drawn cloth with known threads, on faults, and on path-traced photos."""

from __future__ import annotations

import numpy as np
import pytest
from scene_patches import scene_patch, woven_scenes

from cloth import Camera, Setting, Yarn, make_cloth
from pickglass.measure.comb import fit_comb
from pickglass.measure.phase import PX_PER_THREAD
from pickglass.measure.track import _placed_by_neighbours, track_threads

TABLE = (96, 104, 112)
ODD_PITCHES = (1.04, 0.96)


def on_table(cloth, *, drop=2, outline=(0.0, 0.0)):
    """Cut the cloth half a thread beyond the third thread of every side and lay it on a table.

    `outline` moves the sides of the mask outwards, in threads. Returns picture, mask, ends and picks.
    """
    ends, picks = np.sort(cloth.ends_px)[drop:-drop], np.sort(cloth.picks_px)[drop:-drop]
    half = np.round([np.diff(ends).mean() / 2, np.diff(picks).mean() / 2]).astype(int)
    x0, x1 = round(ends[0]) - half[0], round(ends[-1]) + half[0]
    y0, y1 = round(picks[0]) - half[1], round(picks[-1]) + half[1]
    margin = 70
    bgr = np.empty((y1 - y0 + 2 * margin, x1 - x0 + 2 * margin, 3), np.uint8)
    bgr[:] = TABLE
    noise = np.random.default_rng(0).normal(0, 3, bgr.shape)
    bgr = np.clip(bgr + noise, 0, 255).astype(np.uint8)
    bgr[margin:-margin, margin:-margin] = cloth.bgr[y0:y1, x0:x1]
    grow_x, grow_y = round(outline[0] * 2 * half[0]), round(outline[1] * 2 * half[1])
    mask = np.zeros(bgr.shape[:2], bool)
    mask[margin - grow_y : grow_y - margin, margin - grow_x : grow_x - margin] = True
    return bgr, mask, ends - x0 + margin, picks - y0 + margin


def follow(bgr, mask, cloth, **kwargs):
    return track_threads(
        bgr,
        mask,
        pitch_x_px=cloth.end_pitch_px * ODD_PITCHES[0],
        pitch_y_px=cloth.pick_pitch_px * ODD_PITCHES[1],
        **kwargs,
    )


def rms_in_threads(found, truth):
    difference = found - truth
    return float(np.sqrt(np.mean((difference - np.median(difference)) ** 2))) / np.diff(truth).mean()


CASES = {
    "plain": {"end_pitch_px": 10.0, "pick_pitch_px": 11.0},
    "uneven": {
        "end_pitch_px": 11.0,
        "pick_pitch_px": 12.0,
        "end_setting": Setting(cv=0.1),
        "pick_setting": Setting(cv=0.1, drift=0.12),
    },
    "twill": {"end_pitch_px": 9.0, "pick_pitch_px": 10.0, "weave": "twill 2/2"},
    "satin": {"end_pitch_px": 9.0, "pick_pitch_px": 9.0, "weave": "satin 5"},
    "basket": {"end_pitch_px": 9.0, "pick_pitch_px": 10.0, "weave": "basket 2/2"},
    "warp-faced": {"end_pitch_px": 7.0, "pick_pitch_px": 20.0, "ends": Yarn(cover=1.4), "crimp_share": 1.0},
    "colour stripes": {
        "end_pitch_px": 10.0,
        "pick_pitch_px": 11.0,
        "ends": Yarn(colours=((0.1, 0.1, 0.5),) * 5 + ((0.8, 0.8, 0.8),) * 5),
    },
    "open": {
        "end_pitch_px": 12.0,
        "pick_pitch_px": 13.0,
        "ends": Yarn(cover=0.5),
        "picks": Yarn(cover=0.5, colours=((0.7, 0.68, 0.65),)),
    },
}


# The drawn cloth is cut off straight. Where the cut runs through long floats or open cloth it leaves halves of
# threads, and the count has to admit that it may be one off; elsewhere it has to be exact.
CUT_THROUGH_FLOATS = {"twill", "warp-faced", "open"}


@pytest.mark.parametrize("name", CASES)
def test_counts_and_places_every_thread(name):
    cloth = make_cloth((420, 380), seed=11, **CASES[name])
    bgr, mask, ends, picks = on_table(cloth, outline=(0.2, -0.1))
    tracks = follow(bgr, mask, cloth)
    if name not in CUT_THROUGH_FLOATS:
        assert tracks.ends.count == len(ends)
    for track, truth in ((tracks.ends, ends), (tracks.picks, picks)):
        assert track.count_low <= len(truth) <= track.count_high
        assert abs(track.count - len(truth)) <= 1
        nearest = np.abs(track.positions_px[1:-1, None] - truth[None]).argmin(axis=1)
        # No thread left out or put in between, and each within an eighth of a thread of its place.
        assert np.all(np.diff(nearest) == 1)
        assert rms_in_threads(track.positions_px[1:-1], truth[nearest]) < 0.125


@pytest.mark.parametrize("seed", range(3))
def test_mean_pitch_keeps_within_its_own_uncertainty(seed):
    cloth = make_cloth((420, 380), end_pitch_px=9.3, pick_pitch_px=10.7, seed=seed)
    tracks = follow(cloth.bgr, np.ones(cloth.bgr.shape[:2], bool), cloth)
    for track, truth in ((tracks.ends, cloth.ends_px), (tracks.picks, cloth.picks_px)):
        whole = np.abs(track.positions_px[:, None] - np.sort(truth)[None]).argmin(axis=1)
        spacing = np.polyfit(np.arange(len(whole)), np.sort(truth)[whole], 1)[0]
        assert track.middle_pitch_px == pytest.approx(spacing, rel=0.01)
        assert 0 < track.middle_pitch_u_px < 0.01 * spacing


def test_bow_and_skew_are_followed():
    cloth = make_cloth(
        (420, 380), end_pitch_px=10, pick_pitch_px=11, seed=2, camera=Camera(bow=0.05, skew=0.04)
    )
    tracks = follow(cloth.bgr, np.ones(cloth.bgr.shape[:2], bool), cloth)
    picks = np.sort(cloth.picks_px)
    at = np.abs(tracks.picks.positions_px[3:-3, None] - picks[None]).argmin(axis=1)
    assert np.all(np.diff(at) == 1)
    course = tracks.picks.lines_px[len(tracks.picks.lines_px) // 2]
    # Skew 4 % over the width is more than a thread; the course of one pick has to show it.
    assert np.ptp(course) > 10


def test_a_missed_pick_is_a_slip_of_the_rhythm():
    cloth = make_cloth((460, 360), end_pitch_px=10, pick_pitch_px=12, seed=5)
    picks = np.sort(cloth.picks_px)
    gone = len(picks) // 2
    cut = (round((picks[gone - 1] + picks[gone]) / 2), round((picks[gone] + picks[gone + 1]) / 2))
    bgr = np.delete(cloth.bgr, np.s_[cut[0] : cut[1]], axis=0)
    tracks = follow(bgr, np.ones(bgr.shape[:2], bool), cloth)
    before = follow(cloth.bgr, np.ones(cloth.bgr.shape[:2], bool), cloth)
    assert tracks.picks.count == before.picks.count - 1
    assert not before.picks.slips
    assert len(tracks.picks.slips) == 1
    assert abs(tracks.picks.positions_px[tracks.picks.slips[0]] - cut[0]) < 1.5 * cloth.pick_pitch_px


def test_a_doubled_pick_is_counted():
    cloth = make_cloth((460, 360), end_pitch_px=10, pick_pitch_px=12, seed=6)
    picks = np.sort(cloth.picks_px)
    twice = len(picks) // 2
    rows = np.s_[round((picks[twice - 1] + picks[twice]) / 2) : round((picks[twice] + picks[twice + 1]) / 2)]
    bgr = np.insert(cloth.bgr, rows.stop, cloth.bgr[rows], axis=0)
    tracks = follow(bgr, np.ones(bgr.shape[:2], bool), cloth)
    before = follow(cloth.bgr, np.ones(cloth.bgr.shape[:2], bool), cloth)
    assert tracks.picks.count == before.picks.count + 1
    assert len(tracks.picks.slips) == 1


def test_a_hole_does_not_lose_a_thread():
    cloth = make_cloth((460, 420), end_pitch_px=10, pick_pitch_px=11, seed=8)
    bgr, mask, ends, _ = on_table(cloth, outline=(0.1, 0.0))
    middle = np.s_[mask.shape[0] // 2 - 90 : mask.shape[0] // 2 + 90, 150:290]
    bgr[middle] = TABLE
    mask[middle] = False
    tracks = follow(bgr, mask, cloth)
    assert tracks.ends.count == len(ends)
    assert "holes" in tracks.ends.flags
    assert rms_in_threads(tracks.ends.positions_px, ends) < 0.12


def test_a_cut_side_is_flagged():
    cloth = make_cloth((300, 320), end_pitch_px=10, pick_pitch_px=11, seed=1)
    tracks = follow(cloth.bgr, np.ones(cloth.bgr.shape[:2], bool), cloth)
    assert {"first-cut", "last-cut"} <= tracks.ends.flags
    assert {"first-cut", "last-cut"} <= tracks.picks.flags


@pytest.mark.parametrize("noise", [0, 40])
def test_nothing_woven_is_not_certain(noise):
    rng = np.random.default_rng(4)
    bgr = np.clip(rng.normal(120, noise, (200, 220, 3)), 0, 255).astype(np.uint8)
    tracks = track_threads(bgr, np.ones((200, 220), bool), pitch_x_px=9.0, pitch_y_px=10.0)
    ends = tracks.ends
    assert ends.count == 0 or ends.probability < 0.9 or "faint" in ends.flags or ends.coherence < 0.6


def test_six_threads_are_enough():
    cloth = make_cloth((96, 104), end_pitch_px=14, pick_pitch_px=16, seed=9)
    tracks = follow(cloth.bgr, np.ones(cloth.bgr.shape[:2], bool), cloth)
    assert abs(tracks.ends.count - len(cloth.ends_px)) <= 1


def test_the_field_and_its_way_back_agree():
    cloth = make_cloth((300, 320), end_pitch_px=10, pick_pitch_px=11, seed=3, camera=Camera(turn_deg=1.5))
    tracks = follow(cloth.bgr, np.ones(cloth.bgr.shape[:2], bool), cloth)
    threads = tracks.threads
    x, y = threads.to_patch(
        np.array([threads.first_end + 10.0, threads.first_end + 10.5]),
        np.array([threads.first_pick + 8.0] * 2),
    )
    assert (x[0], y[0]) == pytest.approx((threads.grid_x_px[8, 10], threads.grid_y_px[8, 10]))
    assert x[1] == pytest.approx((threads.grid_x_px[8, 10] + threads.grid_x_px[8, 11]) / 2)
    centre = np.median(tracks.pitch_map_px[0])
    assert centre == pytest.approx(cloth.end_pitch_px, rel=0.02)


def comb_of(score, **edges):
    n = score.shape[1]
    free = np.zeros(n)
    return fit_comb(
        score,
        np.full(n, float(PX_PER_THREAD)),
        start_cost=edges.get("start", free),
        stop_cost=edges.get("stop", free),
        sigma=np.full(n, 0.16),
    )


def test_comb_bridges_a_thread_that_does_not_show():
    k = PX_PER_THREAD
    score = np.full((1, 20 * k), -3.0)
    shown = [i for i in range(20) if i != 9]
    score[0, [i * k + k // 2 for i in shown]] = 4.0
    comb = comb_of(score)
    assert len(comb.centres) == 20
    assert comb.likeness[9] < 0
    assert max(comb.count_probability, key=lambda n: comb.count_probability[n]) == 20


def test_comb_says_how_sure_its_count_is():
    k = PX_PER_THREAD
    score = np.full((1, 20 * k), -3.0)
    score[0, [i * k + k // 2 for i in range(20)]] = 4.0
    sure = comb_of(score)
    score[0, 19 * k + k // 2] = 0.0  # the last thread neither shows nor does not
    torn = comb_of(score)
    assert sure.count_probability[20] > 0.95
    assert torn.count_probability[20] == pytest.approx(torn.count_probability[19], rel=0.05)


# What the path-traced photos leave open: the outermost end of a warp-faced band may hide behind the weft turns.
@pytest.mark.parametrize(
    "name", woven_scenes()[::6] or [pytest.param("none", marks=pytest.mark.skip("no scenes"))]
)
def test_path_traced_ends_within_one(name):
    patch = scene_patch(name)
    truth = patch.truth
    picks = np.diff(truth["pick_v_mm"]).mean() / np.diff(truth["end_u_mm"]).mean()
    pitch = np.diff(patch.ends_px).mean()
    outline = np.zeros(patch.mask.shape, bool)
    outline[:, max(0, round(patch.ends_px[0] - 1.1 * pitch)) : round(patch.ends_px[-1] + 1.1 * pitch)] = True
    tracks = track_threads(
        patch.bgr, patch.mask & outline, pitch_x_px=1.03 * pitch, pitch_y_px=0.97 * abs(picks) * pitch
    )
    assert tracks.ends.count_low - 1 <= len(patch.ends_px) <= tracks.ends.count_high + 1
    assert abs(tracks.ends.count - len(patch.ends_px)) <= 1
    inner = tracks.ends.positions_px[3:-3]
    nearest = np.abs(inner[:, None] - patch.ends_px[None]).argmin(axis=1)
    assert np.all(np.diff(nearest) == 1)


def test_a_sample_of_too_many_threads_is_followed_in_its_middle() -> None:
    """What fits in memory is followed at the right place of the patch, and said to be a part."""
    cloth = make_cloth((420, 360), end_pitch_px=9.0, pick_pitch_px=10.0, seed=2)
    mask = np.ones(cloth.bgr.shape[:2], bool)
    whole = track_threads(cloth.bgr, mask, pitch_x_px=9.0, pitch_y_px=10.0)
    part = track_threads(cloth.bgr, mask, pitch_x_px=9.0, pitch_y_px=10.0, most_crossings=700)
    for some, every in ((part.ends, whole.ends), (part.picks, whole.picks)):
        assert "part" in some.flags
        assert "part" not in every.flags
        assert 0.4 * every.count < some.count < 0.9 * every.count
        nearest = np.abs(some.positions_px[2:-2, None] - every.positions_px[None]).min(axis=1)
        assert nearest.max() < 0.15 * every.pitch_px


def test_outermost_threads_make_no_band_faint():
    """Of a band of twelve ends the outermost are a sixth, and half of what is around them is table."""
    likeness = np.array([-1.0, 0.5, *[4.0] * 8, 3.0, -2.0])
    assert _placed_by_neighbours(likeness) == 0.0
    likeness[5] = -1.0
    assert _placed_by_neighbours(likeness) == pytest.approx(1 / 8)
