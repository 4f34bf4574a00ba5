"""Floats: an end or a pick that passes over threads it should have gone under (or under threads it should have gone over).

In the residual of the averaged weave a float is a row of crossings along one thread that all look like crossings with the
other thread on top, while its neighbours look as they should. Where one system covers the other, a hidden thread that floats
comes up at every crossing, not only where it should have lain below: between them, too, it looks unlike a thread just hidden.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeVar

import numpy as np
from numpy.typing import NDArray

from .crossings import Crossings

__all__ = ["Of", "ThreadFloat", "find_floats"]

Of = Literal["end", "pick"]
THREADS: tuple[Of, ...] = ("end", "pick")
T = TypeVar("T", bound=np.generic)
Run = tuple[int, NDArray[np.int_]]

LEAST_TURNED, LEAST_Z = 0.55, 4.5  # half-way to the other thread on top, and far beyond the scatter
HALF_TURNED, HALF_Z = 0.4, 3.0
LEAST_RUN = 2  # turned crossings: in plain weave a float over five threads
LEAST_BARED, BARED_TURNED = (
    3,
    0.25,
)  # crossings next to each other on which a hidden thread comes up, at the ends only in part
CHANCE = 0.05  # runs that isolated turned crossings may be expected to make by chance in the whole cloth
ROUGH_SHARE, ROUGH_COUNT, ROUGH_RUN = (
    0.002,
    5,
    4,
)  # isolated ones of slubby cloth come in short runs: ask for longer ones
NEAR = 2  # threads beside a float that must look as they should
STRAY_NEAR = 2  # half-turned crossings allowed among them
CLEAR = 6.5
"""Mean of a float's turned crossings in standard deviations. Planted floats reach 7 to 20; in photos of checked cloth, whose
ends and picks have one colour at many crossings, runs of 5 to 6 come up by chance."""
MOST_ON_A_THREAD = 2
INSIDE = 0.9  # share of a crossing that must be cloth


@dataclass(frozen=True, slots=True, kw_only=True)
class ThreadFloat:
    """One float.

    Attributes
    ----------
    of : str
        ``"end"`` or ``"pick"``: the thread that was not caught.
    thread : int
        Its number from 0.
    first, last : int
        First and last crossing that is turned: picks along an end, ends along a pick.
    clearness : float
        Mean of the turned crossings in standard deviations.
    """

    of: Of
    thread: int
    first: int
    last: int
    clearness: float


def find_floats(crossings: Crossings, hidden: Of | None = None) -> tuple[ThreadFloat, ...]:
    """Find the floats of a cloth.

    Parameters
    ----------
    crossings : Crossings
    hidden : {"end", "pick"}, optional
        The system that the other one covers, if it does.

    Notes
    -----
    Slubs and hairs turn single crossings here and there. How long a run they would make by chance, were they strewn
    evenly, sets the shortest run that is believed. Where the tracking slipped whole patches look turned; there a
    float has turned neighbours on other threads and is not believed.
    """
    cloth = crossings.cloth > INSIDE
    turned = (crossings.turned > LEAST_TURNED) & (crossings.turned_z > LEAST_Z) & cloth
    half = (crossings.turned > HALF_TURNED) & (crossings.turned_z > HALF_Z)
    found: list[ThreadFloat] = []
    runs: dict[Of, list[Run]] = {of: _all_runs(turned, crossings.side, of) for of in THREADS}
    strewn = turned.copy()
    for of, several in runs.items():
        for thread, run in several:
            _by_thread(strewn, of)[thread, run] = False
    # Outermost threads look turned at many crossings, and no float is looked for on them.
    inner = strewn[1:-1, 1:-1]
    least = _least_run(int(np.count_nonzero(inner)), inner.size)
    seen = [(of, thread, run) for of, several in runs.items() for thread, run in several if len(run) >= least]
    if hidden is not None:
        partly = (crossings.turned > BARED_TURNED) & (crossings.turned_z > LEAST_Z) & cloth
        bared = _bared_runs(_by_thread(turned, hidden), _by_thread(partly, hidden), max(least, LEAST_BARED))
        seen = [one for one in seen if one[0] != hidden or not _within(one[1], one[2], bared)]
        for thread, run in bared:
            # Crossings next to each other that look turned on both sides are as rare by chance at a lower mean.
            clear = CLEAR * float(np.sqrt(LEAST_RUN / len(run)))
            found += _believed(crossings, half, hidden, thread, run, clear)
    for of, thread, run in seen:
        found += _believed(crossings, half, of, thread, run, CLEAR)
    return tuple(_longest_of_crossing(_few_on_a_thread(found)))


def _by_thread(values: NDArray[T], of: Of) -> NDArray[T]:
    """Return a view whose rows are the threads asked for."""
    return values.T if of == "end" else values


def _all_runs(turned: NDArray[np.bool_], side: NDArray[np.int_], of: Of) -> list[Run]:
    """Return thread and crossings of every run of turned crossings among those of one side."""
    mine, sides = _by_thread(turned, of), _by_thread(side, of)
    out: list[Run] = []
    for thread in range(1, len(mine) - 1):
        for sign in (1, -1):
            places = np.flatnonzero(sides[thread] == sign)
            hits = np.flatnonzero(mine[thread][places])
            for run in np.split(hits, np.flatnonzero(np.diff(hits) > 1) + 1):
                if len(run) >= LEAST_RUN:
                    out.append((thread, places[run]))
    return out


def _bared_runs(turned: NDArray[np.bool_], partly: NDArray[np.bool_], least: int) -> list[Run]:
    """Return thread and crossings of every run of `least` crossings next to each other that are at least partly turned.

    Whatever their side; `LEAST_RUN` of them must be turned.
    """
    out: list[Run] = []
    for thread in range(1, len(turned) - 1):
        hits = np.flatnonzero(partly[thread])
        runs = np.split(hits, np.flatnonzero(np.diff(hits) > 1) + 1)
        out += [
            (thread, run)
            for run in runs
            if len(run) >= least and np.count_nonzero(turned[thread, run]) >= LEAST_RUN
        ]
    return out


def _within(thread: int, run: NDArray[np.int_], longer: list[Run]) -> bool:
    return any(thread == other and run[0] in whole for other, whole in longer)


def _believed(
    crossings: Crossings,
    half: NDArray[np.bool_],
    of: Of,
    thread: int,
    run: NDArray[np.int_],
    least_clear: float,
) -> list[ThreadFloat]:
    """Return the float that a run of turned crossings is, if it is clear and the threads beside it look as they should."""
    clear = float(_by_thread(crossings.turned_z, of)[thread, run].mean())
    if clear < least_clear or _company(_by_thread(half, of), thread, run) > STRAY_NEAR:
        return []
    return [ThreadFloat(of=of, thread=thread, first=int(run[0]), last=int(run[-1]), clearness=clear)]


def _least_run(strewn: int, crossings: int) -> int:
    """Shortest run that strewn turned crossings hardly make."""
    share = strewn / crossings
    if share > ROUGH_SHARE and strewn >= ROUGH_COUNT:
        return ROUGH_RUN
    least = LEAST_RUN
    while strewn * share ** (least - 1) > CHANCE:
        least += 1
    return least


def _company(half: NDArray[np.bool_], thread: int, run: NDArray[np.int_]) -> int:
    """Count half-turned crossings on the threads beside a run."""
    along = slice(max(0, int(run[0]) - NEAR), int(run[-1]) + NEAR + 1)
    beside = [t for t in range(thread - NEAR, thread + NEAR + 1) if t != thread and 0 <= t < len(half)]
    return int(half[beside, along].sum())


def _few_on_a_thread(found: list[ThreadFloat]) -> list[ThreadFloat]:
    """Leave out threads with many floats: their colours or their place in the weave were read wrongly."""
    return [
        one
        for one in found
        if sum(other.of == one.of and abs(other.thread - one.thread) <= 1 for other in found)
        <= MOST_ON_A_THREAD
    ]


def _longest_of_crossing(found: list[ThreadFloat]) -> list[ThreadFloat]:
    """Leave one float where an end and a pick claim the same crossings."""
    kept: list[ThreadFloat] = []
    for new in sorted(found, key=lambda f: -(f.last - f.first)):
        if not any(_cross(new, old) for old in kept):
            kept.append(new)
    return kept


def _cross(a: ThreadFloat, b: ThreadFloat) -> bool:
    if a.of == b.of:
        return abs(a.thread - b.thread) <= 1 and a.first <= b.last and b.first <= a.last
    return a.first <= b.thread <= a.last and b.first <= a.thread <= b.last
