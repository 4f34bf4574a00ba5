"""A selvedge told from a cut side by its edge, also where the edge was lost in some rows."""

from __future__ import annotations

import numpy as np
import pytest

from pickglass.measure import stubs

PITCH = 15.0
ROWS = np.arange(1400)


def _turns() -> np.ndarray:
    """Edge of a selvedge: the weft turns every second pick; it bows and wanders besides."""
    wave = 0.35 * PITCH * np.cos(np.pi * ROWS / PITCH)
    return 90.0 + 6.0 * (ROWS / len(ROWS)) ** 2 + wave


def _stubs(rng: np.random.Generator) -> np.ndarray:
    """Edge of a cut side: every pick ends where it was cut."""
    picks = rng.normal(0.0, 0.4 * PITCH, len(ROWS) // round(PITCH) + 1)
    return 90.0 + np.repeat(picks, round(PITCH))[: len(ROWS)]


@pytest.mark.parametrize("lost", [0, 60, 200])
def test_rows_that_lost_the_edge_are_no_raggedness(lost):
    rng = np.random.default_rng(4)
    edge = _turns()
    edge[rng.choice(len(ROWS) // 10, lost // 10, replace=False)[:, None] * 10 + np.arange(10)] -= 8 * PITCH
    repeats, ragged = stubs._look(edge, PITCH)
    assert repeats > 3 * stubs.REPEATS
    assert ragged == pytest.approx(0.35 * PITCH / np.sqrt(2), rel=0.2)


def test_stubs_repeat_nothing():
    repeats, ragged = stubs._look(_stubs(np.random.default_rng(5)), PITCH)
    assert repeats < stubs.REPEATS
    assert ragged > stubs.RAGGED * PITCH


def test_stubs_look_cut_and_turns_do_not():
    cut = [stubs._look(_stubs(np.random.default_rng(seed)), PITCH) for seed in (5, 6)]
    turns = stubs._look(_turns(), PITCH)
    assert stubs.looks_cut(cut, PITCH)
    assert not stubs.looks_cut([turns, turns], PITCH)


def test_a_side_that_is_regularly_the_other_way_is_no_cut():
    """A checked twill was taken for cut, its outermost four ends left out, because one side made up for the other."""
    there = stubs._look(_turns(), PITCH)
    back = (-0.6, there[1])
    assert not stubs.looks_cut([there, back], PITCH)
