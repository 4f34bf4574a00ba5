"""The score of a colour order: the naming of colours and the side to begin at do not matter, mistakes do."""

import numpy as np
import pytest

from colours.scoring import score_order
from pickglass.measure.end_colours import ColourReading, EndColour


def reading(order: str, unsure: tuple[int, ...] = ()) -> ColourReading:
    colours = sorted(set(order))
    return ColourReading(
        ends=tuple(
            EndColour(number=i + 1, colour=colours.index(c), margin=0.9, sure=i + 1 not in unsure)
            for i, c in enumerate(order)
        ),
        names=tuple(colours),
        palette_srgb=np.zeros((len(colours), 3), np.uint8),
        visible=True,
    )


@pytest.mark.parametrize("order", ["aaabbcca", "xxxyyzzx", "accbbaaa"])
def test_names_and_side_do_not_matter(order: str) -> None:
    score = score_order(reading(order), "aaabbcca")
    assert (score.right, score.wrong, score.extra, score.missing) == (8, 0, 0, 0)


def test_a_wrong_end_is_counted_and_forgiven_when_marked() -> None:
    sure = score_order(reading("aaabbcba"), "aaabbcca")
    assert (sure.right, sure.wrong, sure.sure_mistakes) == (7, 1, (7,))
    marked = score_order(reading("aaabbcba", (7,)), "aaabbcca")
    assert (marked.wrong, marked.sure_mistakes) == (1, ())


def test_an_end_too_many_and_one_too_few() -> None:
    more = score_order(reading("aaaabbcca"), "aaabbcca")
    assert (more.right, more.extra, more.missing, len(more.sure_mistakes)) == (8, 1, 0, 1)
    fewer = score_order(reading("aaabcca"), "aaabbcca")
    assert (fewer.right, fewer.extra, fewer.missing) == (7, 0, 1)


def test_a_colour_that_was_not_told_apart_is_wrong() -> None:
    score = score_order(reading("aaabbbba"), "aaabbcca")
    assert (score.right, score.wrong) == (6, 2)
