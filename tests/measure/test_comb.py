"""The chain of threads on a profile, and the outermost one beside which the weft turns."""

from __future__ import annotations

import numpy as np
import pytest

from pickglass.measure.comb import fit_comb
from pickglass.measure.phase import PX_PER_THREAD

THREADS, BESIDE = 12, 3


def profile(last_class, *, last_worth=3.0):
    """Scores of two kinds of threads in turn; the last one looks like `last_class`. Ends one spacing inside cost a little."""
    size = (THREADS + 2 * BESIDE) * PX_PER_THREAD
    score = np.full((2, size), -3.0)
    for n in range(THREADS):
        at = (BESIDE + n) * PX_PER_THREAD
        kind = last_class if n == THREADS - 1 else n % 2
        score[kind, at - 1 : at + 2] = last_worth if n == THREADS - 1 else 4.0
    inside = np.arange(size) - BESIDE * PX_PER_THREAD
    start = np.where(np.abs(inside) > 2 * PX_PER_THREAD, np.inf, 0.5 * (inside / PX_PER_THREAD) ** 2)
    stop = start[::-1].copy()
    stop = np.roll(stop, -(PX_PER_THREAD - 1))
    return score, start, stop


def count(score, start, stop, *, turns, looks=1.0):
    spacing = np.full(score.shape[1], float(PX_PER_THREAD))
    sigma = np.full(score.shape[1], 0.16)
    found = fit_comb(score, spacing, start_cost=start, stop_cost=stop, sigma=sigma, turns=turns, looks=looks)
    return len(found.centres)


@pytest.mark.parametrize("turns", [False, True])
def test_threads_in_their_rhythm_are_all_placed(turns):
    assert count(*profile((THREADS - 1) % 2), turns=turns) == THREADS


def test_an_outermost_end_beside_turns_may_look_like_its_neighbour():
    """The turns come again with every second pick, as the floats do: three of 71 pieces lost ends to them on one side or both."""
    scene = profile(THREADS % 2)
    assert count(*scene, turns=False) == THREADS - 1
    assert count(*scene, turns=True) == THREADS


def test_an_outermost_end_must_still_look_like_an_end():
    assert count(*profile(THREADS % 2, last_worth=-2.0), turns=True) == THREADS - 1


def test_costs_that_tell_of_ends_make_up_for_their_looks():
    scene = profile((THREADS - 1) % 2, last_worth=-1.0)
    assert count(*scene, turns=False) == THREADS - 1
    assert count(*scene, turns=False, looks=0.7) == THREADS
