from dataclasses import replace

import numpy as np
import pytest
from band_trace import made_trace

from pickglass.measure.mending import mend_picks
from pickglass.measure.sheds import ShedRuns, local_median, runs_of_sign
from pickglass.measure.stations import measure_stations, straight_on


def test_an_even_band_reads_the_same_at_every_station():
    stations = measure_stations(made_trace(np.full(60, 2.0)), spacing_mm=10, window_mm=10)
    assert [s.at_mm for s in stations] == pytest.approx(np.arange(5, 116, 10))
    assert [s.picks_per_inch for s in stations] == pytest.approx([12.7] * 12)  # 25.4 / 2
    assert [s.width_mm for s in stations] == pytest.approx([30.0] * 12)


def test_ends_per_inch_are_those_of_the_middle():
    station = measure_stations(made_trace(np.full(30, 2.0), ends=25), spacing_mm=10, window_mm=10)[0]
    # 24 spacings over 0.96 of 30 mm
    assert station.ends_per_inch == pytest.approx(25.4 * 24 / 28.8)


def test_local_density_is_the_picks_in_the_window_over_its_length():
    rng = np.random.default_rng(0)
    trace = made_trace(rng.uniform(1.5, 2.5, 50))
    for station in measure_stations(trace, spacing_mm=7, window_mm=12):
        low, high = station.at_mm - 6, station.at_mm + 6
        index = np.interp([low, high], trace.pick_mm, np.arange(51))
        assert station.picks_per_inch == pytest.approx(25.4 * (index[1] - index[0]) / 12)


def test_bow_and_skew_show_at_the_stations():
    trace = made_trace(np.full(40, 2.0), width_mm=40.0, bow_mm=1.0, skew=0.03)
    for station in measure_stations(trace, spacing_mm=10, window_mm=10):
        assert station.shape is not None
        # 24 points over the width miss the very middle by 1/46 of it: 0.2 % of the depth.
        assert station.shape.bow_percent == pytest.approx(2.5, rel=0.005)
        assert station.shape.skew_percent == pytest.approx(3.0, abs=1e-6)


def test_lines_that_flatten_at_the_selvedges_are_led_on():
    u = np.tile(np.linspace(-20, 20, 24), (3, 1))
    v = 2.0 * (1 - (u / 20) ** 2)
    flat = v.copy()
    flat[:, :2], flat[:, -2:] = flat[:, 2:3], flat[:, -3:-2]
    assert np.abs(straight_on(u, flat) - v).max() < 1e-9


def test_a_pick_that_was_passed_over_is_put_into_its_shed():
    picks = np.arange(20.0) * 10
    seen = np.delete(picks, 9)
    lines = np.tile(seen[:, None], (1, 4))
    sheds = ShedRuns(
        edges_px=np.arange(21.0) * 10 - 5, strength=np.full(20, 0.9), support=np.zeros((0, 20)), regular=1.0
    )
    mended, _, _, inferred = mend_picks(seen, lines, lines, sheds)
    assert mended == pytest.approx(picks)
    assert inferred.nonzero()[0].tolist() == [9]


def test_two_picks_followed_as_one_in_a_long_shed_become_two():
    picks = np.concatenate(
        [np.arange(10.0) * 10, 106 + np.arange(10.0) * 10]
    )  # the second of a pair, at 98, is unseen
    edges = np.concatenate([np.arange(10.0) * 10 - 5, [101 - 0.0], 111 + np.arange(10.0) * 10])
    sheds = ShedRuns(edges_px=edges, strength=np.full(20, 0.9), support=np.zeros((0, 20)), regular=1.0)
    mended, _, _, inferred = mend_picks(picks, picks[:, None], picks[:, None], sheds)
    assert inferred.sum() == 1
    assert 90 < float(mended[inferred][0]) < 106


def test_nothing_is_put_into_an_even_band():
    picks = np.cumsum(np.random.default_rng(1).uniform(8.5, 11.5, 40))
    middle = (picks[1:] + picks[:-1]) / 2
    edges = np.concatenate([[picks[0] - 5], middle, [picks[-1] + 5]])
    sheds = ShedRuns(edges_px=edges, strength=np.full(40, 0.9), support=np.zeros((0, 40)), regular=1.0)
    assert not mend_picks(picks, picks[:, None], picks[:, None], sheds)[3].any()


def test_short_changes_of_sign_are_swallowed():
    signal = np.array([1.0] * 8 + [-1.0] * 8 + [1.0] + [-1.0] * 7 + [1.0] * 8)
    assert runs_of_sign(signal, 3).tolist() == [0, 8, 24, 32]


def test_local_median_of_the_ends_uses_what_is_there():
    assert local_median(np.array([1.0, 2.0, 9.0, 4.0]), reach=1).tolist() == [1.5, 2.0, 4.0, 6.5]


def test_skew_is_counted_from_the_direction_of_the_ends():
    trace = made_trace(np.full(60, 2.0), width_mm=60.0, skew=0.04)
    # The whole band lies turned by a hundredth against its axis: ends one way, picks the other.
    turned = replace(
        trace,
        end_u_mm=trace.end_u_mm + 0.01 * trace.end_v_mm,
        pick_v_mm=trace.pick_v_mm - 0.01 * trace.pick_u_mm,
    )
    for one in (trace, turned):
        for station in measure_stations(one, spacing_mm=10, window_mm=10):
            assert station.shape.skew_percent == pytest.approx(4.0, abs=0.05)
