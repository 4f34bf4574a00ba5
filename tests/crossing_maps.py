"""Crossings of an even plain weave made up of noise, as reading a photo would give them; nothing here is measured."""

from __future__ import annotations

import numpy as np

from pickglass.measure.crossings import Crossings


def even_crossings(seed: int, picks: int = 72, ends: int = 28) -> Crossings:
    """Return crossings that scatter as those of even cloth do: a turn of 0.06, oddness of half a unit."""
    rng = np.random.default_rng(seed)
    turned = rng.normal(0, 0.06, (picks, ends))
    row, column = np.indices((picks, ends))
    return Crossings(
        turned=turned,
        turned_z=turned / 0.06,
        oddness=rng.normal(0, 0.45, (picks, ends)),
        side=np.where((row + column) % 2 == 0, 1, -1),
        cloth=np.ones((picks, ends)),
        pick_turned=rng.normal(0, 0.02, picks),
        cloth_look=np.clip(rng.normal(3.8, 0.1, (picks, ends)), -4, 4),
    )
