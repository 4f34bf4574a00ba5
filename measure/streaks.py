"""Ends that lie higher or lower than their neighbours for a while: slack, tight or caught ends seen as streaks of light."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .phase import PX_PER_THREAD
from .tracks import Tracks

__all__ = ["EndStreak", "find_streaks", "streaks_of_cells"]

FloatArray = NDArray[np.float64]

LENGTHS = (4, 8)  # picks averaged; a streak must stand out at both
CLEAR = 7.0
"""Robust standard deviations. Of twenty woven scenes without a streak (two metres of cloth, some sixty thousand places)
the greatest value that holds at both lengths is 5.9; the one slack end among them shows at 8."""
OUTER_ENDS = 4  # beside the selvedge the light always changes
BESIDE = 0.5  # of the streak: its neighbours must not be as light or dark


@dataclass(frozen=True, slots=True, kw_only=True)
class EndStreak:
    """One streak: the end's number from 0, its first and last pick, and how clearly it stands out."""

    end: int
    first_pick: int
    last_pick: int
    clearness: float


def find_streaks(tracks: Tracks) -> tuple[EndStreak, ...]:
    """Find streaks along single ends.

    Notes
    -----
    Nothing is said where the track crosses places without cloth or threads were placed by their neighbours.
    """
    if {"holes", "faint", "untracked"} & (tracks.picks.flags | tracks.ends.flags):
        return ()
    light = tracks.planes["light"]
    rows = np.clip(np.round(tracks.picks.centres_index * PX_PER_THREAD).astype(int), 1, light.shape[0] - 2)
    columns = np.clip(np.round(tracks.ends.centres_index * PX_PER_THREAD).astype(int), 1, light.shape[1] - 2)
    cells = np.zeros((len(rows), len(columns)))
    for i in (-1, 0, 1):
        for j in (-1, 0, 1):
            cells += light[np.ix_(rows + i, columns + j)]
    return streaks_of_cells(cells / 9)


def streaks_of_cells(cells: FloatArray) -> tuple[EndStreak, ...]:
    """Find streaks in the light of every crossing, shape (picks, ends)."""
    picks, ends = cells.shape
    if picks < 3 * LENGTHS[-1] or ends < 3 * OUTER_ENDS:
        return ()
    maps = [_standing_out(cells, length) for length in LENGTHS]
    long = maps[-1]
    found: list[EndStreak] = []
    for end in range(OUTER_ENDS, ends - OUTER_ENDS):
        start = int(np.argmax(np.abs(long[:, end])))
        z = float(long[start, end])
        inside = maps[0][start : start + LENGTHS[1] - LENGTHS[0] + 1, end] * np.sign(z)
        clear = min(abs(z), float(inside.max()))
        beside = max(float(long[start, end - 1] * np.sign(z)), float(long[start, end + 1] * np.sign(z)))
        if clear < CLEAR or beside > BESIDE * abs(z):
            continue
        strong = long[:, end] * np.sign(z) > 0.5 * abs(z)
        first = last = start
        while first > 0 and strong[first - 1]:
            first -= 1
        while last + 1 < len(strong) and strong[last + 1]:
            last += 1
        found.append(
            EndStreak(
                end=end,
                first_pick=first + LENGTHS[1] // 4,
                last_pick=last + LENGTHS[1] - 1 - LENGTHS[1] // 4,
                clearness=clear,
            )
        )
    return tuple(found)


def _standing_out(cells: FloatArray, length: int) -> FloatArray:
    """Light averaged over `length` picks against the end's own and the row's usual, in robust standard deviations."""
    total = np.cumsum(np.vstack([np.zeros((1, cells.shape[1])), cells]), axis=0)
    mean = (total[length:] - total[:-length]) / length
    mean -= np.median(mean, axis=0)
    mean -= np.median(mean, axis=1, keepdims=True)
    scatter = 1.4826 * float(np.median(np.abs(mean)))
    return np.asarray(mean / max(scatter, 1e-9))
