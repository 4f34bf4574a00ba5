"""The profile across the threads of a straightened cloth, and every thread of one system placed on it."""

from __future__ import annotations

from functools import partial

import numpy as np
from numpy.typing import NDArray

from ..calibration.ranks import median, percentile
from .comb import Comb, fit_comb, learn_sample, likeliest, likeness
from .edge_costs import EdgeCosts
from .phase import PX_PER_THREAD, FloatPlane
from .rhythm import rhythm_features

__all__ = ["ENOUGH", "place_threads", "thread_profile"]

FloatArray = NDArray[np.float64]

ENOUGH = {"ends": 0.35, "picks": 0.5}
ROUNDS = 2
# Threads beside an edge, and the likeness below which one was placed by its neighbours.
OUTER, UNLIKE = 3, 0.0
SURE = 0.98  # probability of the count from which both edges are not looked at together
# Spread of ln(spacing) between neighbours in hand-woven cloth, and how it grows where selvedges crowd (all common
# practice: spacings vary by 10 to 15 %, the outermost few ends may lie up to half closer).
SPACING_SIGMA, CROWDING, CROWDED_THREADS = 0.16, 0.8, 2.0


def thread_profile(
    planes: dict[str, FloatPlane], cloth: FloatPlane, along: int, rhythm: float
) -> tuple[FloatArray, FloatArray]:
    """Features averaged along the threads (C, N), scaled to their own spread, and the share of cloth (N,)."""
    own, other = ("x", "y") if along == 0 else ("y", "x")

    def turned(plane: FloatPlane) -> FloatPlane:
        return plane if along == 0 else np.ascontiguousarray(plane.T)

    cloth = turned(cloth)
    share = cloth.mean(axis=0).astype(np.float64)
    share = share / max(float(percentile(share, 80)), 1e-6)
    length = cloth.sum(axis=0).astype(np.float64) + 1e-6
    names = (f"edge_{own}", f"edge_{other}", f"gap_{own}", "light")
    parts = [turned(planes[n]) for n in names]
    still = np.array([p.sum(axis=0, dtype=np.float64) for p in (*parts, parts[-1] ** 2)]) / length
    profile = np.concatenate([still, rhythm_features(parts, rhythm) / length])
    usual = profile[:, share > 0.5]
    middle = median(usual, axis=1)[:, None]
    spread = median(np.abs(usual - middle), axis=1)[:, None] + 1e-6
    return np.clip((profile - middle) / spread, -6, 6) * (share > 0.3), np.minimum(share, 1.0)


def place_threads(
    profile: FloatArray,
    span: tuple[int, int],
    centre: float,
    classes: int,
    *,
    edges: EdgeCosts,
    enough: float,
) -> Comb:
    """Place all threads of one system.

    Their looks are learned at first from the even grid, then from the threads so placed.

    Parameters
    ----------
    profile : ndarray of shape (C, N)
        As `thread_profile` returns it.
    span : tuple of int
        First and last pixel of cloth in it.
    centre : float
        Where in its spacing a thread of the even grid lies, threads.
    classes : int
        Places of the repeat that look different.
    edges : EdgeCosts
        Costs of the first and the last thread.
    enough : float
        Share of the looks above which a thread is likelier than none (`ENOUGH`).
    """
    k = PX_PER_THREAD
    inset = max(1.0, min(3.0, 0.1 * (span[1] - span[0]) / k))
    whole = np.arange(np.ceil(span[0] / k + inset), np.floor(span[1] / k - inset))
    centres = np.asarray((whole + centre) * k, dtype=np.float64)
    kinds = whole.astype(int) % classes
    sigma = _spacing_sigma(profile.shape[1], span)
    spacing = np.full(profile.shape[1], float(k))
    # Where cloth and table look alike, or the ends cover the picks, nothing tells turns of the weft from the table or from ends.
    turns = edges.beyond is not None and not edges.covered and "edge-unclear" not in edges.flags
    fit = partial(fit_comb, spacing=spacing, sigma=sigma, turns=turns, looks=edges.looks)
    comb = Comb(centres=np.zeros(0), likeness=np.zeros(0), count_probability={}, classes=np.zeros(0, int))
    for _ in range(ROUNDS):
        if len(centres) < max(3, classes):
            break
        score = likeness(profile, learn_sample(profile, centres, kinds, classes), enough=enough)
        comb = fit(score, start_cost=edges.first, stop_cost=edges.last)
        centres, kinds = comb.centres[2:-2], comb.classes[2:-2]
    if edges.beyond is None or not 0.0 < comb.count_probability.get(len(comb.centres), 0.0) < SURE:
        return comb
    if min(comb.likeness[:OUTER].min(), comb.likeness[-OUTER:].min()) < UNLIKE:
        return comb  # such ends may hide closer ones (`edge_ends` looks for them), and where they lie tells nothing
    alike = edges.alike
    combs = [fit(score, start_cost=first, stop_cost=last) for first, last, _ in alike]
    return likeliest(comb, combs, [cost for *_, cost in alike])


def _spacing_sigma(size: int, span: tuple[int, int]) -> FloatArray:
    """Spread of ln(spacing) at every profile pixel of cloth that lies between two of them, shape (size,)."""
    where = np.arange(size, dtype=np.float64)
    inside = np.minimum(where - span[0], span[1] - where) / PX_PER_THREAD
    return np.asarray(SPACING_SIGMA * (1.0 + CROWDING * np.exp(-np.maximum(inside, 0.0) / CROWDED_THREADS)))
