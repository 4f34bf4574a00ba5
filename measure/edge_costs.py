"""How likely the outermost thread lies where, by the outline and by the colours of cloth and table.

Beyond the centre of the outermost end lie half of it and the turn of the weft. How much that is differs from one sample to the next
(0.3 to 1.8 spacings), but hardly between the two selvedges of one sample: they are made of the same yarns by the same hands. And along
an end no table shows, as it does between the turns: that tells more than the width of what lies beyond, and more than the looks.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .cloth_edge import Occupancy, cloth_span, side_occupancy
from .phase import PX_PER_THREAD
from .thread_picture import ThreadPicture

__all__ = ["EdgeCosts", "closed_cost", "edge_costs"]

FloatArray = NDArray[np.float64]

# Cloth beyond the centre of the outermost end, threads: half the end where the side is cut, and up to one thread more
# for weft turns and their shadow; the last figure is the standard deviation outside that range.
CLOTH_BEYOND_END, CLOTH_BEYOND_SIGMA = (0.95, 1.4), 0.25
# Outline beyond the centre of the outermost thread, (share, mean, standard deviation) in threads. Ends: beyond a selvedge's
# last end lie half of it and the weft's turn, beyond a cut side's little; measured against the known places in
# 22 path-traced photos whose ends can be told from each other by their spacing (38 selvedges 1.00 with a spread of 0.31, the
# median 1.04; 6 cut sides 0.30 with 0.13). Picks: half of the outermost one lies beyond its centre, at 116 ends of 58 path-traced
# pieces 0.44 with a robust spread of 0.13 by the outline (0.31 with 0.13 on the picture straightened along the picks); at four of
# them the outline had taken the outermost pick for fringe, and at one it ended five picks too early.
OUTLINE_BEYOND = {"ends": ((0.8, 1.02, 0.35), (0.2, 0.3, 0.2)), "picks": ((0.9, 0.33, 0.17), (0.1, 0.4, 0.8))}
FARTHEST_LIKELY = 1e-3  # outlines go astray now and then
CLEAR_CONTRAST, UNCLEAR_CONTRAST = 0.4, 0.2  # between the colours of cloth and table
# Both selvedges of one sample, against the known places in 39 path-traced pieces: by the colours 1.14 spacings lie beyond the outermost
# ends, 0.15 less by the outline; in three pieces of four the two sides differ by 0.13 or less. Between pieces it spreads by 0.4 where
# warp and weft both show, and by half as much where the ends cover the picks, whose turns are as thick there as the ends are close.
COLOURS_BEYOND = {True: (1.15, 0.2), False: (1.1, 0.45)}
"""Mean and spread in spacings, by whether the ends cover the picks."""
OUTLINE_LESS = 0.15
SIDES_ALIKE = ((0.7, 0.12), (0.3, 0.4))  # (share, standard deviation)
# Along an end no table shows; between two turns of the weft it does. Odds that a place in half a spacing of which so much of the table
# shows holds an end, ln: CLOSED_SLOPE ln(HALF_OPEN / (OPEN_LEAST + share)). By logistic regression on the known outermost ends of 114
# path-traced pieces and the places one spacing beyond them; apart for the 29 made by another generator it is nearly the same
# (slope 2.9 and 3.7, HALF_OPEN 0.09 and 0.15). Beside that the looks of an end tell less: of 0.5 to 1 the count of the same pieces
# was likeliest with 0.7.
CLOSED_SLOPE, HALF_OPEN, OPEN_LEAST = 3.0, 0.11, 0.02
LOOKS_BESIDE = 0.7
TRIED_BEYOND = np.arange(0.2, 2.0, 0.2)  # spacings


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeCosts:
    """Cost of the first and the last thread at every profile pixel, infinite where it cannot lie.

    Attributes
    ----------
    first, last : ndarray of shape (N,)
        Each side by itself.
    beyond : tuple of two ndarrays of shape (N,), or None
        Threads' worth of cloth beyond every place, to the first and to the last side. None where the sides tell nothing of each other.
    closed : tuple of two ndarrays of shape (N,), or None
        The part of the costs that tells ends from turns of the weft by the table that shows between these.
    looks : float
        What the looks of an outermost thread are worth beside that, of what those of the others are.
    covered : bool
        Whether the ends cover the picks.
    flags : frozenset of str
        What is doubtful: ``"first-cut"``, ``"last-cut"``, ``"edge-unclear"``.
    """

    first: FloatArray
    last: FloatArray
    beyond: tuple[FloatArray, FloatArray] | None = None
    closed: tuple[FloatArray, FloatArray] | None = None
    looks: float = 1.0
    covered: bool = False
    flags: frozenset[str] = frozenset()

    @property
    def alike(self) -> tuple[tuple[FloatArray, FloatArray, float], ...]:
        """Costs (first, last) as if both sides had so much beyond the outermost end, and what that costs; one for every width tried."""
        if self.beyond is None or self.closed is None:
            return ()
        mean, spread = COLOURS_BEYOND[self.covered]
        return tuple(
            (
                _as_wide(self.first, self.beyond[0], width) + self.closed[0],
                _as_wide(self.last, self.beyond[1], width) + self.closed[1],
                float(0.5 * ((width - mean) / spread) ** 2),
            )
            for width in TRIED_BEYOND
        )


def edge_costs(threads: ThreadPicture, along: int, cut: tuple[bool, bool], *, covered: bool) -> EdgeCosts:
    """Work out the costs for the outermost threads of one system.

    Parameters
    ----------
    threads : ThreadPicture
    along : int
        0 for the ends, 1 for the picks.
    cut : tuple of bool
        Whether the cloth goes on beyond the first and the last thread.
    covered : bool
        Whether the ends lie so close that they cover the picks.
    """
    cloth = threads.picture.cloth
    low, high = cloth_span(cloth, along)
    where = np.arange(cloth.shape[1 - along], dtype=np.float64)
    costs: list[FloatArray] = []
    places: list[FloatArray] = []
    closed: list[FloatArray] = []
    told = 1.0
    flags: set[str] = set()
    for far in (False, True):
        inside = (high - where if far else where - low) / PX_PER_THREAD
        if cut[int(far)]:
            costs.append(np.where(np.abs(inside - 0.5) > 0.75, np.inf, 0.0))
            flags.add("last-cut" if far else "first-cut")
            continue
        seen = side_occupancy(threads.picture.bgr, cloth, threads.seen, far=far) if along == 0 else None
        closed.append(closed_cost(seen, far=far) if seen is not None else np.zeros_like(inside))
        told = min(told, _told(seen))
        costs.append(_by_itself(inside, seen, along) + closed[-1])
        places.append(_cloth_beyond(inside, seen))
        if along == 0 and (seen is None or seen.contrast < UNCLEAR_CONTRAST):
            flags.add("edge-unclear")
    first, last = costs
    if along == 1 or len(places) < len(costs):
        return EdgeCosts(first=first, last=last, covered=covered, flags=frozenset(flags))
    return EdgeCosts(
        first=first,
        last=last,
        beyond=(places[0], places[1]),
        closed=(closed[0], closed[1]),
        looks=1.0 - told * (1.0 - LOOKS_BESIDE),
        covered=covered,
        flags=frozenset(flags),
    )


def _trust(seen: Occupancy | None) -> float:
    """How far the colours tell cloth from table, 0..1."""
    return 0.0 if seen is None else min(seen.contrast / CLEAR_CONTRAST, 1.0)


def _told(seen: Occupancy | None) -> float:
    """How far the colours tell where table shows, 0..1: not at all where the edge is unclear."""
    if seen is None:
        return 0.0
    return float(np.clip((seen.contrast - UNCLEAR_CONTRAST) / (CLEAR_CONTRAST - UNCLEAR_CONTRAST), 0.0, 1.0))


def closed_cost(seen: Occupancy, *, far: bool) -> FloatArray:
    """Cost of the outermost end at every place by the table that shows there and farther out, shape (N,).

    An end there is one cost, none in every whole spacing farther out another: the logarithms of what `CLOSED_SLOPE` tells.
    """
    k = PX_PER_THREAD
    share = seen.share[::-1] if far else seen.share
    half = np.ones(k // 2 + 1) / (k // 2 + 1)
    shows = 1.0 - np.convolve(np.pad(share, k // 4, mode="edge"), half, mode="valid")
    odds = CLOSED_SLOPE * np.log(HALF_OPEN / (OPEN_LEAST + np.maximum(shows, 0.0)))
    cost = np.logaddexp(0.0, -odds)
    for farther in range(k, len(odds), k):
        cost[farther:] += np.logaddexp(0.0, odds[:-farther])
    return np.asarray(_told(seen) * (cost - cost.min())[:: -1 if far else 1], dtype=np.float64)


def _by_itself(inside: FloatArray, seen: Occupancy | None, along: int) -> FloatArray:
    kinds = OUTLINE_BEYOND["ends" if along == 0 else "picks"]
    likely = sum(p / s * np.exp(-0.5 * ((inside - mean) / s) ** 2) for p, mean, s in kinds)
    cost = np.asarray(-np.log(likely * kinds[0][2] / kinds[0][0] + FARTHEST_LIKELY), dtype=np.float64)
    cost[(inside < -0.5) | (inside > 3.0)] = np.inf
    if seen is not None:
        trust = max(_trust(seen), 0.25)
        excess = seen.beyond - np.clip(seen.beyond, *CLOTH_BEYOND_END)
        cost += 0.5 * (excess / CLOTH_BEYOND_SIGMA * trust) ** 2
    return cost


def _cloth_beyond(inside: FloatArray, seen: Occupancy | None) -> FloatArray:
    """Threads' worth of cloth beyond every place: by the colours as far as they tell cloth from table, else by the outline."""
    by_outline = inside + OUTLINE_LESS
    if seen is None:
        return by_outline
    trust = _trust(seen)
    return np.asarray(trust * seen.beyond + (1.0 - trust) * by_outline, dtype=np.float64)


def _as_wide(by_itself: FloatArray, beyond: FloatArray, width: float) -> FloatArray:
    """Cost of the outermost end at every place as if so much lay beyond it; infinite where it cannot lie."""
    likely = sum(p / s * np.exp(-0.5 * ((beyond - width) / s) ** 2) for p, s in SIDES_ALIKE)
    return np.where(np.isfinite(by_itself), -np.log(likely + FARTHEST_LIKELY), np.inf)
