"""Draws cloth and pieces at random: yarns, colours, setts, unevenness, steps of the beat and faults."""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "sample_images"))

from scene_spec import Cloth, Fault, Piece, Step, Yarn

from .unseen_kinds import Kind

__all__ = ["INCH_MM", "between", "draw_cloth", "draw_piece", "extent_mm"]

INCH_MM = 25.4
NATURAL = ("#e8e0cc", "#d8cdb4", "#c9b48c", "#b08d5a", "#8a6b45", "#5b4530")
DYED = ("#7b2f3a", "#2e4a6e", "#4f7a74", "#c8952c", "#6d3b63", "#a8492f", "#57723c", "#8fa9bf", "#d6a5a0")
WHITES, BLACKS = ("#efece4", "#e9e4d6", "#f0efec"), ("#1c1b1e", "#232127", "#1f2226")
BRIGHT = ("#e7c23c", "#e4e2dd", "#d9722a")


def between(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(math.log(low), math.log(high))))


def draw_cloth(kind: Kind, rng: np.random.Generator) -> Cloth:
    epi = between(rng, *kind.epi)
    ppi = min(epi * rng.uniform(*kind.picks_per_end), 42.0)
    diameter = INCH_MM / epi * rng.uniform(*kind.cover)
    fibre = str(rng.choice(["wool", "cotton", "linen"], p=[0.35, 0.4, 0.25]))
    faced = kind.weave in ("warp_faced", "weft_faced")
    thick = rng.uniform(*kind.weft_times)
    if not faced:  # picks must find room
        thick = min(thick, 0.92 * INCH_MM / ppi / diameter)
    warp, weft = _yarn(fibre, diameter, rng), _yarn(fibre, diameter * thick, rng)
    if kind.weave == "warp_faced":
        warp = replace(warp, spread=1.3)
    elif kind.weave == "weft_faced":
        weft = replace(weft, spread=1.35)
    if rng.random() < kind.band:
        width, length = rng.uniform(10.0, 60.0), rng.uniform(80.0, 250.0)
    else:
        width = rng.uniform(100.0, 200.0)
        length = width * rng.uniform(0.85, 1.15)
    warp_palette, weft_palette, warp_order, weft_order, mirror = _colours(kind.colours, rng)
    cloth = Cloth(
        weave=kind.weave,
        ends=max(12, round(width * epi / INCH_MM)),
        picks=max(20, round(length * ppi / INCH_MM)),
        epi=epi,
        ppi=ppi,
        warp=warp,
        weft=weft,
        warp_palette=warp_palette,
        weft_palette=weft_palette,
        warp_sequence=warp_order,
        weft_sequence=weft_order,
        mirror_warp=mirror,
        end_cv=rng.uniform(0.03, 0.07),
        beat_cv=rng.uniform(0.03, 0.07),
        beat_drift=rng.uniform(0.005, 0.03),
        draw_in=rng.uniform(0.0, 0.03),
        selvedge_crowding=rng.uniform(0.0, 0.2),
        pairing=rng.uniform(0.0, 0.08) if rng.random() < 0.3 else None,
        sides="cut" if width > 90.0 and rng.random() < 0.25 else "selvedge",
        turn_slack=rng.uniform(0.05, 0.3),
        fringe_mm=float(rng.choice([1.0, rng.uniform(5.0, 20.0)])),
        bow_mm=rng.normal(0.0, 0.008) * width,
        skew_mm_per_mm=rng.normal(0.0, 0.015),
        bend_per_mm=rng.normal(0.0, 2e-4),
        turn_deg=rng.uniform(0.0, 360.0),
    )
    return replace(cloth, steps=_steps(cloth, rng), faults=_faults(cloth, rng))


def _yarn(fibre: str, diameter: float, rng: np.random.Generator) -> Yarn:
    if fibre == "wool":
        hairs, hair, uneven, slubs, mottle = (
            rng.uniform(3, 14),
            rng.uniform(0.5, 1.0) * diameter,
            0.08,
            0.0,
            0.08,
        )
    elif fibre == "linen":
        hairs, hair, uneven, slubs, mottle = rng.uniform(0.3, 1), 0.4, 0.1, rng.uniform(0.0, 2.0), 0.06
    else:
        hairs, hair, uneven, slubs, mottle = rng.uniform(0.5, 2), 0.5, 0.05, 0.0, 0.05
    return Yarn(
        diameter_mm=diameter,
        plies=int(rng.choice([1, 2, 2, 3, 4])),
        twist_mm=diameter * rng.uniform(3.0, 8.0),
        unevenness=uneven * rng.uniform(0.6, 1.3),
        slubs_per_m=slubs,
        hairs_per_mm=hairs,
        hair_mm=hair,
        mottle=mottle,
    )


def _colours(
    colours: str, rng: np.random.Generator
) -> tuple[tuple[str, ...], tuple[str, ...], str, str, bool]:
    """Return palettes of warp and weft, their orders, and whether the warp's is mirrored."""
    a, b, c = (str(x) for x in rng.choice(NATURAL + DYED + WHITES, 3, replace=False))
    n = int(rng.integers(3, 13))
    if colours == "one":
        return (a,), (a,), "A", "A", False
    if colours == "stripes":
        stripes = "".join("ABC"[k] * int(rng.integers(1, 8)) for k in (0, 1, 2, 1, 0, 1))
        return (a, b, c), (a,), stripes, "A", True
    if colours == "weft":
        return (a,), (b, c), "A", "A" * int(rng.integers(6, 40)) + "B" * int(rng.integers(2, 20)), False
    if colours == "log_cabin":
        order = "AB" * n + "BA" * n
        return (a, b), (a, b), order, order, False
    if colours == "houndstooth":
        return (a, b), (a, b), "AAAABBBB", "AAAABBBB", False
    if colours == "checks":
        order = "A" * n + "B" * n
        return (a, b), (a, b), order, order, False
    if colours == "gradient":
        ramp = _ramp(a, b, 9)
        return ramp, (c,), "".join("ABCDEFGHI"[k] * n for k in range(9)), "A", True
    if colours in ("white", "black"):
        one, two = (str(x) for x in rng.choice(WHITES if colours == "white" else BLACKS, 2))
        return (one,), (two,), "A", "A", False
    if colours == "bright":
        pair = (str(rng.choice(BRIGHT)), str(rng.choice(BLACKS)))
        return (pair[0],), (pair[1],), "A", "A", False
    return (a,), (b if rng.random() < 0.75 else a,), "A", "A", False


def _ramp(first: str, last: str, steps: int) -> tuple[str, ...]:
    ends = [[int(colour[i : i + 2], 16) for i in (1, 3, 5)] for colour in (first, last)]
    return tuple(
        "#" + "".join(f"{round(p + (q - p) * k / (steps - 1)):02x}" for p, q in zip(*ends, strict=True))
        for k in range(steps)
    )


def _steps(cloth: Cloth, rng: np.random.Generator) -> tuple[Step, ...]:
    if rng.random() > 0.4:
        return ()
    factor = 1.0 + float(rng.choice([-1, 1])) * rng.uniform(0.08, 0.2)
    return (Step(pick_index=round(cloth.picks * rng.uniform(0.3, 0.7)), factor=factor),)


def _faults(cloth: Cloth, rng: np.random.Generator) -> tuple[Fault, ...]:
    """Plant at most one of each kind, each in a part of the length of its own."""
    part = iter(rng.permutation(5))
    end = int(rng.integers(3, cloth.ends - 8))
    out = []
    for kind, chance in (
        ("missed_pick", 0.25),
        ("double_pick", 0.2),
        ("warp_float", 0.25),
        ("weft_float", 0.2),
        ("crowded_edge", 0.2),
    ):
        pick = round(cloth.picks * (0.12 + 0.16 * float(next(part)) + rng.uniform(0.0, 0.1)))
        if rng.random() > chance:
            continue
        if kind == "crowded_edge":
            side = int(rng.choice([0, cloth.ends - 1]))
            out.append(Fault(kind=kind, end_index=side, length=min(5, cloth.ends // 4)))
        else:
            out.append(Fault(kind=kind, pick_index=pick, end_index=end, length=int(rng.integers(5, 8))))
    return tuple(out)


def draw_piece(kind: str, rng: np.random.Generator) -> Piece:
    gauge = rng.uniform(3.0, 9.0)
    pair = tuple(str(x) for x in rng.choice(NATURAL + DYED, 2, replace=False))
    if kind == "gingham_print":
        pair = (str(rng.choice(WHITES)), str(rng.choice(DYED)))
    return Piece(
        kind=kind,
        width_mm=rng.uniform(70.0, 130.0),
        length_mm=rng.uniform(70.0, 140.0),
        gauge_mm=gauge if kind in ("stockinette", "garter", "gingham_print") else rng.uniform(1.5, 5.0),
        hair_mm=rng.uniform(0.3, 0.9),
        colours=pair,
        turn_deg=rng.uniform(0.0, 360.0),
    )


def extent_mm(sample: Cloth | Piece) -> tuple[float, float]:
    if isinstance(sample, Piece):
        return sample.width_mm, sample.length_mm
    length = sample.picks * INCH_MM / sample.ppi + 2 * sample.fringe_mm
    return sample.ends * INCH_MM / sample.epi + 3.0, length
