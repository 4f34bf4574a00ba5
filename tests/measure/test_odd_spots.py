import numpy as np
import pytest
from crossing_maps import even_crossings

from pickglass.measure.odd_spots import find_odd_spots


def test_even_cloth_has_no_odd_spot():
    found = sum(len(find_odd_spots(even_crossings(seed, picks=140))) for seed in range(20))
    assert (
        found == 0
    )  # 20 bands of 140 picks are some five metres; one false fault per metre is allowed for all kinds


@pytest.mark.parametrize(("size", "height"), [((2, 2), 2.6), ((3, 3), 2.2), ((1, 5), 1.8)])
def test_a_lump_is_found_at_its_place(size, height):
    cloth = even_crossings(1)
    cloth.oddness[30 : 30 + size[0], 12 : 12 + size[1]] = height
    (found,) = find_odd_spots(cloth)
    assert found.kind == "knot-or-slub"
    assert found.picks[0] <= 30 + size[0] - 1
    assert found.picks[1] >= 30
    assert found.ends[0] <= 12
    assert found.ends[1] >= 12 + size[1] - 1


def test_a_hole_is_told_by_the_table_that_shows():
    cloth = even_crossings(2)
    cloth.oddness[30:33, 12:15] = 3.5
    cloth.cloth_look[30:33, 12:15] = -2.0
    assert [spot.kind for spot in find_odd_spots(cloth)] == ["hole"]


def test_where_the_table_is_not_known_a_hole_is_only_odd():
    cloth = even_crossings(3)
    cloth.oddness[30:33, 12:15] = 3.5
    cloth.cloth_look[:] = 0.0
    assert [spot.kind for spot in find_odd_spots(cloth)] == ["knot-or-slub"]


def test_beside_the_selvedge_and_under_the_card_nothing_is_said():
    cloth = even_crossings(4)
    cloth.oddness[30:33, 0:2] = 3.5
    cloth.oddness[10:20, 10:20] = 3.5
    cloth.cloth[10:20, 10:20] = 0.0
    assert find_odd_spots(cloth) == ()


def test_a_large_patch_is_the_trackings_fault_and_not_the_weavers():
    cloth = even_crossings(5)
    cloth.oddness[20:34, 8:16] = 2.5
    assert find_odd_spots(cloth) == ()


def test_a_card_that_leaves_little_cloth_is_no_error():
    cloth = even_crossings(6)
    cloth.cloth[:] = 0.0
    assert find_odd_spots(cloth) == ()
    assert np.isfinite(cloth.oddness).all()


def test_a_long_slub_that_shows_in_two_places_is_told_once():
    cloth = even_crossings(7)
    cloth.oddness[30:33, 12:14] = 2.4
    cloth.oddness[37:40, 12:14] = 2.4
    (found,) = find_odd_spots(cloth)
    assert found.picks[0] <= 30
    assert found.picks[1] >= 39


def test_a_small_knot_covers_one_crossing():
    cloth = even_crossings(7)
    cloth.oddness[30, 12] = 3.2
    (found,) = find_odd_spots(cloth)
    assert (found.kind, found.picks, found.ends) == ("knot-or-slub", (30, 30), (12, 12))


def test_one_odd_crossing_beside_others_is_no_knot():
    """Where the tracking slips, single crossings stand out too, but not alone."""
    cloth = even_crossings(7)
    cloth.oddness[29:32, 11:14] = 0.0
    cloth.oddness[30, 12] = 2.8
    assert len(find_odd_spots(cloth)) == 1
    cloth.oddness[31, 13] = 1.4
    assert find_odd_spots(cloth) == ()


def test_where_followed_threads_leave_the_cloth_nothing_is_said():
    """A selvedge that wanders: the outermost end followed lies on the table, and the next ones beside their places."""
    cloth = even_crossings(8)
    cloth.oddness[20:26, 0:5] = 2.4
    assert len(find_odd_spots(cloth)) == 1
    cloth.cloth[20:26, 0] = 0.1
    assert find_odd_spots(cloth) == ()
    cloth.oddness[20:26, 1] = 0.0  # a knot beside a quiet end does not hang together with the edge
    cloth.oddness[20:26, 2] = 0.0
    assert len(find_odd_spots(cloth)) == 1


def test_a_knot_that_hides_its_thread_looks_like_the_other_one():
    cloth = even_crossings(9)
    cloth.turned[29:32, 11:14] = 0.0
    cloth.oddness[30, 12], cloth.turned[30, 12], cloth.turned_z[30, 12] = 1.8, 0.95, 12.0
    (found,) = find_odd_spots(cloth)
    assert (found.kind, found.clearness) == ("knot-or-slub", 12.0)
    cloth.turned[31, 12] = 0.5  # its neighbour looks half turned too: the tracking may have slipped
    assert find_odd_spots(cloth) == ()


def test_in_uneven_yarn_a_turned_crossing_tells_nothing():
    cloth = even_crossings(10)
    rows = np.arange(10, 60, 8)
    for row, turned in zip(rows, [0.95, 0.6, 0.7, 0.55, 0.65, 0.75, 0.6], strict=True):
        cloth.turned[row - 1 : row + 2, 11:14] = 0.0
        cloth.oddness[row - 1 : row + 2, 11:14] = 0.0
        cloth.oddness[row, 12], cloth.turned[row, 12], cloth.turned_z[row, 12] = 1.8, turned, 10 * turned
    assert find_odd_spots(cloth) == ()
    cloth.turned[rows[1:], 12] = 0.0
    assert len(find_odd_spots(cloth)) == 1
