"""Drafts of the common weaves as matrices, for drawn cloth. Names and interlacings are common practice."""

from __future__ import annotations

import numpy as np

__all__ = ["draft", "random_weave"]


def draft(weave: str) -> np.ndarray:
    """Give the draft of a weave as a bool matrix (repeat_ends, repeat_picks): True where the end is on top.

    ``plain``; ``twill A/B`` and ``twill A/B left`` (ends go over A, under B picks); ``herringbone A/B N`` with N
    ends a half; ``satin N`` (ends on top) and ``sateen N`` (picks on top), N = 5 or 8; ``broken N/M`` four-end;
    ``basket A/B``; ``rib A/B`` (A ends weave as one) and ``cord A/B`` (A picks lie in one shed).
    """
    kind, *rest = weave.split()
    if kind == "plain":
        return np.eye(2, dtype=bool)
    if kind in ("satin", "sateen"):
        n = int(rest[0])
        move = {5: 2, 7: 3, 8: 3}[n]
        down = np.zeros((n, n), bool)
        for i in range(n):
            down[i, (i * move) % n] = True
        return ~down if kind == "satin" else down
    over, under = (int(part) for part in rest[0].split("/"))
    n = over + under
    if kind == "twill":
        step = -1 if "left" in rest else 1
        return np.array([[(j - step * i) % n < over for j in range(n)] for i in range(n)])
    if kind == "herringbone":
        half = int(rest[1])
        up = list(range(half))
        down = [half - 1 - i + n // 2 for i in range(half)]
        return np.array([[(j - i) % n < over for j in range(n)] for i in up + down])
    if kind == "broken":
        return np.array([[(j - i) % n < over for j in range(n)] for i in (0, 1, 3, 2)])
    first, second = np.arange(n) < over, np.arange(n) >= over
    if kind == "basket":
        return np.array([first if i < over else second for i in range(n)])
    if kind == "rib":
        return np.array([[i == j for j in (True, False)] for i in first])
    if kind == "cord":
        return np.array([[i == j for j in first] for i in (True, False)])
    raise ValueError(f"no such weave: {weave}")


def random_weave(rng: np.random.Generator) -> str:
    """Pick a weave; plain is by far the commonest, as in handweaving."""
    kind = rng.choice(
        ["plain", "twill", "herringbone", "satin", "basket", "rib"], p=[0.48, 0.24, 0.05, 0.08, 0.09, 0.06]
    )
    if kind == "plain":
        return "plain"
    if kind in ("twill", "herringbone"):
        ab = str(
            rng.choice(
                ["2/2", "2/1", "1/2", "3/1", "1/3", "3/2", "2/3"], p=[0.34, 0.2, 0.14, 0.14, 0.08, 0.05, 0.05]
            )
        )
        if kind == "herringbone":
            return f"herringbone {ab} {rng.integers(4, 14)}"
        return f"twill {ab}{rng.choice(['', ' left'])}"
    if kind == "satin":
        if rng.random() < 0.25:
            return str(rng.choice(["broken 3/1", "broken 1/3"]))
        return f"{rng.choice(['satin', 'sateen'])} {rng.choice([5, 8], p=[0.7, 0.3])}"
    if kind == "basket":
        return str(rng.choice(["basket 2/2", "basket 3/3", "basket 2/1"], p=[0.7, 0.2, 0.1]))
    return str(rng.choice(["rib 2/2", "rib 2/1", "cord 2/2", "cord 2/1", "cord 3/3"]))
