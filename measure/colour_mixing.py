"""Ends told apart by the light they send: what the camera sees across a warp is a sum over neighbouring ends.

Averaged along the ends, the light at a place across the cloth is a sum of the colours of the ends around it, each
times the area it shows there and how brightly that lies, plus the weft's share, which is the same for every end.
The shares follow from the picture itself by least squares, and then every end gets the colour that explains the light
around it best (iterated conditional modes, J. Besag, J. R. Statist. Soc. B 48, 1986, 259-302).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Settled", "drop_needless", "look_like_two", "settle_colours", "unmixable", "visible_steps"]

_REACH = 2  # ends on either side that can show at an end's place
_HOLD = 0.1  # of the mean square: a colour may be shaded anew, but not become another
_ROUNDS = 6
_APART_SPREADS, _APART_STEPS = 5.0, 0.08
_NEEDED = 0.6  # a colour stays when without it the light around some colour's ends is explained so much worse
_AS_GOOD = 0.9  # of the best explanation with one colour fewer
_LEAST_TO_SPLIT = 4
_UNMIXABLE = 0.16  # visible steps, about 18 units of CIELAB
_RIDGE = 1e-3  # of the mean square: shares of colours that always stand together cannot be told apart

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """Ends explained by a palette.

    Attributes
    ----------
    colours : ndarray of shape (E,)
        Index into the palette given.
    error : ndarray of shape (E,)
        Square error of the light around each end.
    odds : ndarray of shape (E,)
        That error over the one with the next best colour, 0 (certain) to 1 (a toss); 0 with a single colour.
    lean : ndarray of shape (E,)
        How much lighter the middle of each end is than explained, in steps of `visible_steps`.
    """

    colours: NDArray[np.intp]
    error: Array
    odds: Array
    lean: Array


def settle_colours(light: Array, start: NDArray[np.intp], palette: Array, free: NDArray[np.bool_]) -> Settled:
    """Give every end the colour that explains the light best.

    Parameters
    ----------
    light : ndarray of shape (E, P, 3)
        Mean linear light at P places across each end.
    start : ndarray of shape (E,)
        First guess: index into `palette`.
    palette : ndarray of shape (K, 3)
        Linear light of the colours to choose from.
    free : ndarray of bool, shape (E,)
        Ends whose colour may change; the others are known already.
    """
    colours, paint = start.copy(), palette.copy()
    cost = np.zeros((len(colours), len(paint)))
    shares, rest = _fit_shares(light, paint[colours])
    for _ in range(_ROUNDS):
        shares, rest = _fit_shares(light, paint[colours])
        paint = _fit_paint(light, shares, rest, colours, paint)
        cost, changed = _sweep(light, shares, rest, colours, paint, free)
        if not changed:
            break
    every = np.arange(len(colours))
    own = cost[every, colours]
    cost[every, colours] = np.inf
    explained = np.einsum("pd,edc->epc", shares, _around(paint[colours])) + rest
    lean = (visible_steps(light) - visible_steps(explained)).mean(axis=2)[:, light.shape[1] // 2]
    odds = own / np.maximum(cost.min(axis=1), 1e-12)
    return Settled(colours=colours, error=own, odds=odds, lean=lean)


def look_like_two(settled: Settled) -> NDArray[np.bool_]:
    """Return the ends of every colour that falls into two clearly apart, such as white and pale grey taken as one.

    The ends' unexplained lightness is split where the two sides are most alike in themselves. Of one yarn, evenly
    scattered, the halves' means then lie 2.6 times their spread apart (a normal law cut at its middle). Only ends
    between neighbours of the same colours are compared, for what shines over from these is not explained to the last.
    """
    colours = settled.colours
    found = np.zeros(len(colours), dtype=bool)
    # Light at the selvedges is mixed with the table's and the weft's turns: no evidence of another yarn.
    inner = np.arange(_REACH, len(colours) - _REACH)
    beside = np.sort(np.stack([colours[inner - 1], colours[inner + 1]], axis=1), axis=1)
    kinds = np.column_stack([colours[inner], beside])
    for kind in np.unique(kinds, axis=0):
        here = inner[(kinds == kind).all(axis=1)]
        if len(here) >= _LEAST_TO_SPLIT and _falls_apart(settled.lean[here]):
            found |= colours == kind[0]
    return found


def _falls_apart(values: Array) -> bool:
    """Return whether values split into two groups far apart against their own spread."""
    ordered = np.sort(values)
    splits = [(ordered[:n], ordered[n:]) for n in range(2, len(ordered) - 1)]
    low, high = min(splits, key=lambda halves: sum(len(h) * float(h.var()) for h in halves))
    spread = np.sqrt((len(low) * low.var() + len(high) * high.var()) / len(ordered))
    apart = float(high.mean() - low.mean())
    return apart > _APART_STEPS and apart > _APART_SPREADS * float(spread)


def unmixable(palette: Array) -> NDArray[np.bool_]:
    """Return which colours no light and shade of the others could give: no weighted sum of them comes near.

    `palette` is linear light, shape (K, 3). Light thrown from yarn to yarn makes shadows richer than a plain sum, by up
    to half the bound.
    """
    from scipy.optimize import nnls

    found = np.zeros(len(palette), dtype=bool)
    for k in range(len(palette)):
        others = np.delete(palette, k, axis=0)
        if len(others):
            weights, _ = nnls(others.T, palette[k])
            apart = visible_steps(weights @ others) - visible_steps(palette[k])
            found[k] = float(np.linalg.norm(apart)) > _UNMIXABLE
    return found


def drop_needless(
    light: Array,
    start: NDArray[np.intp],
    palette: Array,
    free: NDArray[np.bool_],
    keep: NDArray[np.bool_] | None = None,
) -> tuple[NDArray[np.intp], Settled]:
    """Settle the ends with no more colours than the light asks for; those in `keep` (one per colour) stay anyway.

    Returns the indices of the palette's colours that are kept, and the ends settled with those alone. An end whose
    colour is dropped becomes free.
    """
    kept = np.arange(len(palette))
    guess, best = start, settle_colours(light, start, palette, free)
    may_go = np.ones(len(palette), dtype=bool) if keep is None else ~keep
    while len(kept) > 1 and may_go[kept].any():
        trials = []
        for k in np.flatnonzero(may_go[kept]).tolist():
            fewer = _nearest_other(guess, palette[kept], k)
            trial = settle_colours(light, fewer, palette[np.delete(kept, k)], free | (guess == k))
            gain = min(_gain(best.error, trial.error, best.colours == c) for c in range(len(kept)))
            trials.append((gain, k, fewer, trial))
        most = max(gain for gain, *_ in trials)
        if most < _NEEDED:
            break
        # Of two colours that stand for each other the one that fewer ends have is not there.
        alike = [found for found in trials if found[0] >= max(_NEEDED, _AS_GOOD * most)]
        _, k, fewer, trial = min(alike, key=lambda found: (int((guess == found[1]).sum()), -found[0]))
        free = free | (guess == k)
        kept, guess, best = np.delete(kept, k), fewer, trial
    return kept, best


def _gain(before: Array, after: Array, ends: NDArray[np.bool_]) -> float:
    """Return the error around some ends with all colours over that with one fewer."""
    if not ends.any():
        return 1.0
    around = np.convolve(ends, np.ones(2 * _REACH + 1), mode="same") > 0
    return float(before[around].sum()) / max(float(after[around].sum()), 1e-12)


def _nearest_other(colours: NDArray[np.intp], palette: Array, gone: int) -> NDArray[np.intp]:
    """Return `colours` without colour `gone`, whose ends take the most alike of the others."""
    distance = ((visible_steps(palette) - visible_steps(palette[gone])) ** 2).sum(axis=1)
    distance[gone] = np.inf
    moved = np.where(colours == gone, int(distance.argmin()), colours)
    return np.where(moved > gone, moved - 1, moved)


def _around(per_end: Array) -> Array:
    """Return each end's neighbours' values, shape (E, 2 reach + 1, …); beyond the edge there is nothing."""
    padded = np.pad(per_end, [(_REACH, _REACH)] + [(0, 0)] * (per_end.ndim - 1))
    return np.stack([padded[i : i + len(per_end)] for i in range(2 * _REACH + 1)], axis=1)


def _fit_shares(light: Array, seen: Array) -> tuple[Array, Array]:
    """Return how much of each neighbour shows at each place, (P, 2 reach + 1), and the rest of the light, (P, 3)."""
    ends, places, _ = light.shape
    near = _around(seen)  # (E, D, 3)
    depth = near.shape[1]
    # One equation per end and channel: shares of the neighbours, and one constant for each channel.
    constant = np.broadcast_to(np.eye(3), (ends, 3, 3))
    design = np.concatenate([near.transpose(0, 2, 1), constant], axis=2).reshape(ends * 3, depth + 3)
    normal = design.T @ design
    normal += _RIDGE * np.trace(normal) / len(normal) * np.eye(len(normal))
    solved = np.linalg.solve(normal, design.T @ light.transpose(0, 2, 1).reshape(ends * 3, places))
    return np.clip(solved[:depth].T, 0.0, None), np.clip(solved[depth:].T, 0.0, None)


def _fit_paint(light: Array, shares: Array, rest: Array, colours: NDArray[np.intp], paint: Array) -> Array:
    """Return the palette that explains the light best, each colour held near what it was when it shows little."""
    ends, places, _ = light.shape
    member = _around(np.eye(len(paint))[colours])  # (E, D, K)
    design = np.einsum("pd,edk->epk", shares, member).reshape(ends * places, len(paint))
    normal = design.T @ design
    # The last term keeps the equations solvable where no end's light shows at all.
    hold = (_HOLD * np.trace(normal) / len(normal) + 1e-9) * np.eye(len(normal))
    target = design.T @ (light - rest).reshape(ends * places, 3) + hold @ paint
    fitted: Array = np.clip(np.linalg.solve(normal + hold, target), 0.0, None)
    return fitted


def _sweep(
    light: Array, shares: Array, rest: Array, colours: NDArray[np.intp], paint: Array, free: NDArray[np.bool_]
) -> tuple[Array, bool]:
    """Give every free end in turn its best colour (in place); return the costs, shape (E, K), and whether any changed."""
    seen = visible_steps(light)
    padded = np.pad(paint[colours], [(2 * _REACH, 2 * _REACH), (0, 0)])
    cost = np.zeros((len(colours), len(paint)))
    changed = False
    for i in range(len(colours)):
        first, last = max(0, i - _REACH), min(len(colours), i + _REACH + 1)
        for k, colour in enumerate(paint):
            padded[i + 2 * _REACH] = colour
            near = np.stack([padded[j + _REACH : j + 3 * _REACH + 1] for j in range(first, last)])
            guess = np.einsum("pd,jdc->jpc", shares, near) + rest
            cost[i, k] = float(((visible_steps(guess) - seen[first:last]) ** 2).sum())
        best = int(cost[i].argmin()) if free[i] else int(colours[i])
        changed |= best != int(colours[i])
        colours[i] = best
        padded[i + 2 * _REACH] = paint[best]
    return cost, changed


def visible_steps(light: Array) -> Array:
    """Return light on a scale of equal visible steps: the cube root of CIE 15, so that dark colours count too."""
    return np.cbrt(np.maximum(light, 0.0) + 0.002)
