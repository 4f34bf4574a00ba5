"""The rhythm of the weave in thread coordinates: which fractional nodes it has, and what follows from them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .phase import PX_PER_THREAD, ComplexPlane, Demodulator, FloatPlane

__all__ = ["Node", "centre_phase", "rhythm_features", "structure_nodes"]

Node = tuple[int, int, int]  # (a, b, q) stands for a/q cycles per end and b/q cycles per pick
LONGEST_REPEAT = 5  # plain 2, twills 3 and 4, basket 4, satins and twills 5
BLOCK_THREADS = 12  # rhythms are followed in blocks: long enough to see them, short enough to survive slips


def _fold(a: int, q: int) -> float:
    return a / q if 2 * a <= q else a / q - 1.0


def structure_nodes(demods: dict[str, Demodulator]) -> dict[Node, float]:
    """Strength of every fractional node up to `LONGEST_REPEAT`: rms amplitude in a narrow band, summed over planes."""
    out: dict[Node, float] = {}
    for q in range(2, LONGEST_REPEAT + 1):
        for a in range(q // 2 + 1):
            for b in range(q):
                # One of each pair of conjugates, in lowest terms.
                if np.gcd.reduce((a, b, q)) != 1 or (2 * a in (0, q) and 2 * b > q):
                    continue
                out[(a, b, q)] = sum(d.strength(a / q, _fold(b, q)) for d in demods.values())
    return out


def rhythm_features(planes: list[FloatPlane], rhythm: float) -> NDArray[np.float64]:
    """Component of one rhythm along the threads (axis 0), as real profiles of shape (2 * len(planes), N).

    Blocks of threads are turned to agree with each other first, so that a slip of the rhythm (a missed or doubled
    thread of the other system, a change in the order of colours) does not cancel it.
    """
    k = PX_PER_THREAD
    turn = np.exp(-2j * np.pi * rhythm * np.arange(len(planes[0])) / k).astype(np.complex64)
    edges = np.arange(0, len(planes[0]), BLOCK_THREADS * k)
    blocks: list[NDArray[np.complex128]] = []
    for plane in planes:
        parts = [turn[e : e + BLOCK_THREADS * k] @ plane[e : e + BLOCK_THREADS * k] for e in edges]
        blocks.append(np.array(parts, dtype=np.complex128))
    left, _, _ = np.linalg.svd(np.concatenate(blocks, axis=1), full_matrices=False)
    merged = [np.conj(left[:, 0]) @ b for b in blocks]
    return np.array([part for m in merged for part in (m.real, m.imag)])


def _vote(signal: ComplexPlane, cloth: FloatPlane) -> complex:
    """Mean unit phasor over the cloth, weighted by its own steadiness."""
    part = signal[: cloth.shape[0], : cloth.shape[1]]
    mean = complex((part / (np.abs(part) + 1e-9) * cloth).sum() / (cloth.sum() + 1e-9))
    return mean * abs(mean) ** 3


def centre_phase(demods: dict[str, Demodulator], cloth: FloatPlane, nodes: list[Node]) -> tuple[float, float]:
    """Thread centre relative to the whole index, threads, for ends and picks.

    Parameters
    ----------
    demods : dict
        Demodulated feature planes of a thread picture.
    cloth : ndarray of float32
        Cloth on the grid of one sample per thread.
    nodes : list of Node
        The strongest fractional nodes.

    Notes
    -----
    For a weave of alike threads the node n and its complement (1, 0) - n carry conjugate weights of the interlacing,
    so their product has phase zero at a thread centre whatever the colours. Dark lines and colour steps across a
    thread lie half a thread away from its centre.
    """
    ends, picks = 0j, 0j
    for found in demods.values():
        rising, falling = found.node(0.5, 0.5), found.node(0.5, -0.5)
        ends += _vote(np.asarray(rising * falling), cloth)
        picks += _vote(np.asarray(rising * np.conj(falling)), cloth)
    for name in ("edge_x", "gap_x"):
        ends -= _vote(demods[name].node(1, 0), cloth)
    for name in ("edge_y", "gap_y"):
        picks -= _vote(demods[name].node(0, 1), cloth)
    light = demods["light"]
    for a, b, q in nodes:
        fa, fb = a / q, _fold(b, q)
        if q == 2:
            continue
        if a:
            ends += _vote(np.asarray(light.node(fa, fb) * light.node(1 - fa, -fb)), cloth)
        if b:
            sign = 1 if fb > 0 else -1
            pair = np.asarray(light.node(fa, fb) * light.node(-fa, sign - fb))
            picks += _vote(pair if sign > 0 else np.conj(pair), cloth)
    return float(-np.angle(ends) / (2 * np.pi)), float(-np.angle(picks) / (2 * np.pi))
