"""Compares the colours read of the ends, in order, with the true ones."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from pickglass.measure.end_colours import ColourReading

__all__ = ["OrderScore", "score_order"]

_GAP, _SWAP = 1.5, 1.0  # an end too many or too few is less likely than one of a wrong colour
_MARKED = 0.1  # cheaper: where it could be either of two ends, it is the marked one
_SHIFTS = range(-3, 4)


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderScore:
    """One warp.

    Attributes
    ----------
    ends, read : int
        True ends, and ends read.
    right, wrong : int
        Ends read in their true colour, and in another.
    extra, missing : int
        Ends read that are none, and ends not read.
    sure_mistakes : tuple of int
        Numbers of the ends read that are wrong or none, yet not marked.
    unsure : int
        Ends marked for the weaver to look at.
    colours_read, colours : int
        Colours of the palette and true ones.
    """

    ends: int
    read: int
    right: int
    wrong: int
    extra: int
    missing: int
    sure_mistakes: tuple[int, ...]
    unsure: int
    colours_read: int
    colours: int


def score_order(reading: ColourReading, truth: str) -> OrderScore:
    """Score a reading under the most favourable naming of the colours, from either side."""
    got = np.array([end.colour for end in reading.ends])
    sure = np.array([end.sure for end in reading.ends])
    letters = sorted(set(truth))
    best: tuple[float, OrderScore] | None = None
    for way in (truth, truth[::-1]):
        real = np.array([letters.index(c) for c in way])
        for names in {
            tuple(_naming(got, real, shift, len(letters), len(reading.names))) for shift in _SHIFTS
        }:
            cost, pairs = _align(got, np.array(names)[real], sure)
            if best is None or cost < best[0]:
                best = cost, _score(reading, np.array(names)[real], pairs, len(letters))
    assert best is not None
    return best[1]


def _naming(
    got: NDArray[np.int_], real: NDArray[np.int_], shift: int, letters: int, names: int
) -> NDArray[np.int_]:
    """Return the palette index of every true colour that explains most ends at a shift; -1 - k for none."""
    together = np.zeros((letters, max(names, letters)))
    low, high = max(0, shift), min(len(got), len(real) + shift)
    np.add.at(together, (real[low - shift : high - shift], got[low:high]), 1)
    rows, columns = linear_sum_assignment(-together)
    named = np.full(letters, -1)
    named[rows] = columns
    return named


def _align(
    got: NDArray[np.int_], real: NDArray[np.int_], sure: NDArray[np.bool_]
) -> tuple[float, list[tuple[int, int]]]:
    """Return the least cost of turning one order into the other, and the (read, true) pairs; -1 stands for no end."""
    rows, columns = len(got) + 1, len(real) + 1
    extra = np.where(sure, _GAP, _GAP - _MARKED)
    cost = np.zeros((rows, columns))
    cost[1:, 0], cost[0] = np.cumsum(extra), _GAP * np.arange(columns)
    apart = (got[:, None] != real[None]) * np.where(sure, _SWAP, _SWAP - _MARKED)[:, None]
    step = np.zeros((rows, columns), dtype=int)
    step[1:, 0], step[0] = 1, 2
    for i in range(1, rows):
        for j in range(1, columns):
            ways = (
                cost[i - 1, j - 1] + apart[i - 1, j - 1],
                cost[i - 1, j] + extra[i - 1],
                cost[i, j - 1] + _GAP,
            )
            step[i, j] = int(np.argmin(ways))
            cost[i, j] = ways[step[i, j]]
    pairs, i, j = [], rows - 1, columns - 1
    while i or j:
        kind = step[i, j]
        i, j = i - (kind != 2), j - (kind != 1)
        pairs.append((-1 if kind == 2 else i, -1 if kind == 1 else j))
    return float(cost[-1, -1]), pairs[::-1]


def _score(
    reading: ColourReading, real: NDArray[np.int_], pairs: list[tuple[int, int]], colours: int
) -> OrderScore:
    right = wrong = extra = missing = 0
    mistakes = []
    for i, j in pairs:
        if i < 0:
            missing += 1
            continue
        good = j >= 0 and reading.ends[i].colour == real[j]
        right += int(good)
        wrong += int(j >= 0 and not good)
        extra += int(j < 0)
        if not good and reading.ends[i].sure:
            mistakes.append(int(i) + 1)
    return OrderScore(
        ends=len(real),
        read=len(reading.ends),
        right=right,
        wrong=wrong,
        extra=extra,
        missing=missing,
        sure_mistakes=tuple(mistakes),
        unsure=len(reading.unsure),
        colours_read=len(reading.names),
        colours=colours,
    )
