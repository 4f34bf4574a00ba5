"""What lies around the sample: table tops as textures, the card as a thin plate, the printed page."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scene_spec import Card, Page, Table
from scipy.ndimage import gaussian_filter, gaussian_filter1d, map_coordinates
from yarn_mesh import Mesh, linear_rgb

__all__ = ["card_corners_mm", "card_mesh", "page_corners_mm", "table_texture"]

Array = NDArray[np.float64]
TILE_MM = 97.0  # from joint to joint


def _unit(noise: Array) -> Array:
    return np.asarray((noise - noise.mean()) / (noise.std() + 1e-9))


def _wood(rng: np.random.Generator, h: int, w: int, px_per_mm: float) -> tuple[Array, Array]:
    """Return the growth-ring pattern and the fine pores of a plain-sawn board, grain along x."""
    s = px_per_mm
    small = rng.standard_normal((h // 4 + 2, w // 4 + 2))
    warp = _unit(gaussian_filter(small, (9 * s / 4, 55 * s / 4)))
    y, x = np.mgrid[:h, :w]
    bend = map_coordinates(warp, [y / 4, x / 4], order=1)
    across = y / s / 6.5 + 1.3 * bend
    rings = 0.5 + 0.5 * np.sin(2 * np.pi * across + 0.8 * np.sin(2 * np.pi * across))
    pores = gaussian_filter1d(rng.standard_normal((h, w)), 4.0 * s, axis=1)
    pores = _unit(gaussian_filter1d(pores, 0.09 * s, axis=0))
    return rings, np.clip(pores - 0.9, 0, None) * 0.5 + 0.12 * pores


def table_texture(table: Table, width_mm: float, height_mm: float, px_per_mm: float, seed: int) -> Array:
    """Return the linear colour of the table top, shape (H, W, 3)."""
    rng = np.random.default_rng([seed, 77])
    h, w = int(height_mm * px_per_mm), int(width_mm * px_per_mm)
    s = px_per_mm
    base = linear_rgb(table.colour)
    if table.kind in ("oak", "walnut"):
        rings, pores = _wood(rng, h, w, s)
        # Boards of some 70 mm, each cut elsewhere from the tree.
        board = (np.arange(h) / s / 72.0).astype(int)
        tone = rng.normal(0, 0.07, board.max() + 1)[board][:, None]
        shift = rng.integers(0, w, board.max() + 1)[board]
        columns = (np.arange(w)[None, :] + shift[:, None]) % w
        rows = np.arange(h)[:, None]
        shade = 1.0 + tone - 0.16 * rings[rows, columns] - 0.22 * pores[rows, columns]
        seam = np.abs((np.arange(h) / s / 72.0) % 1.0 - 0.5) > 0.4965
        shade[seam] *= 0.5
        joint = np.abs(columns - 1) < 0.15 * s  # where one board ends and the next begins
        shade = np.where(joint & ~seam[:, None], 0.6 * shade, shade)
        shade += 0.03 * _unit(gaussian_filter(rng.standard_normal((h, w)), 0.5))
    elif table.kind == "linen":
        # A table cloth much finer than the sample's threads and out of focus of interest.
        y, x = np.mgrid[:h, :w] / s
        wob = _unit(gaussian_filter(rng.standard_normal((h // 4 + 2, w // 4 + 2)), 6))
        wob = map_coordinates(wob, [y * s / 4, x * s / 4], order=1) * 0.03
        rowwise = gaussian_filter1d(rng.standard_normal((h, w)), 5 * s, axis=1)
        colwise = gaussian_filter1d(rng.standard_normal((h, w)), 5 * s, axis=0)
        cell = np.sin(2 * np.pi * (x / 0.62 + wob)) * np.sin(2 * np.pi * (y / 0.66 + wob))
        shade = 1.0 + 0.07 * cell + 0.05 * _unit(rowwise) + 0.05 * _unit(colwise)
    elif table.kind == "slate":
        cloud = _unit(gaussian_filter(rng.standard_normal((h // 4 + 2, w // 4 + 2)), 4 * s))
        y, x = np.mgrid[:h, :w]
        cloud = map_coordinates(cloud, [y / 4, x / 4], order=1)
        grain = _unit(gaussian_filter(rng.standard_normal((h, w)), 0.1 * s))
        shade = 1.0 + 0.05 * cloud + 0.05 * grain
    elif table.kind == "speckled":
        shade = 1.0 + 0.03 * rng.standard_normal((h, w))
        for size, share, depth in ((0.5, 2.2, -0.35), (0.9, 2.5, 0.25), (0.35, 2.0, -0.5)):
            spots = _unit(gaussian_filter(rng.standard_normal((h, w)), size * s)) > share
            shade += depth * gaussian_filter(spots.astype(float), 0.1 * s)
    elif table.kind == "tile":
        y, x = np.mgrid[:h, :w] / s
        joint = np.minimum(np.abs(x % TILE_MM - 1.0), np.abs(y % TILE_MM - 1.0)) < 1.0
        cloud = _unit(gaussian_filter(rng.standard_normal((h // 8 + 2, w // 8 + 2)), s))
        cloud = map_coordinates(cloud, [y * s / 8, x * s / 8], order=1)
        shade = np.where(joint, 0.62 + 0.05 * rng.standard_normal((h, w)), 1.0 + 0.03 * cloud)
    elif table.kind == "mat":
        y, x = np.mgrid[:h, :w] / s
        line = np.minimum(np.abs(x % 10.0 - 0.25), np.abs(y % 10.0 - 0.25)) < 0.25
        shade = 1.0 + 0.03 * _unit(gaussian_filter(rng.standard_normal((h, w)), 0.1 * s)) + 1.1 * line
    elif table.kind == "paper":
        fibre = _unit(gaussian_filter(rng.standard_normal((h, w)), 0.06 * s))
        shade = 1.0 + 0.012 * fibre
    else:  # painted board, or the lid of a scanner
        depth = 0.004 if table.kind == "lid" else 0.02
        coat = _unit(gaussian_filter(rng.standard_normal((h, w)), 0.12 * s))
        shade = 1.0 + depth * coat
    texture = base[None, None, :] * shade[..., None]
    if table.kind in ("oak", "walnut"):
        # Dark parts of wood are redder.
        texture *= np.stack([shade**-0.12, shade**0.05, shade**0.25], axis=-1)
    return np.asarray(np.clip(texture, 0.003, 0.9))


def _rectangle(width: float, height: float, x: float, y: float, turn_deg: float) -> Array:
    corners = np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]]) * [width / 2, height / 2]
    a = np.radians(turn_deg)
    rot = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    return np.asarray(corners @ rot.T + [x, y])


def card_corners_mm(card: Card) -> Array:
    """Return the corners of the sharp-cornered rectangle: top-left, top-right, bottom-right, bottom-left."""
    return _rectangle(card.width_mm, card.height_mm, card.x_mm, card.y_mm, card.turn_deg)


def page_corners_mm(page: Page) -> Array:
    """Return the corners of the sheet in the same order."""
    return _rectangle(page.width_mm, page.height_mm, page.x_mm, page.y_mm, page.turn_deg)


def card_mesh(card: Card, bottom_mm: float) -> Mesh:
    """Return the card as a plate with rounded corners and a slightly broken edge."""
    r, w, h = card.corner_radius_mm, card.width_mm / 2, card.height_mm / 2
    t = np.linspace(0, np.pi / 2, 17)
    outline, direction = [], []
    for sx, sy, start in ((1, 1, 0.0), (-1, 1, np.pi / 2), (-1, -1, np.pi), (1, -1, 1.5 * np.pi)):
        d = np.column_stack([np.cos(t + start), np.sin(t + start)])
        outline.append(np.array([sx * (w - r), sy * (h - r)]) + r * d)
        direction.append(d)
    edge, out = np.concatenate(outline), np.concatenate(direction)
    n = len(edge)
    bevel = 0.06
    rings = [  # (inset, height, normal outward, normal upward)
        (0.0, 0.0, 1.0, 0.0),
        (0.0, card.thickness_mm - bevel, 1.0, 0.0),
        (0.0, card.thickness_mm - bevel, 0.92, 0.38),
        (bevel, card.thickness_mm, 0.38, 0.92),
        (bevel, card.thickness_mm, 0.0, 1.0),
    ]
    points, normals = [], []
    a = np.radians(card.turn_deg)
    rot = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    for inset, z, side, up in rings:
        xy = (edge - inset * out) @ rot.T + [card.x_mm, card.y_mm]
        points.append(np.column_stack([xy, np.full(n, bottom_mm + z)]))
        normals.append(np.column_stack([side * (out @ rot.T), np.full(n, up)]))
    faces = []
    i = np.arange(n)
    j = (i + 1) % n
    for k in range(len(rings) - 1):
        faces += [np.column_stack([k * n + i, k * n + j, (k + 1) * n + j])]
        faces += [np.column_stack([k * n + i, (k + 1) * n + j, (k + 1) * n + i])]
    centre = len(rings) * n
    points.append(np.array([[card.x_mm, card.y_mm, bottom_mm + card.thickness_mm]]))
    normals.append(np.array([[0.0, 0.0, 1.0]]))
    faces.append(np.column_stack([np.full(n, centre), (len(rings) - 1) * n + i, (len(rings) - 1) * n + j]))
    p = np.concatenate(points)
    colours = np.broadcast_to(linear_rgb(card.colour), p.shape).copy()
    return Mesh(p, np.concatenate(normals), colours, np.concatenate(faces))
