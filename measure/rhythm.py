"""The rhythm of the weave in thread coordinates: which fractional nodes it has, and what follows from them."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
from numpy.typing import NDArray

from ..calibration.ranks import median
from .phase import PX_PER_THREAD, ComplexPlane, Demodulator, FloatPlane, total_strengths

__all__ = ["CLOSED_RATIO", "Node", "centre_phase", "leading_node", "rhythm_features", "structure_nodes"]

Node = tuple[int, int, int]  # (a, b, q) stands for a/q cycles per end and b/q cycles per pick
REPEATS = (2, 3, 4, 5, 6, 8)  # plain 2, twills 3 to 6, basket 4, satins 5 and 8
CLOSED_RATIO = 1.8  # picks so much wider apart than ends (or ends than picks) leave the other no room to show
CLEAR_NODE = 2.5  # strength of the leading node over the usual one below which no weave is told
RIVAL = 0.6  # strength over the strongest node from which a weave with like repeats both ways is preferred
FUNDAMENTAL = 0.45  # strength of a fundamental over its overtone from which it counts
# Cycles per thread within which one node shows in the band of another, and from which share of its strength the true one lies between.
BESIDE, BETWEEN = 0.06, 0.75
BLOCK_THREADS = 12  # rhythms are followed in blocks: long enough to see them, short enough to survive slips


def _fold(a: int, q: int) -> float:
    return a / q if 2 * a <= q else a / q - 1.0


def structure_nodes(demods: dict[str, Demodulator]) -> dict[Node, float]:
    """Strength of every fractional node of the usual repeats: rms amplitude in a narrow band, summed over planes."""
    nodes = _usual_nodes()
    frequencies = [(a / q, _fold(b, q)) for a, b, q in nodes]
    return dict(zip(nodes, total_strengths(list(demods.values()), frequencies), strict=True))


@cache
def _usual_nodes() -> tuple[Node, ...]:
    """Fractional nodes of the usual repeats, one of each pair of conjugates, in lowest terms."""
    return tuple(
        (a, b, q)
        for q in REPEATS
        for a in range(q // 2 + 1)
        for b in range(q)
        if math.gcd(a, b, q) == 1 and not (2 * a in (0, q) and 2 * b > q)
    )


def off_axis_nodes(strength: dict[Node, float]) -> list[tuple[Node, float]]:
    """Nodes off both axes, strongest first: only these tell of interlacing, stripes of dye lie on the axes."""
    return sorted(((n, s) for n, s in strength.items() if n[0] and n[1]), key=lambda item: -item[1])


def _is_whole(node: Node) -> bool:
    """Whether ends and picks both repeat over the whole of q threads, as in all weaves but ribs and cords."""
    return bool(np.gcd(node[0], node[2]) == 1 and np.gcd(node[1], node[2]) == 1)


def leading_node(strength: dict[Node, float]) -> Node | None:
    """Node that the whole rhythm is built from, or None where no weave stands out.

    The strongest node may be an overtone (3/3 twills and eight-end satins show it as strongly as the fundamental,
    herringbones more strongly). A finer node of which it is a multiple is taken instead if that is clear, too.
    """
    ranked = off_axis_nodes(strength)
    usual = float(median([s for _, s in ranked]))
    short = [(n, s) for n, s in ranked if n[2] <= 5]
    # Stripes and checks of dye throw side nodes around (1/2, 1/2), which look like those of a rib.
    near = [(n, s) for n, s in short if _is_whole(n) and s > RIVAL * short[0][1]]
    lead, top = (near or short)[0]
    if top < CLEAR_NODE * usual:
        return None
    for node, s in ranked:
        if _is_whole(node) and node[2] > lead[2] and s > FUNDAMENTAL * top and s > CLEAR_NODE * usual:
            times = [(m * node[0] * lead[2], m * node[1] * lead[2]) for m in range(2, node[2])]
            wanted = (lead[0] * node[2], lead[1] * node[2])
            turn = node[2] * lead[2]
            for sign in (1, -1):
                if any(
                    (x - sign * wanted[0]) % turn == 0 and (y - sign * wanted[1]) % turn == 0
                    for x, y in times
                ):
                    return node
    return None if _between_fractions(lead, top, ranked) else lead


def _between_fractions(lead: Node, top: float, ranked: list[tuple[Node, float]]) -> bool:
    """Whether a node lies beside its fraction: a longer repeat's next to it, which it is no part of, is nearly as strong.

    Led by eight thirds of its picks a satin over eight has a node at (3/8, 1/3), and that is no weave's.
    """
    rivals = [node for node, s in ranked if s > BETWEEN * top and node[2] > lead[2]]
    return any(0 < _apart(node, lead) < BESIDE for node in rivals)


def _apart(one: Node, other: Node) -> float:
    """Distance of two nodes, cycles per thread, along the axis on which they differ more."""
    (a, b, q), (c, d, r) = one, other
    return max(abs(a / q - c / r), abs(_fold(b, q) - _fold(d, r)))


def rhythm_features(planes: list[FloatPlane], rhythm: float) -> NDArray[np.float64]:
    """Component of one rhythm along the threads (axis 0), as real profiles of shape (2 * len(planes), N).

    Blocks of threads are turned to agree with each other first, so that a slip of the rhythm (a missed or doubled
    thread of the other system, a change in the order of colours) does not cancel it.
    """
    k = PX_PER_THREAD
    rows, cols = planes[0].shape
    block = min(BLOCK_THREADS * k, rows)
    angle = 2 * np.pi * rhythm * np.arange(rows) / k
    turn = np.stack([np.cos(angle), -np.sin(angle)]).astype(np.float32)
    parts = np.stack(
        [
            np.concatenate([turn[:, e : e + block] @ plane[e : e + block] for plane in planes], axis=1)
            for e in range(0, rows, block)
        ]
    )  # blocks, real and imaginary, planes times columns
    blocks = np.asarray(parts[:, 0] + 1j * parts[:, 1], dtype=np.complex128)
    # The leading left singular vector of the blocks, from their small matrix of inner products.
    _, vectors = np.linalg.eigh(blocks @ np.conj(blocks.T))
    merged = np.conj(vectors[:, -1]) @ blocks
    # A singular vector has no phase of its own: turned so that the real part holds as much as it can.
    merged *= np.exp(-0.5j * np.angle((merged**2).sum()))
    both = merged.reshape(len(planes), cols)
    return np.stack([both.real, both.imag], axis=1).reshape(-1, cols)


def _vote(signal: ComplexPlane, cloth: FloatPlane) -> complex:
    """Mean unit phasor over the cloth, weighted by its own steadiness."""
    part = signal[: cloth.shape[0], : cloth.shape[1]]
    mean = complex((part / (np.abs(part) + 1e-9) * cloth).sum() / (cloth.sum() + 1e-9))
    return mean * abs(mean) ** 3


def centre_phase(
    demods: dict[str, Demodulator], cloth: FloatPlane, lead: Node, covers: tuple[bool, bool]
) -> tuple[float, float]:
    """Thread centre relative to the whole index, threads, for ends and picks.

    Parameters
    ----------
    demods : dict
        Demodulated feature planes of a thread picture.
    cloth : ndarray of float32
        Cloth on the grid of one sample per thread.
    lead : Node
        Leading fractional node.
    covers : tuple of bool
        Whether the ends (the picks) lie so close that their floats meet over the neighbour. Then the dark line
        between two floats runs along the middle of the thread below, and dark lines are left out.

    Notes
    -----
    For a weave of alike threads the node n and its complement (1, 0) - n carry conjugate weights of the interlacing,
    so their product has phase zero at a thread centre whatever the colours. That holds for planes that are the same
    on both flanks of a float, so for sizes of steps; under light from the side lightness itself is odd, and its
    product turns round. Dark lines and steps across a thread lie half a thread away from its centre.
    """
    ends, picks = 0j, 0j
    even = [demods["edge_x"], demods["edge_y"]]
    for found in even:
        rising, falling = found.node(0.5, 0.5), found.node(0.5, -0.5)
        ends += _vote(np.asarray(rising * falling), cloth)
        picks += _vote(np.asarray(rising * np.conj(falling)), cloth)
    for name in ("edge", "gap"):
        if not covers[0]:
            ends -= _vote(demods[f"{name}_x"].node(1, 0), cloth)
        if not covers[1]:
            picks -= _vote(demods[f"{name}_y"].node(0, 1), cloth)
    a, b, q = lead
    for found in even if q > 2 else ():
        for m in range(1, q):
            fa, fb = _fold(m * a % q, q), _fold(m * b % q, q)
            if fa:
                sign = 1 if fa > 0 else -1
                pair = np.asarray(found.node(fa, fb) * found.node(sign - fa, -fb))
                ends += _vote(pair if sign > 0 else np.conj(pair), cloth)
            if fb:
                sign = 1 if fb > 0 else -1
                pair = np.asarray(found.node(fa, fb) * found.node(-fa, sign - fb))
                picks += _vote(pair if sign > 0 else np.conj(pair), cloth)
    return float(-np.angle(ends) / (2 * np.pi)), float(-np.angle(picks) / (2 * np.pi))
