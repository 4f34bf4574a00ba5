"""Pieces that are not woven: knits as real loops, felt, corduroy and a printed check as bumpy sheets."""

from __future__ import annotations

import numpy as np
from layout import smooth_noise, stream
from numpy.typing import NDArray
from scene_spec import Piece
from scipy.ndimage import gaussian_filter
from yarn_mesh import Mesh, YarnPath, hairs, join, linear_rgb, sweep

__all__ = ["piece_meshes"]

Array = NDArray[np.float64]

# A loop by three harmonics over one stitch of width 2 pi: sideways bulge, half its height, depth (after the loop
# curves usual in computer graphics). Courses lie half a loop apart, so that each hangs in the one before.
BULGE, HALF_HEIGHT, DEPTH, COURSE, RADIUS = 1.5, 3.6, 0.9, 4.3, 0.92
STEP_MM = 0.15  # between the corners of a sheet
PRINT_GAMMA = 0.5  # share of ink where only one of two printed stripes lies


def piece_meshes(piece: Piece, seed: int) -> dict[str, Mesh]:
    """Return the meshes of a piece on the table, by name; hairs are called ``fuzz``.

    Raises
    ------
    ValueError
        When the kind is unknown.
    """
    if piece.kind in ("stockinette", "garter"):
        paths = _courses(piece, seed)
        body = join([sweep(path, stream(seed, f"course-{n}")) for n, path in enumerate(paths)])
        fuzz = [hairs(path, 3.0, piece.hair_mm, stream(seed, f"hairs-{n}")) for n, path in enumerate(paths)]
        lowest = float(body.points[:, 2].min())
        meshes = {"body": body, "fuzz": join([mesh for mesh in fuzz if mesh is not None])}
        for mesh in meshes.values():
            mesh.points[:, 2] = np.maximum(mesh.points[:, 2] - lowest, 0.01)
    elif piece.kind in ("felt", "corduroy", "gingham_print"):
        meshes = _sheet(piece, seed)
    else:
        raise ValueError(f"unknown piece {piece.kind!r}")
    return {name: _laid(mesh, piece) for name, mesh in meshes.items()}


def _laid(mesh: Mesh, piece: Piece) -> Mesh:
    a = np.radians(piece.turn_deg)
    turn = np.array([[np.cos(a), -np.sin(a), 0.0], [np.sin(a), np.cos(a), 0.0], [0.0, 0.0, 1.0]])
    points = mesh.points @ turn.T + [piece.x_mm, piece.y_mm, 0.0]
    return Mesh(points, mesh.normals @ turn.T, mesh.colours, mesh.faces)


def _courses(piece: Piece, seed: int) -> list[YarnPath]:
    rng = stream(seed, "loops")
    unit = piece.gauge_mm / (2 * np.pi)
    stitches, courses = int(piece.width_mm / piece.gauge_mm), int(piece.length_mm / (COURSE * unit))
    t = np.linspace(0.0, 2 * np.pi * stitches, 40 * stitches)
    colour = linear_rgb(piece.colours[0])
    paths = []
    for row in range(courses):
        face = 1.0 if piece.kind == "stockinette" or row % 2 == 0 else -1.0
        size = 1.0 + 0.05 * smooth_noise(rng, (len(t),), 40.0)
        x = t + BULGE * np.sin(2 * t) + 0.25 * smooth_noise(rng, (len(t),), 60.0)
        y = HALF_HEIGHT * size * np.cos(t) + COURSE * row + 0.3 * smooth_noise(rng, (len(t),), 80.0)
        z = -face * DEPTH * np.cos(2 * t)
        centre = [np.pi * stitches, 0.5 * COURSE * (courses - 1), 0.0]
        points = unit * (np.column_stack([x, y, z]) - centre)
        half = np.full(len(t), RADIUS * unit)
        shade = 1.0 + 0.05 * smooth_noise(rng, (len(t),), 30.0)
        paths.append(YarnPath(points, half, half, colour * shade[:, None], 2, 9.0 * RADIUS * unit))
    return paths


def _sheet(piece: Piece, seed: int) -> dict[str, Mesh]:
    rng = stream(seed, "sheet")
    x = np.arange(-piece.width_mm / 2, piece.width_mm / 2, STEP_MM)
    y = np.arange(-piece.length_mm / 2, piece.length_mm / 2, STEP_MM)
    grid_x, grid_y = np.meshgrid(x, y)
    shape = grid_x.shape
    base, other = (linear_rgb(colour) for colour in (piece.colours * 2)[:2])
    mottle = gaussian_filter(rng.standard_normal(shape), 3.0)
    shade = 1.0 + 0.06 * mottle / mottle.std()
    colour = base * shade[..., None]
    if piece.kind == "felt":
        height = 1.6 + 0.1 * mottle / mottle.std()
    elif piece.kind == "corduroy":
        height = 1.0 + 0.22 * piece.gauge_mm * np.abs(np.sin(np.pi * grid_x / piece.gauge_mm)) ** 0.6
    else:
        height = np.full(shape, 0.12)
        inked = (grid_x % (2 * piece.gauge_mm) < piece.gauge_mm).astype(float)
        inked = PRINT_GAMMA * (inked + (grid_y % (2 * piece.gauge_mm) < piece.gauge_mm))
        colour = base + inked[..., None] * (other - base)
    for rim in (np.s_[0], np.s_[-1], np.s_[:, 0], np.s_[:, -1]):
        height[rim] = 0.0
    body = _height_mesh(x, y, height, np.clip(colour, 0.004, 0.92))
    if piece.kind == "gingham_print":
        return {"body": body}
    # Short paths strewn over the sheet carry its hairs.
    count = int(piece.width_mm * piece.length_mm * (1.2 if piece.kind == "felt" else 0.6))
    rows, columns = rng.integers(2, shape[0] - 2, count), rng.integers(2, shape[1] - 2, count)
    way = rng.uniform(0, 2 * np.pi, count)
    near = np.linspace(-0.6, 0.6, 5)
    parts = []
    for row, column, turn in zip(rows, columns, way, strict=True):
        at = np.array([x[column], y[row], height[row, column] - 0.05])
        points = at + near[:, None] * [np.cos(turn), np.sin(turn), 0.0]
        half = np.full(5, 0.05)
        parts.append(YarnPath(points, half, half, np.repeat(colour[row, column][None], 5, axis=0), 1, 1.0))
    fuzz = [hairs(path, 4.0, piece.hair_mm, rng) for path in parts]
    return {"body": body, "fuzz": join([mesh for mesh in fuzz if mesh is not None])}


def _height_mesh(x: Array, y: Array, height: Array, colour: Array) -> Mesh:
    grid_x, grid_y = np.meshgrid(x, y)
    points = np.stack([grid_x, grid_y, height], axis=-1)
    slope_y, slope_x = np.gradient(height, STEP_MM)
    normal = np.stack([-slope_x, -slope_y, np.ones_like(height)], axis=-1)
    normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
    i = np.arange(len(y) - 1)[:, None] * len(x) + np.arange(len(x) - 1)[None, :]
    quads = np.stack([i, i + 1, i + 1 + len(x), i + len(x)], axis=-1).reshape(-1, 4)
    faces = np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]])
    return Mesh(points.reshape(-1, 3), normal.reshape(-1, 3), colour.reshape(-1, 3), faces)
