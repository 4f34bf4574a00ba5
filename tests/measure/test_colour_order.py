"""Notation, winding, symmetry and threading."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pickglass.calibration.errors import UsageError
from pickglass.measure.colour_order import (
    count_colours,
    find_symmetry,
    parse_order,
    repeatable,
    thread_two_sheds,
    winding_steps,
    write_order,
)

COLOURS = st.sampled_from(["red", "white", "dark-blue", "#a0b1c2"])
ORDERS = st.lists(st.tuples(st.integers(1, 5), COLOURS), min_size=1, max_size=30).map(
    lambda runs: tuple(colour for count, colour in runs for _ in range(count))
)


def test_reads_the_notation():
    got = parse_order("8 red, 2 (1 white 1 blue), 8 red").ends()
    assert got == ("red",) * 8 + ("white", "blue") * 2 + ("red",) * 8


def test_nesting_single_ends_and_letter_case():
    got = parse_order("Red 2(White, 2 (blue 2 red))").ends()
    assert got == ("red",) + ("white", "blue", "red", "red", "blue", "red", "red") * 2


def test_repeated_section():
    order = parse_order("4 navy [6 white 2 red] 4 navy")
    assert order.fixed_ends == 8
    assert len(order.ends(5)) == 8 + 5 * 8


def test_mirror_and_turn():
    assert parse_order("2 red 1 blue mirror").ends() == ("red", "red", "blue", "blue", "red", "red")
    assert parse_order("2 red 1 blue turn").ends() == ("red", "red", "blue", "red", "red")


def test_a_colour_may_be_called_mirror():
    assert parse_order("3 mirror").ends() == ("mirror",) * 3


@pytest.mark.parametrize(
    "text",
    [
        "",
        "   ",
        "8",
        "8 8 red",
        "0 red",
        "-3 red",
        "2 (red",
        "red)",
        "2 ()",
        "3 [red]",
        "[red] [blue]",
        "2 (1 [red])",
        "red & blue",
        "99999999999999999999 red",
        "9999 (9999 red)",
        "1.5 red",
        "(((((((red)))))))",
        "[red] blue mirror",
        "6000 red, 6000 blue",
        "9999 red mirror",
    ],
)
def test_what_cannot_be_read_says_where(text):
    with pytest.raises(UsageError) as caught:
        parse_order(text)
    assert caught.value.code == "not-an-order"
    assert "8 red" in caught.value.next_step


@given(st.text(max_size=40))
def test_any_text_is_read_or_refused(text):
    try:
        ends = parse_order(text).ends()
    except UsageError:  # any other error would fail the test
        return
    assert 1 <= len(ends) <= 10_000


@given(ORDERS)
def test_written_order_reads_back(ends):
    assert parse_order(write_order(ends)).ends() == ends


def test_alternations_are_gathered():
    assert write_order(["a"] * 4 + ["b", "c"] * 3 + ["a"] * 4) == "4 a, 3 (1 b 1 c), 4 a"


@given(ORDERS)
def test_winding_counts_every_end(ends):
    steps = winding_steps(ends)
    assert steps[-1].total == len(ends) == sum(count_colours(ends).values())
    wound = [c for s in steps for _ in range(s.times) for n, c in s.group for _ in range(n)]
    assert tuple(wound) == ends


def test_symmetry():
    assert find_symmetry("abcba").kind == "symmetric"
    assert find_symmetry("abcba").centre == "one end"
    assert find_symmetry("abba").centre == "between two ends"
    assert find_symmetry("abcd").kind == "none"
    nearly = find_symmetry("a" * 10 + "b" + "a" * 10 + "a" * 20)
    assert nearly.kind == "nearly"
    assert nearly.odd_pairs == ((11, 31),)


@given(ORDERS)
def test_mirrored_orders_are_symmetric(ends):
    assert find_symmetry(ends + ends[::-1]).kind == "symmetric"
    assert find_symmetry(ends + ends[-2::-1]).kind == "symmetric"


@given(ORDERS, st.sampled_from(["slot", "hole"]))
def test_threading_alternates_and_keeps_the_colours(ends, first):
    chart = thread_two_sheds(ends, first)
    assert tuple(end.colour for end in chart) == ends
    assert chart[0].opening == first
    assert all(a.opening != b.opening for a, b in pairwise(chart))
    # Odd: both edges alike; even: one of each.
    assert (chart[-1].opening == first) == (len(ends) % 2 == 1)


@pytest.mark.parametrize(
    ("text", "before", "repeat", "after"),
    [
        ("45 cream", 0, 1, 0),
        ("5 (10 linen 4 blue), 6 linen", 0, 14, 6),
        ("4 navy, 9 (6 white 2 red), 4 navy", 4, 8, 4),
        # A design with a middle of its own is woven as it stands.
        ("6 navy, 8 (1 cream 1 navy), 6 rust, 8 (1 navy 1 cream), 6 navy", 50, 0, 0),
        ("2 navy, [3 red], 2 navy", 2, 3, 2),
    ],
)
def test_the_repeat_of_an_order_read_from_a_sample(text, before, repeat, after):
    order = repeatable(parse_order(text))
    assert (len(order.before), len(order.repeat), len(order.after)) == (before, repeat, after)


@given(repeats=st.integers(2, 30))
def test_marking_the_repeat_changes_no_end(repeats):
    typed = parse_order(f"3 navy, {repeats} (6 white 2 red), 3 navy")
    marked = repeatable(typed)
    times = (len(typed.ends()) - marked.fixed_ends) // max(len(marked.repeat), 1)
    assert marked.ends(times) == typed.ends()
