"""The profile across the threads of a straightened cloth, and every thread of one system placed on it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..calibration.ranks import median, percentile
from .cloth_edge import cloth_span, side_occupancy
from .comb import Comb, fit_comb, learn_sample, likeness
from .phase import PX_PER_THREAD, FloatPlane
from .rhythm import rhythm_features
from .thread_picture import ThreadPicture

__all__ = ["ENOUGH", "end_costs", "place_threads", "thread_profile"]

FloatArray = NDArray[np.float64]

# Cloth beyond the centre of the outermost end, threads: half the end where the side is cut, and up to one thread more
# for weft turns and their shadow; the last figure is the standard deviation outside that range.
CLOTH_BEYOND_END, CLOTH_BEYOND_SIGMA = (0.95, 1.4), 0.25
# Outline beyond the centre of the outermost thread, (share, mean, standard deviation) in threads. Ends: beyond a selvedge's
# last end lie half of it and the weft's turn, beyond a cut side's little; measured against the known places in
# 22 path-traced photos whose ends can be told from each other by their spacing (38 selvedges 1.00 with a spread of 0.31, the
# median 1.04; 6 cut sides 0.30 with 0.13).
OUTLINE_BEYOND = {"ends": ((0.8, 1.02, 0.35), (0.2, 0.3, 0.2)), "picks": ((1.0, 0.4, 0.6),)}
FARTHEST_LIKELY = 1e-3  # outlines go astray now and then
ENOUGH = {"ends": 0.35, "picks": 0.5}
ROUNDS = 2
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


def end_costs(
    threads: ThreadPicture, along: int, cut: tuple[bool, bool]
) -> tuple[FloatArray, FloatArray, set[str]]:
    """Cost of the first and the last thread at every profile pixel, and what is doubtful about it."""
    k = PX_PER_THREAD
    cloth = threads.picture.cloth
    size = cloth.shape[1 - along]
    low, high = cloth_span(cloth, along)
    where = np.arange(size, dtype=np.float64)
    kinds = OUTLINE_BEYOND["ends" if along == 0 else "picks"]
    costs: list[FloatArray] = []
    flags: set[str] = set()
    for far in (False, True):
        inside = (high - where if far else where - low) / k
        if cut[int(far)]:
            cost = np.where(np.abs(inside - 0.5) > 0.75, np.inf, 0.0)
            flags.add("last-cut" if far else "first-cut")
        else:
            likely = sum(p / s * np.exp(-0.5 * ((inside - mean) / s) ** 2) for p, mean, s in kinds)
            cost = -np.log(likely * kinds[0][2] / kinds[0][0] + FARTHEST_LIKELY)
            cost[(inside < -0.5) | (inside > 3.0)] = np.inf
            seen = side_occupancy(threads.picture.bgr, cloth, threads.seen, far=far) if along == 0 else None
            if seen is not None:
                trust = min(max(seen.contrast / 0.4, 0.25), 1.0)
                excess = seen.beyond - np.clip(seen.beyond, *CLOTH_BEYOND_END)
                cost += 0.5 * (excess / CLOTH_BEYOND_SIGMA * trust) ** 2
            if along == 0 and (seen is None or seen.contrast < 0.2):
                flags.add("edge-unclear")
        costs.append(cost)
    return costs[0], costs[1], flags


def place_threads(
    profile: FloatArray,
    span: tuple[int, int],
    centre: float,
    classes: int,
    *,
    ends: tuple[FloatArray, FloatArray],
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
    ends : tuple of two ndarrays of shape (N,)
        Costs of the first and the last thread (`end_costs`).
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
    comb = Comb(centres=np.zeros(0), likeness=np.zeros(0), count_probability={}, classes=np.zeros(0, int))
    for _ in range(ROUNDS):
        if len(centres) < max(3, classes):
            break
        score = likeness(profile, learn_sample(profile, centres, kinds, classes), enough=enough)
        comb = fit_comb(score, spacing, start_cost=ends[0], stop_cost=ends[1], sigma=sigma)
        centres, kinds = comb.centres[2:-2], comb.classes[2:-2]
    return comb


def _spacing_sigma(size: int, span: tuple[int, int]) -> FloatArray:
    """Spread of ln(spacing) at every profile pixel of cloth that lies between two of them, shape (size,)."""
    where = np.arange(size, dtype=np.float64)
    inside = np.minimum(where - span[0], span[1] - where) / PX_PER_THREAD
    return np.asarray(SPACING_SIGMA * (1.0 + CROWDING * np.exp(-np.maximum(inside, 0.0) / CROWDED_THREADS)))
