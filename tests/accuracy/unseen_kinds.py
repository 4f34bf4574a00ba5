"""The kinds of cloth a hand weaver would photograph, and of pieces that are not woven; in which order they come."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

__all__ = ["KINDS", "PIECES", "Kind", "kinds_in_turn"]


@dataclass(frozen=True)
class Kind:
    """A cloth: its weave, how closely its ends lie (diameter over spacing), and the range of setts."""

    weave: str
    colours: str = "two"
    cover: tuple[float, float] = (0.55, 0.85)
    epi: tuple[float, float] = (6.0, 34.0)
    picks_per_end: tuple[float, float] = (0.75, 1.15)
    band: float = 0.45
    """Share of narrow bands."""
    weft_times: tuple[float, float] = (0.9, 1.2)
    """Diameter of the weft over that of the warp."""


FACED = Kind("warp_faced", "stripes", (1.15, 1.4), (18.0, 40.0), (0.28, 0.45), 0.9, (0.9, 1.2))
KINDS: dict[str, Kind] = {
    "plain": Kind("plain"),
    "plain_coarse": Kind("plain", epi=(5.0, 11.0)),
    "plain_fine": Kind("plain", epi=(24.0, 40.0)),
    "twill22": Kind("twill22", cover=(0.65, 0.95), epi=(8.0, 36.0)),
    "twill21": Kind("twill21", cover=(0.65, 0.95), epi=(8.0, 36.0)),
    "twill31": Kind("twill31", cover=(0.7, 1.0), epi=(10.0, 36.0)),
    "herringbone": Kind("herringbone", cover=(0.65, 0.95), epi=(10.0, 30.0), band=0.3),
    "point_twill": Kind("point_twill", cover=(0.65, 0.95), epi=(10.0, 30.0), band=0.3),
    "basket22": Kind("basket22", cover=(0.65, 0.9), epi=(10.0, 36.0)),
    "satin5": Kind("satin5", cover=(0.8, 1.05), epi=(16.0, 40.0), band=0.3),
    "satin8": Kind("satin8", cover=(0.85, 1.05), epi=(20.0, 40.0), band=0.3),
    "band": FACED,
    "band_plain": replace(FACED, colours="one"),
    "rug": Kind("weft_faced", "weft", (0.45, 0.6), (5.0, 10.0), (2.6, 4.2), 0.2, (0.5, 0.65)),
    "rep": Kind("warp_faced", "stripes", (1.2, 1.4), (18.0, 36.0), (0.2, 0.28), 0.4, (1.3, 1.7)),
    "log_cabin": Kind("plain", "log_cabin", epi=(8.0, 24.0)),
    "houndstooth": Kind("twill22", "houndstooth", (0.7, 0.95), (10.0, 28.0)),
    "checks": Kind("plain", "checks", epi=(8.0, 30.0), band=0.2),
    "gradient": Kind("plain", "gradient", epi=(10.0, 30.0)),
    "white": Kind("plain", "white", epi=(8.0, 32.0)),
    "black": Kind("twill22", "black", (0.65, 0.95), (8.0, 30.0)),
    "bright": Kind("plain", "bright", epi=(10.0, 32.0)),
}
PIECES = ("stockinette", "garter", "felt", "corduroy", "gingham_print")
_SPARE = ("plain", "twill22", "band")  # what is commonest comes twice in a turn


def kinds_in_turn(count: int, seed: int) -> list[str]:
    """Return what each picture shows: every kind once before any comes again, in random order."""
    rng = np.random.default_rng([seed, 1])
    pool: list[str] = []
    while len(pool) < count:
        turn = [*KINDS, *_SPARE, *rng.choice(PIECES, 3, replace=False)]
        pool += [str(kind) for kind in rng.permutation(turn)]
    return pool[:count]
