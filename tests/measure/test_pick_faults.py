from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from crossing_maps import even_crossings

from pickglass.measure.pick_faults import phantom_picks, slipped_picks


def tracks(places, spacings=None, likeness=None):
    """As much of the tracking as is asked here."""
    n = len(places)
    spacings = np.full(n - 1, 12.0) if spacings is None else spacings
    picks = SimpleNamespace(
        place_in_repeat=np.asarray(places),
        positions_px=np.concatenate([[0.0], np.cumsum(spacings)]),
        likeness=np.full(n, 3.5) if likeness is None else likeness,
        slips=tuple(np.flatnonzero(np.diff(places) % 2 == 0).tolist()),
    )
    return SimpleNamespace(picks=picks)


def test_a_gap_in_the_rhythm_is_a_missed_pick():
    cloth, likeness = even_crossings(1), np.full(72, 3.5)
    cloth.pick_turned[30], likeness[30] = 0.8, -2.5
    seen = tracks(np.arange(72) % 2, likeness=likeness)
    assert phantom_picks(seen, cloth).tolist() == [30]
    (fault,) = slipped_picks(seen, cloth)
    assert (fault.kind, fault.before, fault.after) == ("missed-pick", 29, 31)


def in_weave(seed, up, repeat):
    """Crossings of an even cloth in which an end lies on top of `up` picks of `repeat`, one pick later from end to end."""
    cloth = even_crossings(seed)
    row, column = np.indices(cloth.side.shape)
    return replace(cloth, side=np.where((row - column) % repeat < up, 1, -1))


@pytest.mark.parametrize(
    ("up", "repeat", "turned"), [(2, 4, 0.36), (2, 4, 0.2), (1, 3, 0.45), (2, 3, 0.45), (1, 5, 0.27)]
)
def test_a_gap_in_a_twill_or_satin_turns_a_part_of_the_way(up, repeat, turned):
    # In 2/2 twill every end lies in the gap as in one of the two picks beside it: half-way at most.
    cloth, likeness = in_weave(5, up, repeat), np.full(72, 3.5)
    cloth.pick_turned[30], likeness[30] = turned, -2.0
    seen = tracks(np.arange(72) % repeat, likeness=likeness)
    assert phantom_picks(seen, cloth).tolist() == [30]
    assert phantom_picks(seen, replace(cloth, side=even_crossings(5).side)).tolist() == []


def test_a_faint_pick_of_an_even_twill_is_a_pick():
    cloth, likeness = in_weave(6, 2, 4), np.full(72, 3.5)
    cloth.pick_turned[30], likeness[30] = 0.1, -1.0
    assert phantom_picks(tracks(np.arange(72) % 4, likeness=likeness), cloth).tolist() == []


def test_a_pick_of_another_look_that_shows_clearly_is_a_pick():
    cloth = even_crossings(2)
    cloth.pick_turned[30] = 0.8  # another colour of weft turns light and dark
    assert phantom_picks(tracks(np.arange(72) % 2), cloth).tolist() == []


def test_where_the_sheds_are_not_told_apart_nothing_is_said():
    cloth, likeness = even_crossings(3), np.full(72, -1.0)
    cloth.pick_turned[:] = np.random.default_rng(3).normal(0, 0.6, 72)
    assert phantom_picks(tracks(np.arange(72) % 2, likeness=likeness), cloth).tolist() == []


@pytest.mark.parametrize(("turned", "told"), [(4.0, [30]), (0.6, [])])
def test_where_they_are_hard_to_tell_a_gap_must_stand_out_as_far(turned, told):
    cloth, likeness = even_crossings(8), np.full(72, 3.5)
    cloth.pick_turned[:] = np.random.default_rng(8).normal(0, 0.2, 72)
    cloth.pick_turned[[29, 30, 31]], likeness[30] = (0.0, turned, 0.0), -3.0
    assert phantom_picks(tracks(np.arange(72) % 2, likeness=likeness), cloth).tolist() == told


@pytest.mark.parametrize(("gap", "kind"), [(0.65, "doubled-pick"), (1.7, "missed-pick"), (1.2, None)])
def test_two_picks_of_one_shed_are_told_by_their_room(gap, kind):
    places = np.concatenate([np.arange(40) % 2, (np.arange(32) + 1) % 2])  # 39 and 40 lie in the same shed
    spacings = np.full(71, 12.0)
    spacings[39] *= gap
    found = slipped_picks(tracks(places, spacings), even_crossings(4))
    assert [f.kind for f in found] == ([] if kind is None else [kind])
    if found:
        assert (found[0].before, found[0].after) == (39, 40)


def test_where_colours_change_places_no_pick_is_a_gap():
    # Two blocks of a log cabin whose sheds were read one pick on turn pick after pick to and fro, further than a gap can.
    cloth, likeness = even_crossings(9), np.full(72, 3.5)
    cloth.pick_turned[24:36] = np.tile([-2.0, 2.1], 6)
    likeness[[25, 29]] = 0.2
    assert phantom_picks(tracks(np.arange(72) % 2, likeness=likeness), cloth).tolist() == []
