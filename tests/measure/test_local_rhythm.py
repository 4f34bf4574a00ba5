"""Local spectra count threads on their own: they see what tracking stepped over, and help it."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from cloth import make_cloth
from pickglass.measure.local_rhythm import (
    LocalRhythm,
    index_by_rhythm,
    read_local_rhythm,
    threads_passed_over,
)
from pickglass.measure.track import track_threads
from pickglass.measure.tracks import doubt_count

PITCH = 12.0
CLOSER = 0.72


@pytest.fixture(scope="module")
def followed():
    """Plain cloth whose picks lie a quarter closer in its middle third, and the threads followed in it."""
    cloth = make_cloth((900, 300), end_pitch_px=10.0, pick_pitch_px=PITCH, seed=4)
    sized = [(300, CLOSER), (300, 1.0)]
    parts = [cloth.bgr[:300]]
    for k, (rows, scale) in enumerate(sized, start=1):
        part = cloth.bgr[k * rows : (k + 1) * rows]
        parts.append(cv2.resize(part, (part.shape[1], round(scale * rows)), interpolation=cv2.INTER_AREA))
    bgr = np.concatenate(parts)
    mask = np.ones(bgr.shape[:2], bool)
    tracks = track_threads(bgr, mask, pitch_x_px=10.0, pitch_y_px=PITCH * (2 + CLOSER) / 3)
    return int(np.sum((cloth.picks_px > 0) & (cloth.picks_px < 900))), bgr, mask, tracks


def rhythm(tracks, kept):
    picks = tracks.picks
    return read_local_rhythm(tracks.planes, picks.positions_px[kept], picks.centres_index[kept], 1)


def test_agrees_where_every_thread_was_followed(followed):
    picks, _, _, tracks = followed
    assert abs(tracks.picks.count - picks) <= 1
    assert threads_passed_over(rhythm(tracks, np.arange(tracks.picks.count))) == 0.0


@pytest.mark.parametrize("missing", [[33], [30, 33, 36], [18, 20, 22, 50, 53]])
def test_sees_threads_that_were_passed_over(followed, missing):
    _, _, _, tracks = followed
    kept = np.delete(np.arange(tracks.picks.count), missing)
    assert threads_passed_over(rhythm(tracks, kept)) == pytest.approx(
        len(missing), abs=0.35 * len(missing) + 0.3
    )


def test_sees_threads_counted_twice(followed):
    _, _, _, tracks = followed
    picks = tracks.picks
    doubled = np.sort(np.concatenate([np.arange(picks.count), [30.5, 33.5, 36.5]]))
    at = [np.interp(doubled, np.arange(picks.count), a) for a in (picks.positions_px, picks.centres_index)]
    assert threads_passed_over(read_local_rhythm(tracks.planes, *at, 1)) == pytest.approx(3.0, abs=1.2)


def test_leads_the_tracking_back_to_the_threads_it_passed_over(followed):
    _, bgr, mask, tracks = followed
    kept = np.delete(np.arange(tracks.picks.count), [30, 33, 36])
    ends = read_local_rhythm(tracks.planes, tracks.ends.positions_px, tracks.ends.centres_index, 0)
    index = index_by_rhythm(ends, rhythm(tracks, kept), tracks.threads)
    picks = tracks.picks
    # What the spectra count agrees with all that were followed, not with those kept.
    every = np.interp(picks.centres_index, np.arange(len(index.pick_index)), index.pick_index[:, 0])
    assert every[-1] - every[0] == pytest.approx(picks.count - 1, abs=0.5)
    again = track_threads(
        bgr,
        mask,
        pitch_x_px=10.0,
        pitch_y_px=1.08 * picks.pitch_px,
        guide=(tracks.threads, index),
    )
    assert again.picks.count == picks.count


def test_doubt_holds_what_was_passed_over(followed):
    _, _, _, tracks = followed
    sure = replace(tracks.picks, count_std=0.1)
    doubtful = doubt_count(sure, 2.0)
    assert doubtful.count == sure.count
    assert 2.0 * doubtful.count_std >= 2.0
    assert doubtful.count_low <= sure.count_low - 2
    assert doubtful.count_high >= sure.count_high + 2
    assert doubt_count(sure, 0.0) == sure


@pytest.mark.parametrize(
    ("clearness", "ahead", "told"),
    [
        (4.0, 0.7, True),
        (2.6, 1.0, False),
        (2.2, 1.5, True),
        (2.8, 1.4, True),
        (1.8, 3.0, False),
    ],
)
def test_dimmer_spectra_must_differ_by_more(clearness, ahead, told):
    """Threads followed wrongly smear the very spectra that tell it."""
    count = 60
    rate = np.ones(count)
    rate[28:32] += ahead / 4
    rhythm = LocalRhythm(
        at=np.arange(count) * 1.0,
        followed=np.arange(count) * 1.0,
        rate=rate,
        clearness=np.full(count, clearness),
    )
    over = threads_passed_over(rhythm)
    assert over == (pytest.approx(ahead, abs=0.01) if told else 0.0)
