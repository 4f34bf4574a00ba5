"""Every end and every pick of a straightened patch: positions, counts and how sure they are."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .comb import Comb, EdgeZone, fit_comb, learn_sample, likeness
from .phase import (
    PX_PER_THREAD,
    Demodulator,
    FloatPlane,
    LatticePicture,
    feature_planes,
    lattice_picture,
)
from .straighten_threads import IndexField, ThreadPicture, index_field, resample_on_threads

__all__ = ["SystemTrack", "Tracks", "track_threads"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class SystemTrack:
    """One thread system, thread by thread."""

    centres_index: FloatArray
    positions_px: FloatArray
    comb: Comb


@dataclass(frozen=True, slots=True, kw_only=True)
class Tracks:
    """Both systems."""

    ends: SystemTrack
    picks: SystemTrack
    threads: ThreadPicture
    field: IndexField
    info: dict


# The rhythms along the thread that weaves repeat with: plain 2, twills 3 and 4, satins and twills 5 (and basket 4).
FRACTIONS = ((1, 2), (1, 3), (2, 3), (1, 4), (3, 4), (1, 5), (2, 5), (3, 5), (4, 5))


def structure_nodes(demods: dict[str, Demodulator], cloth: FloatPlane) -> dict[tuple[int, int, int], float]:
    """Strength of every fractional node (a/q, b/q), keyed (a, b, q); steady phase over the whole cloth counts."""
    out: dict[tuple[int, int, int], float] = {}
    for q in (2, 3, 4, 5):
        for a in range(q):
            for b in range(q):
                if (a, b) == (0, 0) or np.gcd(np.gcd(a, b), q) != 1:
                    continue
                fa, fb = a / q, (b / q if b / q <= 0.5 else b / q - 1)
                if fa > 0.5 or (fa in (0, 0.5) and fb < 0):
                    continue
                z = [d.node(fa, fb, width_x=0.05, width_y=0.05)[: cloth.shape[0], : cloth.shape[1]] for d in demods.values()]
                out[(a, b, q)] = float(sum((np.abs(s) * cloth).sum() / cloth.sum() for s in z))
    return out


def _block_rhythm(plane: FloatPlane, rhythm: float, block: int) -> NDArray[np.complex128]:
    """Component of the given frequency (cycles per thread) along axis 0 in blocks, shape (blocks, N)."""
    k = PX_PER_THREAD
    rows = np.arange(len(plane))
    turn = np.exp(-2j * np.pi * rhythm * rows / k).astype(np.complex64)
    spun = plane * turn[:, None]
    edges = np.arange(0, len(plane), block)
    return np.asarray(np.add.reduceat(spun, edges, axis=0), dtype=np.complex128)


def rhythm_features(planes: list[FloatPlane], rhythm: float, block_threads: int = 12) -> FloatArray:
    """Component of one rhythm along the threads as real profiles, shape (2 * len(planes), N).

    Blocks are turned to agree with each other first, so that a slip of the rhythm (a missed or doubled thread of the
    other system, a change of colour order) does not cancel it.
    """
    k = PX_PER_THREAD
    blocks = [_block_rhythm(p, rhythm, block_threads * k) for p in planes]
    joint = np.concatenate(blocks, axis=1)
    left, _, _ = np.linalg.svd(joint, full_matrices=False)
    lead = left[:, 0]
    out: list[FloatArray] = []
    for b in blocks:
        merged = np.conj(lead) @ b
        out += [np.asarray(merged.real), np.asarray(merged.imag)]
    return np.array(out)


def _profile(
    planes: dict[str, FloatPlane], cloth: FloatPlane, along: int, rhythms: list[float]
) -> tuple[FloatArray, FloatArray]:
    """Features averaged along the threads (C, N) and the share of cloth (N,)."""
    own, other = ("x", "y") if along == 0 else ("y", "x")
    turn = (lambda p: p) if along == 0 else (lambda p: np.ascontiguousarray(p.T))
    cloth = turn(cloth)
    share = cloth.mean(axis=0).astype(np.float64)
    share = share / max(float(np.quantile(share, 0.8)), 1e-6)
    length = cloth.sum(axis=0).astype(np.float64) + 1e-6
    light, edge_own, edge_other, gap = (turn(planes[n]) for n in ("light", f"edge_{own}", f"edge_{other}", f"gap_{own}"))
    still = [light, light**2, edge_own, edge_other, gap]
    parts = [np.array([np.asarray((p * cloth).sum(axis=0), dtype=np.float64) / length for p in still])]
    for rhythm in rhythms:
        parts.append(rhythm_features([edge_own, edge_other, gap, light], rhythm) / length)
    return np.concatenate(parts), np.minimum(share, 1.0)


def _vote(z: NDArray[np.complex64], cloth: FloatPlane) -> complex:
    z = z[: cloth.shape[0], : cloth.shape[1]]
    unit = z / (np.abs(z) + 1e-9)
    mean = complex((unit * cloth).sum() / (cloth.sum() + 1e-9))
    return mean * abs(mean) ** 3


def centre_phase(demods: dict[str, Demodulator], cloth: FloatPlane, nodes: list[tuple[int, int, int]]) -> tuple[float, float]:
    """Thread centre relative to the whole index (ends, picks).

    Complementary nodes n and (1, 0) - n of a weave that is the same read backwards have opposite phase at a thread
    centre, whatever the colours; dark lines and colour steps lie half a thread away from it.
    """
    ends, picks = 0j, 0j
    for name, d in demods.items():
        rising, falling = d.node(0.5, 0.5), d.node(0.5, -0.5)
        ends += _vote(rising * falling, cloth)
        picks += _vote(rising * np.conj(falling), cloth)
    for name in ("edge_x", "gap_x"):
        ends -= _vote(demods[name].node(1, 0), cloth)
    for name in ("edge_y", "gap_y"):
        picks -= _vote(demods[name].node(0, 1), cloth)
    for a, b, q in nodes:
        if q == 2:
            continue
        d = demods["light"]
        fa, fb = a / q, (b / q if 2 * b <= q else b / q - 1)
        if a:
            ends += _vote(d.node(fa, fb) * d.node(1 - fa, -fb), cloth)
        if b:
            s = 1 if fb > 0 else -1
            z = d.node(fa, fb) * d.node(-fa, s - fb)
            picks += _vote(z if s > 0 else np.conj(z), cloth)
    return float(-np.angle(ends) / (2 * np.pi)), float(-np.angle(picks) / (2 * np.pi))


def _track_system(
    planes: dict[str, FloatPlane], wide: FloatPlane, cloth: FloatPlane, along: int, centre: float, rhythms: list[float], classes: int
) -> Comb:
    k = PX_PER_THREAD
    profile, share = _profile(planes, wide, along, rhythms)
    mid = np.median(profile[:, share > 0.5], axis=1, keepdims=True)
    dev = np.median(np.abs(profile[:, share > 0.5] - mid), axis=1, keepdims=True) + 1e-6
    profile = np.clip((profile - mid) / dev, -6, 6) * (share > 0.3)
    own_share = cloth.mean(axis=along)
    on = np.flatnonzero(own_share > 0.5 * np.quantile(own_share, 0.8))
    low, high = float(on[0]), float(on[-1])
    inset = 0.8 if along == 0 else 0.4
    start = EdgeZone(low=low - 0.5 * k, high=low + 3 * k, mean=low + inset * k, sigma=0.7 * k)
    stop = EdgeZone(low=high - 3 * k, high=high + 0.5 * k, mean=high - inset * k, sigma=0.7 * k)
    n = (high - low) / k
    inner = max(1.0, min(3.0, 0.1 * n))
    whole = np.arange(np.ceil(low / k + inner), np.floor(high / k - inner))
    centres, index = (whole + centre) * k, whole.astype(int)
    spacing = np.full(profile.shape[1], float(k))
    comb = Comb(centres=centres, likeness=np.zeros(0), count_probability={})
    for _ in range(3):
        sample = learn_sample(profile, centres, index, classes)
        score = likeness(profile, sample)
        trials = [fit_comb(score, spacing, start=start, stop=stop, first_class=c) for c in range(classes)]
        totals = [t.likeness.sum() for t in trials]
        comb = trials[int(np.argmax(totals))]
        if len(comb.centres) < 6:
            break
        centres = comb.centres[2:-2]
        index = comb.first_class + np.arange(2, len(comb.centres) - 2)
    return comb


def track_threads(
    bgr: NDArray[np.uint8], mask: NDArray[np.bool_], *, pitch_x_px: float, pitch_y_px: float
) -> Tracks:
    """Track."""
    k = PX_PER_THREAD
    source = lattice_picture(bgr, mask, pitch_x_px=pitch_x_px, pitch_y_px=pitch_y_px)
    field = index_field(source, feature_planes(source))
    threads = resample_on_threads(source, field)
    field = index_field(threads.picture, feature_planes(threads.picture))
    threads = resample_on_threads(source, field, previous=threads)
    cloth = threads.picture.cloth
    wide = np.asarray(cv2.dilate(cloth, np.ones((2 * k + 1, 2 * k + 1), np.uint8)), np.float32)
    planes = feature_planes(LatticePicture(bgr=threads.picture.bgr, cloth=wide, scale_x=1, scale_y=1))
    demods = {n: Demodulator(p) for n, p in planes.items()}
    coarse = cloth[::k, ::k]
    strength = structure_nodes(demods, coarse)
    order = sorted(strength, key=lambda n: -strength[n])
    nodes = order[:3]
    lead = nodes[0]
    ce, cp = centre_phase(demods, coarse, nodes)
    a, b, q = lead
    ends = _track_system(planes, wide, cloth, 0, ce, [b / q], q)
    picks = _track_system(planes, wide, cloth, 1, cp, [a / q], q)
    e = ends.centres / k
    p = picks.centres / k
    mid_row = threads.grid_x_px.shape[0] / 2
    mid_col = threads.grid_x_px.shape[1] / 2
    ex, _ = threads.to_patch(e + threads.first_end, np.full_like(e, mid_row + threads.first_pick))
    _, py = threads.to_patch(np.full_like(p, mid_col + threads.first_end), p + threads.first_pick)
    return Tracks(
        ends=SystemTrack(centres_index=e, positions_px=ex, comb=ends),
        picks=SystemTrack(centres_index=p, positions_px=py, comb=picks),
        threads=threads,
        field=field,
        info=dict(nodes=[(n, round(strength[n], 3)) for n in order[:4]], centre=(round(ce, 2), round(cp, 2))),
    )
