import numpy as np
import pytest
from crossing_maps import even_crossings

from pickglass.measure.floats import find_floats


def test_even_cloth_has_no_float():
    assert sum(len(find_floats(even_crossings(seed))) for seed in range(10)) == 0


@pytest.mark.parametrize("length", [5, 7, 9])
def test_an_end_that_passes_over_five_picks_and_more_is_found(length):
    cloth = even_crossings(1)
    rows = np.arange(20, 20 + length, 2) + 1  # every second crossing should have shown the pick
    cloth.turned[rows[:-1], 12] = 1.0
    cloth.turned_z[rows[:-1], 12] = 12.0
    (found,) = find_floats(cloth)
    assert (found.of, found.thread, found.first, found.last) == ("end", 12, rows[0], rows[-2])


def test_a_pick_that_passes_over_ends_is_found_beside_an_end():
    cloth = even_crossings(2)
    cloth.turned[40, [7, 9, 11]] = 1.0
    cloth.turned_z[40, [7, 9, 11]] = 12.0
    cloth.turned[[10, 12], 20] = 0.9
    cloth.turned_z[[10, 12], 20] = 11.0
    found = {(f.of, f.thread, f.first, f.last) for f in find_floats(cloth)}
    assert found == {("pick", 40, 7, 11), ("end", 20, 10, 12)}


def test_one_turned_crossing_is_not_enough():
    cloth = even_crossings(3)
    cloth.turned[30, 10] = 1.0
    cloth.turned_z[30, 10] = 20.0
    assert find_floats(cloth) == ()


def test_where_the_tracking_slipped_nothing_is_said():
    cloth = even_crossings(4)
    cloth.turned[20:30, 8:14] = 1.0  # a whole patch looks turned, both kinds of crossing
    cloth.turned_z[20:30, 8:14] = 12.0
    assert find_floats(cloth) == ()


def test_a_slubby_cloth_must_show_longer_runs():
    cloth = even_crossings(5)
    rng = np.random.default_rng(5)
    for _ in range(25):  # slubs turn crossings here and there
        i, j = int(rng.integers(3, 68)), int(rng.integers(3, 25))
        cloth.turned[i, j], cloth.turned_z[i, j] = 0.9, 8.0
    cloth.turned[[33, 35], 14] = 1.0
    cloth.turned_z[[33, 35], 14] = 8.0
    assert all(f.last - f.first > 2 for f in find_floats(cloth))


def test_a_thread_that_seems_to_float_again_and_again_was_read_wrongly():
    cloth = even_crossings(6)
    for first in (3, 9, 15, 21):
        cloth.turned[30, [first, first + 2]] = 1.0
        cloth.turned_z[30, [first, first + 2]] = 12.0
    assert find_floats(cloth) == ()


@pytest.mark.parametrize("hidden", ["pick", "end"])
def test_a_hidden_thread_that_comes_up_at_every_crossing_is_found_where_it_is_hidden(hidden):
    # Every second crossing alone would be a run of two that is not clear enough.
    cloth = even_crossings(8)
    at = (30, slice(10, 14)) if hidden == "pick" else (slice(10, 14), 12)
    cloth.turned[at] = 0.7
    cloth.turned_z[at] = 5.8
    (found,) = find_floats(cloth, hidden)
    assert (found.of, found.first, found.last) == (hidden, 10, 13)
    assert found.thread == (30 if hidden == "pick" else 12)
    assert find_floats(cloth) == ()
    assert find_floats(cloth, "end" if hidden == "pick" else "pick") == ()


def test_a_hidden_thread_that_floats_over_many_is_told_once():
    cloth = even_crossings(9)
    cloth.turned[30, 6:18] = 1.0
    cloth.turned_z[30, 6:18] = 12.0
    (found,) = find_floats(cloth, "pick")
    assert (found.of, found.thread, found.first, found.last) == ("pick", 30, 6, 17)


def test_a_patch_on_which_the_tracking_slipped_bares_no_thread():
    cloth = even_crossings(10)
    cloth.turned[20:24, 8:14] = 0.9
    cloth.turned_z[20:24, 8:14] = 9.0
    assert find_floats(cloth, "pick") == ()


def test_even_faced_cloth_has_no_float():
    assert sum(len(find_floats(even_crossings(seed), "pick")) for seed in range(40)) == 0


def test_a_faint_run_is_not_believed():
    cloth = even_crossings(7)
    cloth.turned[[20, 22], 12] = 1.0
    cloth.turned_z[[20, 22], 12] = 5.5
    assert find_floats(cloth) == ()


def test_outermost_ends_that_look_turned_hide_no_float():
    """Beside them the weft turns; no float is looked for on them, and they say nothing of what chance strews elsewhere."""
    cloth = even_crossings(7)
    rng = np.random.default_rng(7)
    for end in (0, -1):
        picks = rng.choice(np.arange(3, 68, 3), 12, replace=False)
        cloth.turned[picks, end] = 0.9
        cloth.turned_z[picks, end] = 8.0
    cloth.turned[40, [9, 11]] = 1.0
    cloth.turned_z[40, [9, 11]] = 12.0
    assert ("pick", 40, 9, 11) in {(f.of, f.thread, f.first, f.last) for f in find_floats(cloth)}
