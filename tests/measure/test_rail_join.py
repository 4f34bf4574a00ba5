"""Joining photos of one band by the picks they share."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from band_trace import made_trace

from pickglass.calibration.errors import RefusedError
from pickglass.calibration.plane import Plane
from pickglass.measure.frame import straight_frame
from pickglass.measure.rail_join import join_traces, rail_start_mm
from pickglass.measure.stations import measure_stations


def photos(rng, *, length_mm=600.0, pieces=4, overlap_mm=40.0):
    """A long band and what each of several photos shows of it, with the tracking's errors."""
    spacings = 2.0 * np.exp(rng.normal(0, 0.06, int(length_mm / 2)))
    picks = np.concatenate([[0.0], np.cumsum(spacings)])
    reach = (picks[-1] - overlap_mm) / pieces + overlap_mm
    traces, starts = [], []
    for k in range(pieces):
        low = k * (reach - overlap_mm)
        inside = picks[(picks >= low) & (picks <= low + reach)]
        seen = inside + rng.normal(0, 0.05, len(inside))
        traces.append(made_trace(np.diff(seen), photo=f"part{k}.jpg"))
        starts.append(float(inside[0]))
    return picks, traces, starts


def test_four_photos_on_a_rail_are_joined_to_a_fraction_of_a_pick():
    rng = np.random.default_rng(0)
    for _ in range(10):
        picks, traces, starts = photos(rng)
        given = [s + rng.normal(0, 0.2) for s in starts]  # what a rail is good for
        whole, placed = join_traces(traces, given, doubt_mm=3.0)
        assert len(whole.pick_mm) == len(picks)
        assert np.abs(whole.pick_mm - picks).max() < 2.0
        assert placed[0].overlap_picks is None
        assert all(p.overlap_picks for p in placed[1:])
        assert len(whole.shed_edge_mm) == len(whole.shed_strength) + 1 == whole.shed_support.shape[1] + 1
        assert np.all(np.diff(whole.edge_mm) > 0)


def test_places_given_by_hand_are_put_right_by_the_picks():
    rng = np.random.default_rng(3)
    claimed = right = 0
    for _ in range(10):
        picks, traces, starts = photos(rng, overlap_mm=60.0)
        given = [starts[0], *(s + rng.uniform(-6, 6) for s in starts[1:])]
        whole, placed = join_traces(traces, given)
        if all(p.by_picks for p in placed):
            claimed += 1
            right += len(whole.pick_mm) == len(picks) and np.abs(whole.pick_mm - picks).max() < 2.0
    assert claimed >= 7
    assert right == claimed  # where the picks are said to have settled it, they have


def test_the_order_of_the_photos_does_not_matter():
    picks, traces, starts = photos(np.random.default_rng(1))
    whole, placed = join_traces(traces[::-1], starts[::-1])
    assert [p.photo for p in placed] == [f"part{k}.jpg" for k in range(4)]
    assert np.abs(whole.pick_mm - picks).max() < 2.0


def test_photos_that_do_not_match_keep_the_places_given():
    rng = np.random.default_rng(2)
    a = made_trace(2.0 * np.exp(rng.normal(0, 0.06, 60)))
    b = made_trace(2.0 * np.exp(rng.normal(0, 0.06, 60)))
    _, placed = join_traces([a, b], [0.0, a.pick_mm[-1] + 2.0])
    assert placed[1].moved_mm == 0.0
    assert placed[1].overlap_picks == 0


def test_a_hole_between_two_photos_is_refused():
    a = made_trace(np.full(40, 2.0), photo="a.jpg")
    with pytest.raises(RefusedError, match="no photo shows"):
        join_traces([a, replace(a, photo="b.jpg")], [0.0, 200.0])


@pytest.mark.parametrize("way", [1.0, -1.0])
def test_the_rail_tells_where_the_first_pick_lies(way):
    # The band runs to the right from x = 12 mm; on the rail that is 240 + way * 12 mm.
    plane = Plane(
        px_from_mm=np.eye(3), source="rail", card_from_mm=np.array([[way, 0.0, 240.0], [0.0, way, 5.0]])
    )
    trace = replace(made_trace(np.full(30, 2.0)), origin_v_mm=2.0)
    frame = straight_frame(np.array([10.0, 40.0]), np.array([1.0, 0.0]), 80.0)
    measurement = SimpleNamespace(plane=plane, patch=SimpleNamespace(frame=frame))
    start, found_way = rail_start_mm(measurement, trace)
    assert start == pytest.approx(240.0 + way * 12.0)
    assert found_way == way


def test_faults_keep_their_places_on_the_joined_band():
    rng = np.random.default_rng(4)
    _, traces, starts = photos(rng, pieces=2, length_mm=240)
    traces[1] = replace(traces[1], streaks=np.array([[80.0, 90.0, 4.0, 9.0]]))
    whole, _ = join_traces(traces, starts, doubt_mm=3.0)
    assert whole.streaks[:, 0] == pytest.approx([80.0 + starts[1]], abs=0.5)


def test_a_band_taken_to_run_across_the_rail_is_refused():
    plane = Plane(
        px_from_mm=np.eye(3), source="rail", card_from_mm=np.array([[1.0, 0.0, 240.0], [0.0, 1.0, 5.0]])
    )
    trace = replace(made_trace(np.full(30, 2.0)), origin_v_mm=2.0)
    frame = straight_frame(np.array([10.0, 40.0]), np.array([0.0, 1.0]), 80.0)
    measurement = SimpleNamespace(plane=plane, patch=SimpleNamespace(frame=frame))
    with pytest.raises(RefusedError, match="across the rail"):
        rail_start_mm(measurement, trace)


def test_ends_per_inch_stop_where_the_ends_are_no_longer_followed():
    """Where the second photo shows another number of ends, those of the first say nothing of its stations."""
    rng = np.random.default_rng(5)
    first, second = (made_trace(2.0 * np.exp(rng.normal(0, 0.05, 50)), ends=ends) for ends in (24, 26))
    whole, _ = join_traces([first, second], [0.0, first.length_mm + 2.0])
    stations = measure_stations(whole, spacing_mm=10.0, window_mm=10.0)
    told = [station.ends_per_inch is not None for station in stations]
    assert told[:10] == [True] * 10
    assert not any(told[12:])
