"""Crossings read from drawn cloth, with pieces of it put in the wrong place."""

import numpy as np
import pytest

from cloth import Setting, Yarn, make_cloth
from pickglass.measure.crossings import _sides, read_crossings
from pickglass.measure.floats import find_floats
from pickglass.measure.odd_spots import find_odd_spots
from pickglass.measure.pick_faults import phantom_picks
from pickglass.measure.track import track_threads

PITCH = 12.0


@pytest.fixture(scope="module")
def drawn():
    return make_cloth(
        (480, 360),
        end_pitch_px=PITCH,
        pick_pitch_px=PITCH,
        ends=Yarn(colours=((0.55, 0.65, 0.7),), cover=0.95),
        picks=Yarn(colours=((0.45, 0.4, 0.25),), cover=0.95),
        end_setting=Setting(cv=0.02),
        pick_setting=Setting(cv=0.02),
        seed=4,
    )


def crossings_of(bgr):
    tracks = track_threads(bgr, np.ones(bgr.shape[:2], bool), pitch_x_px=PITCH, pitch_y_px=PITCH)
    found = read_crossings(tracks)
    assert found is not None
    return tracks, found


def box(cloth, pick, end, half=0.5):
    y, x, reach = cloth.picks_px[pick], cloth.ends_px[end], half * PITCH
    return slice(round(y - reach), round(y + reach)), slice(round(x - reach), round(x + reach))


def test_even_cloth_is_as_its_average(drawn):
    _, found = crossings_of(drawn.bgr)
    inner = found.turned[2:-2, 2:-2]
    assert np.abs(inner).max() < 0.5
    assert np.abs(found.pick_turned).max() < 0.3
    assert find_floats(found) == ()
    assert find_odd_spots(found) == ()


def test_crossings_with_the_other_thread_on_top_make_a_float(drawn):
    bgr = drawn.bgr.copy()
    pick, end = 20, 14
    for k in (0, 2, 4):
        # The neighbour along the pick shows the other thread on top.
        wanted, other = box(drawn, pick + k, end), box(drawn, pick + k, end + 1)
        bgr[wanted] = drawn.bgr[other][: wanted[0].stop - wanted[0].start, : wanted[1].stop - wanted[1].start]
    tracks, found = crossings_of(bgr)
    (one,) = find_floats(found)
    assert one.of == "end"
    assert tracks.ends.positions_px[one.thread] == pytest.approx(drawn.ends_px[end], abs=0.3 * PITCH)
    assert tracks.picks.positions_px[one.first] == pytest.approx(drawn.picks_px[pick], abs=0.3 * PITCH)
    assert one.last - one.first == 4


def test_a_lump_of_another_brightness_is_odd(drawn):
    bgr = drawn.bgr.copy()
    rows, columns = box(drawn, 25, 12, half=1.0)
    bgr[rows, columns] = 235
    tracks, found = crossings_of(bgr)
    (spot,) = find_odd_spots(found)
    middle = (
        tracks.picks.positions_px[list(spot.picks)].mean(),
        tracks.ends.positions_px[list(spot.ends)].mean(),
    )
    assert middle == pytest.approx((drawn.picks_px[25], drawn.ends_px[12]), abs=PITCH)


def test_light_and_shade_and_stripes_are_no_fault():
    striped = make_cloth(
        (480, 360),
        end_pitch_px=PITCH,
        pick_pitch_px=PITCH,
        ends=Yarn(colours=((0.55, 0.65, 0.7),) * 6 + ((0.5, 0.3, 0.2),) * 6, cover=0.95),
        picks=Yarn(colours=((0.6, 0.6, 0.6),) * 8 + ((0.2, 0.2, 0.5),) * 8, cover=0.95),
        seed=6,
    ).bgr
    fall = np.linspace(1.0, 0.6, striped.shape[1])[None, :, None]
    _, found = crossings_of((striped * fall).astype(np.uint8))
    assert find_floats(found) == ()
    assert find_odd_spots(found) == ()


def test_a_gap_that_a_missed_pick_left_is_no_pick(drawn):
    """Take a pick out; its neighbours, now in one shed, keep its room, and the ends lie flat between."""
    rows, _ = box(drawn, 20, 0)
    above, below = box(drawn, 19, 0)[0], box(drawn, 21, 0)[0]
    height = rows.stop - rows.start
    gap = 0.5 * (drawn.bgr[above][-2:].mean(axis=0) + drawn.bgr[below][:2].mean(axis=0))
    bgr = drawn.bgr.copy()
    bgr[rows] = np.clip(0.75 * gap, 0, 255).astype(np.uint8)[None].repeat(height, axis=0)
    tracks, found = crossings_of(bgr)
    at = tracks.picks.positions_px[phantom_picks(tracks, found)]
    assert len(at) <= 1
    assert all(abs(y - drawn.picks_px[20]) < 0.6 * PITCH for y in at)


def test_warp_seen_follows_the_colours_and_not_the_light():
    from pickglass.measure.cover import warp_cover

    def cover(weft, fall=1.0):
        cloth = make_cloth(
            (480, 360),
            end_pitch_px=PITCH,
            pick_pitch_px=PITCH,
            ends=Yarn(colours=((0.25, 0.3, 0.65),), cover=0.98),
            picks=Yarn(colours=(weft,), cover=0.98),
            seed=8,
        ).bgr
        shade = np.linspace(1.0, fall, cloth.shape[0])[:, None, None]
        bgr = (cloth * shade).astype(np.uint8)
        return warp_cover(
            track_threads(bgr, np.ones(bgr.shape[:2], bool), pitch_x_px=PITCH, pitch_y_px=PITCH)
        )

    different = cover((0.6, 0.45, 0.2))
    assert different is not None
    # As many ends as picks of the same width: half the surface is warp; 0.1 is what the command promises.
    assert np.nanmean(different) == pytest.approx(0.5, abs=0.1)
    shaded = cover((0.6, 0.45, 0.2), fall=0.5)
    assert shaded is not None
    assert np.nanmean(shaded[-8:]) == pytest.approx(np.nanmean(shaded[:8]), abs=0.08)
    assert cover((0.25, 0.3, 0.65)) is None  # one colour tells nothing


def twill_looks(rng, ends=24, samples=12):
    """Looks of the four classes of a 2/2 twill on every end, shape (4, ends, samples): two with the end on top, two without."""
    change = rng.normal(0, 1, samples)
    looks = np.array([1.0, 1.0, -1.0, -1.0])[:, None, None] * change + rng.normal(0, 0.2, (4, 1, samples))
    return looks + rng.normal(0, 0.2, (4, ends, samples))


def test_beyond_the_turn_of_a_herringbone_the_sides_go_with_the_ends_own_looks():
    rng = np.random.default_rng(1)
    row, column = np.indices((40, 24))
    classes = (row + column) % 4
    looks, top = twill_looks(rng), classes < 2
    for end in range(14, 24):  # the twill runs back: every end lies as the one before it would one pick later
        shift = 1 - 2 * (end - 13)
        looks[:, end] = np.roll(looks[:, end], -shift, axis=0)
        top[:, end] = (classes[:, end] + shift) % 4 < 2
    side = _sides(looks, classes) > 0
    assert (side == top).all() or (side != top).all()


def test_a_turn_by_one_pick_puts_the_sides_right():
    rng = np.random.default_rng(2)
    row, column = np.indices((40, 24))
    classes = (row + column) % 4
    looks, top = twill_looks(rng), classes < 2
    for end in range(14, 24):
        looks[:, end] = np.roll(looks[:, end], -1, axis=0)
        top[:, end] = (classes[:, end] + 1) % 4 < 2
    side = _sides(looks, classes) > 0
    side = side if side[0, 0] == top[0, 0] else ~side
    assert (side == top).all()


def test_ends_of_other_colours_keep_the_sides_of_their_classes():
    rng = np.random.default_rng(3)
    row, column = np.indices((40, 24))
    for repeat, classes in ((2, (row + column) % 2), (4, (row + column) % 4)):
        looks = twill_looks(rng) if repeat == 4 else twill_looks(rng)[1:3]
        looks[:, ::3] *= -1.5  # darker than the weft, where the others are lighter
        side = _sides(looks, classes)
        assert all(len(set(side[classes == c].tolist())) == 1 for c in range(repeat))
