"""Faults that change the finished yarns: knots lying on the cloth, and holes where yarns are broken away."""

from __future__ import annotations

import numpy as np
from layout import INCH_MM, smooth_noise, stream
from numpy.typing import NDArray
from scene_spec import Cloth, Fault
from yarn_mesh import Mesh, join, linear_rgb

__all__ = ["add_faults"]

Array = NDArray[np.float64]
Crossings = tuple[Array, Array, Array]

KNOT_LENGTH, KNOT_WIDTH, KNOT_HEIGHT = 1.35, 1.05, 0.8  # half axes of an overhand knot, in yarn diameters


def add_faults(
    cloth: Cloth, seed: int, crossings: Crossings, warp: Mesh, weft: Mesh, fuzz: Mesh | None
) -> tuple[Mesh, Mesh, Mesh | None]:
    """Put the knots on and cut the holes out; `crossings` holds u, v and the height of the end, each (P, N)."""
    for fault in cloth.faults:
        if fault.kind == "knot":
            warp = join([warp, _knot(cloth, fault, crossings, stream(seed, f"knot-{fault.pick_index}"))])
        elif fault.kind == "hole":
            at = [float(c[fault.pick_index, fault.end_index]) for c in crossings[:2]]
            half = 0.5 * fault.length * INCH_MM / cloth.epi
            rng = stream(seed, f"hole-{fault.pick_index}")
            ragged = 1.0 + 0.12 * smooth_noise(rng, (2, 72), 3.0)
            warp, weft = (
                _cut(mesh, at, half * edge) for mesh, edge in zip((warp, weft), ragged, strict=True)
            )
            fuzz = None if fuzz is None else _cut(fuzz, at, half * ragged[0])
    return warp, weft, fuzz


def _cut(mesh: Mesh, at: list[float], reach: Array) -> Mesh:
    """Leave out the faces inside a ragged outline given as its distance from the middle, all around."""
    offset = mesh.points[:, :2] - at
    turn = (np.arctan2(offset[:, 1], offset[:, 0]) / (2 * np.pi) % 1.0 * len(reach)).astype(int) % len(reach)
    gone = np.hypot(offset[:, 0], offset[:, 1]) < reach[turn]
    return Mesh(mesh.points, mesh.normals, mesh.colours, mesh.faces[~gone[mesh.faces].any(axis=1)])


def _knot(cloth: Cloth, fault: Fault, crossings: Crossings, rng: np.random.Generator) -> Mesh:
    """Return a lump of yarn on top of the cloth, bumpy from the turns in it."""
    u, v, z = (float(c[fault.pick_index, fault.end_index]) for c in crossings)
    diameter = cloth.warp.diameter_mm * cloth.wash.yarn_growth
    rings, sides = 24, 36
    polar = np.linspace(0.02, np.pi - 0.02, rings)[:, None]
    around = np.linspace(0, 2 * np.pi, sides, endpoint=False)[None, :]
    bump = 1.0 + 0.10 * np.cos(3 * around + 4 * polar) + 0.04 * smooth_noise(rng, (rings, sides), 2.0)
    unit = np.stack(
        [np.sin(polar) * np.cos(around), np.cos(polar) + 0 * around, np.sin(polar) * np.sin(around)], axis=-1
    )
    axes = diameter * np.array([KNOT_WIDTH, KNOT_LENGTH, KNOT_HEIGHT])
    points = (unit * bump[..., None] * axes).reshape(-1, 3)
    normals = (unit / axes).reshape(-1, 3)
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    letters = cloth.warp_sequence
    end = fault.end_index
    if cloth.mirror_warp and end >= (cloth.ends + 1) // 2:
        end = cloth.ends - 1 - end
    colour = linear_rgb(cloth.warp_palette[ord(letters[end % len(letters)]) - ord("A")])
    shade = 1.0 + 0.08 * smooth_noise(rng, (rings, sides), 2.0).reshape(-1, 1)
    i, j = np.arange(rings - 1)[:, None] * sides, np.arange(sides)[None, :]
    k = (j + 1) % sides
    quads = np.stack([i + j, i + k, i + sides + k, i + sides + j], axis=-1).reshape(-1, 4)
    faces = np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]])
    place = np.array([u, v, z + 0.55 * diameter])
    return Mesh(points + place, normals, np.clip(colour * shade, 0.004, 0.95), faces)
