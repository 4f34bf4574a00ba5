"""Which mark of a rule is which, told by the lengths of the marks.

Marks are never counted on trust: on a metric rule every fifth is longer and every tenth longest; on an inch rule every
halving of the inch has its own length.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .rule_ticks import FEWEST_MARKS, TickRow
from .units import MM_PER_INCH

__all__ = ["INCH", "METRIC", "Graduation", "Reading", "read_marks"]

_LEAST_RIGHT = 0.85
_LEAST_LEAD = 0.12
_LEAST_SHOWN = 0.85  # of the marks between the first and the last; threads of two kinds skip every other one
_LEAST_OF_RANK = 0.7
_LEAST_NEAR = 0.8  # of the marks of one period
_CLEAR_STEP = 0.12  # ranks differ at least so much in length, relative
_FEWEST_LONG = 2  # marks of the longest rank that must show

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Graduation:
    """A known graduation: the rank (0 is shortest) of each mark over one period, and what the period measures."""

    name: str
    ranks: tuple[int, ...]
    period_mm: float


def _halvings(parts: int) -> tuple[int, ...]:
    ranks = []
    for k in range(parts):
        rank, step = 0, 2
        while step <= parts and k % step == 0:
            rank, step = rank + 1, 2 * step
        ranks.append(rank)
    return tuple(ranks)


METRIC = (
    Graduation(name="millimetres", ranks=(2, 0, 0, 0, 0, 1, 0, 0, 0, 0), period_mm=10.0),
    Graduation(name="half millimetres", ranks=(3, *(0, 1) * 4, 0, 2, *(0, 1) * 4, 0), period_mm=10.0),
)
INCH = (
    Graduation(name="sixteenths of an inch", ranks=_halvings(16), period_mm=MM_PER_INCH),
    Graduation(name="thirty-seconds of an inch", ranks=_halvings(32), period_mm=MM_PER_INCH),
)


@dataclass(frozen=True, slots=True)
class Reading:
    """A row of marks, read.

    Attributes
    ----------
    row : TickRow
    graduation : Graduation
    places_mm : ndarray of shape (N,)
        Place of every mark along the rule.
    right : float
        Share of the marks whose length is that of their rank, averaged over the ranks.
    """

    row: TickRow
    graduation: Graduation
    places_mm: Array
    right: float


def read_marks(row: TickRow) -> Reading | None:
    """Find the graduation whose pattern of long and short marks this row shows, if exactly one does.

    A pattern that only leaves out a distinction of another (sixteenths, whose inches are not told from half inches,
    in thirty-seconds) is no rival of it: the one that explains more is right.
    """
    trials: list[tuple[float, NDArray[np.int_], int, Graduation]] = []
    for graduation in (*METRIC, *INCH):
        period = len(graduation.ranks)
        for phase in range(period):
            rank = np.array(graduation.ranks)[(row.number + phase) % period]
            trials.append((_agreement(row, rank), rank, phase, graduation))
    top = max(trial[0] for trial in trials)
    if top < _LEAST_RIGHT:
        return None
    near = [trial for trial in trials if trial[0] > top - _LEAST_LEAD]
    right, rank, phase, graduation = max(near, key=lambda trial: (int(trial[1].max()), trial[0]))
    if any(not np.array_equal(other[1], np.minimum(rank, other[1].max())) for other in near):
        return None
    stretch = _well_read(row, rank, len(graduation.ranks))
    if stretch is None:
        return None
    row, rank = _part(row, stretch), rank[stretch]
    if _agreement(row, rank) < _LEAST_RIGHT:
        return None
    if np.count_nonzero(rank == rank.max()) < _FEWEST_LONG or len(row.number) < FEWEST_MARKS:
        return None
    step_mm = graduation.period_mm / len(graduation.ranks)
    places_mm = np.asarray((row.number + phase) * step_mm, dtype=np.float64)
    return Reading(row=row, graduation=graduation, places_mm=places_mm, right=right)


def _part(row: TickRow, stretch: slice) -> TickRow:
    return TickRow(
        number=row.number[stretch],
        foot_px=row.foot_px[stretch],
        tip_px=row.tip_px[stretch],
        length_px=row.length_px[stretch],
        spacing_px=row.spacing_px,
        foot_scatter_px=row.foot_scatter_px,
    )


def _agreement(row: TickRow, rank: NDArray[np.int_]) -> float:
    """Return the share of marks whose length is that of their rank, averaged over the ranks (0 if ranks do not differ)."""
    fitting = _fitting(row, rank)
    if fitting is None or len(row.number) < _LEAST_SHOWN * (int(np.ptp(row.number)) + 1):
        return 0.0
    if min(float(np.mean(fitting[rank == k])) for k in range(int(rank.max()) + 1)) < _LEAST_OF_RANK:
        return 0.0
    return float(np.mean([np.mean(fitting[rank == k]) for k in range(int(rank.max()) + 1)]))


def _fitting(row: TickRow, rank: NDArray[np.int_]) -> NDArray[np.bool_] | None:
    """Tell of every mark whether its length is that of its rank; None if the ranks do not differ in length.

    Lengths are compared with those nearby, for perspective shortens marks toward one end of the rule.
    """
    highest = int(rank.max())
    if set(range(highest + 1)) != set(rank.tolist()) or np.count_nonzero(rank == highest) < _FEWEST_LONG:
        return None
    lengths = row.length_px / _local_unit(row, rank)
    usual = [float(np.median(lengths[rank == k])) for k in range(highest + 1)]
    if any(longer < shorter * (1.0 + _CLEAR_STEP) for shorter, longer in itertools.pairwise(usual)):
        return None
    limits = [0.5 * (a + b) for a, b in itertools.pairwise(usual)]
    return np.asarray(np.searchsorted(np.array(limits), lengths) == rank)


def _well_read(row: TickRow, rank: NDArray[np.int_], period: int) -> slice | None:
    """Return the longest stretch in which marks fit their ranks everywhere: beside it a mark may have been counted twice."""
    fitting = _fitting(row, rank)
    if fitting is None:
        return None
    width = min(period, 16)
    near = np.convolve(fitting.astype(np.float64), np.ones(width), mode="same")
    near /= np.convolve(np.ones(len(fitting)), np.ones(width), mode="same")
    good = np.concatenate([[False], near >= _LEAST_NEAR, [False]])
    edges = np.flatnonzero(np.diff(good.astype(int)))
    if not len(edges):
        return None
    first, last = max(zip(edges[::2], edges[1::2], strict=True), key=lambda ends: int(ends[1] - ends[0]))
    return slice(int(first), int(last))


def _local_unit(row: TickRow, rank: NDArray[np.int_]) -> Array:
    """Return how long the shortest marks are at every mark, a straight line fitted to them."""
    short = rank == 0
    line = (
        np.polyfit(row.number[short], row.length_px[short], 1) if np.count_nonzero(short) > 3 else [0.0, 1.0]
    )
    return np.asarray(np.maximum(np.polyval(line, row.number), 0.3 * float(np.median(row.length_px[short]))))
