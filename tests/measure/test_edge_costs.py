"""What both selvedges of a sample tell together about the outermost ends."""

from __future__ import annotations

import numpy as np
import pytest
from selvedge_scene import Selvedges, draw_selvedges

from pickglass.measure.cloth_edge import Occupancy
from pickglass.measure.comb import Comb, likeliest
from pickglass.measure.edge_costs import TRIED_BEYOND, closed_cost, edge_costs
from pickglass.measure.edge_ends import follow_edges
from pickglass.measure.phase import PX_PER_THREAD
from pickglass.measure.track import track_threads


def chain(count: int, worth: float, chances: dict[int, float]) -> Comb:
    return Comb(
        centres=np.arange(count, dtype=np.float64),
        likeness=np.ones(count),
        count_probability=chances,
        classes=np.zeros(count, int),
        worth=worth,
    )


def test_the_count_is_that_of_the_likeliest_assumption():
    alone = chain(12, 9.0, {12: 0.8, 13: 0.2})
    combs = [chain(12, 8.0, {12: 0.9, 13: 0.1}), chain(14, 12.0, {13: 0.2, 14: 0.8})]
    found = likeliest(alone, combs, [0.0, 1.0])
    assert len(found.centres) == 14
    assert sum(found.count_probability.values()) == pytest.approx(1.0)
    # Odds of the best chains: 12 at 8, 14 at 12 - 1, and 13 by both.
    odds = {12: np.exp(8.0), 13: np.exp(8.0) / 9 + np.exp(11.0) / 4, 14: np.exp(11.0)}
    for count, chance in found.count_probability.items():
        assert chance == pytest.approx(odds[count] / sum(odds.values()))


def test_threads_stay_where_they_are_when_the_count_does():
    alone = chain(12, 9.0, {12: 0.8, 13: 0.2})
    found = likeliest(alone, [chain(12, 8.0, {12: 0.9, 13: 0.1})], [0.0])
    assert found.centres is alone.centres
    assert found.count_probability[12] == pytest.approx(0.9)


def test_each_width_tried_is_cheapest_where_both_sides_have_it():
    what = Selvedges()
    piece = draw_selvedges(what, np.random.default_rng(0))
    tracks = track_threads(piece.bgr, piece.mask, pitch_x_px=what.pitch_px, pitch_y_px=what.pick_pitch_px)
    costs = edge_costs(tracks.threads, 0, (False, False), covered=False)
    assert len(costs.alike) == len(TRIED_BEYOND)
    first = [int(np.argmin(first)) for first, _, _ in costs.alike]
    last = [int(np.argmin(last)) for _, last, _ in costs.alike]
    assert first == sorted(first)
    assert last == sorted(last, reverse=True)
    assert follow_edges(piece.bgr, piece.mask, tracks).ends.count == what.ends


def test_a_side_that_leaves_the_picture_tells_nothing_of_the_other():
    what = Selvedges()
    piece = draw_selvedges(what, np.random.default_rng(0))
    tracks = track_threads(piece.bgr, piece.mask, pitch_x_px=what.pitch_px, pitch_y_px=what.pick_pitch_px)
    costs = edge_costs(tracks.threads, 0, (True, False), covered=False)
    assert costs.alike == ()
    assert "first-cut" in costs.flags


def test_a_pick_more_inside_the_outline_than_its_own_half_is_unlikely_to_be_the_outermost():
    """Half of the outermost pick lies beyond its centre, whatever the cloth: one more pick fits in there or none."""
    what = Selvedges()
    piece = draw_selvedges(what, np.random.default_rng(0))
    tracks = track_threads(piece.bgr, piece.mask, pitch_x_px=what.pitch_px, pitch_y_px=what.pick_pitch_px)
    costs = edge_costs(tracks.threads, 1, (False, False), covered=False)
    usual = int(np.argmin(costs.first))
    for picks_off in (-1, 1):
        assert costs.first[usual + picks_off * PX_PER_THREAD] > costs.first[usual] + 3.0


def selvedge(table_between_turns, *, contrast=1.0, far=False):
    """Eight spacings seen from the side: two of table, one of turns between which table shows, five of ends side by side."""
    k = PX_PER_THREAD
    share = np.ones(8 * k)
    share[: 2 * k] = 0.0
    share[2 * k : 3 * k] = 1.0 - table_between_turns
    share = share[::-1] if far else share
    seen = Occupancy(share=share, beyond=np.cumsum(share) / k, contrast=contrast)
    cost = closed_cost(seen, far=far)
    return cost[::-1] if far else cost


@pytest.mark.parametrize("far", [False, True])
def test_turns_between_which_table_shows_are_no_end(far):
    k = PX_PER_THREAD
    cost = selvedge(0.5, far=far)
    turns, outermost, inside = (cost[int(at * k)] for at in (2.5, 3.5, 4.5))
    assert outermost < 1.0
    assert turns > outermost + 3.0
    assert inside > outermost + 3.0


def test_what_lies_as_close_as_ends_do_is_one():
    k = PX_PER_THREAD
    cost = selvedge(0.0)
    assert cost[int(2.5 * k)] < 1.0
    assert cost[int(3.5 * k)] > cost[int(2.5 * k)] + 3.0


def test_nothing_is_told_where_table_and_cloth_look_alike():
    assert np.ptp(selvedge(0.5, contrast=0.1)) == 0.0
