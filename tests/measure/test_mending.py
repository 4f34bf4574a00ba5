"""The number of picks woven: what was followed, mended by what the sheds show."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cloth import Yarn, make_cloth
from pickglass.measure import mending
from pickglass.measure.mending import woven_picks, woven_track
from pickglass.measure.repeat import read_weave
from pickglass.measure.sheds import ShedRuns
from pickglass.measure.track import track_threads
from pickglass.measure.tracks import doubt_count


@pytest.fixture(scope="module")
def tracks():
    cloth = make_cloth(
        (700, 240), end_pitch_px=7.0, pick_pitch_px=16.0, ends=Yarn(cover=1.4), crimp_share=1.0, seed=2
    )
    mask = np.ones(cloth.bgr.shape[:2], bool)
    return track_threads(cloth.bgr, mask, pitch_x_px=7.0, pitch_y_px=16.0)


def without(tracks, k):
    """The same cloth, with pick `k` passed over."""
    picks = tracks.picks
    names = ("positions_px", "lines_px", "stations_px", "centres_index", "place_in_repeat", "likeness")
    arrays = {name: np.delete(getattr(picks, name), k, axis=0) for name in names}
    fewer = (picks.count - 1) / (picks.count - 2)
    passed = replace(
        picks,
        count=picks.count - 1,
        count_mean=picks.count_mean - 1,
        pitch_px=picks.pitch_px * fewer,
        **arrays,
    )
    return replace(tracks, picks=passed)


def test_leaves_alone_what_was_followed_rightly(tracks):
    assert woven_track(tracks, read_weave(tracks)) is tracks.picks


def test_counts_a_pick_that_was_passed_over(tracks):
    weave = read_weave(tracks)
    assert weave.name == "plain"
    lost = without(tracks, 17)
    woven = woven_track(lost, weave)
    assert woven.count == tracks.picks.count
    assert woven.pitch_px == pytest.approx(tracks.picks.pitch_px)
    assert woven.positions_px[17] == pytest.approx(tracks.picks.positions_px[17], abs=2.0)
    assert woven.centres_index[17] == pytest.approx(tracks.picks.centres_index[17], abs=0.2)
    assert woven.count_std > lost.picks.count_std


def test_the_doubt_of_what_was_mended_goes(tracks):
    lost = without(tracks, 17)
    doubtful = replace(lost, picks=doubt_count(lost.picks, 1.0))
    woven = woven_track(doubtful, read_weave(tracks))
    assert woven.passed_over == 0.0
    assert woven.count_std < doubtful.picks.count_std
    twice = replace(lost, picks=doubt_count(lost.picks, 3.0))
    assert woven_track(twice, read_weave(tracks)).passed_over == 2.0


def test_puts_no_pick_where_the_crossings_show_that_none_lies(tracks, monkeypatch):
    """A missed pick leaves a gap that the rhythm fills; a shed read in it brought the pick back that was just left out."""
    k = 17
    at = tracks.picks.positions_px[k]
    picks = np.delete(tracks.picks.positions_px, k)
    shed = (tracks.picks.positions_px[:-1] + tracks.picks.positions_px[1:]) / 2
    runs = np.ones(len(shed) - 1)
    sheds = ShedRuns(edges_px=shed, strength=runs, support=runs[None], regular=1.0)
    monkeypatch.setattr(mending, "phantom_picks", lambda tracks, crossings: np.array([k]))
    found, _, _, inferred = woven_picks(tracks, "seen", sheds)
    assert found == pytest.approx(picks)
    assert not inferred.any()
    monkeypatch.setattr(mending, "phantom_picks", lambda tracks, crossings: np.zeros(0, int))
    found, _, _, inferred = woven_picks(without(tracks, k), "seen", sheds)
    assert found[inferred] == pytest.approx([at], abs=1.0)
