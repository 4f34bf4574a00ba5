"""Yarns as triangle meshes: plied tubes swept along a centre line, and the hairs that stand off them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from layout import smooth_noise
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

__all__ = ["Mesh", "YarnPath", "hairs", "join", "linear_rgb", "sweep"]

Array = NDArray[np.float64]

RING = 9  # sides of each ply: enough for a smooth outline at 15 px per yarn


@dataclass
class Mesh:
    """Triangles with a normal and a linear colour at each corner."""

    points: Array
    normals: Array
    colours: Array
    faces: NDArray[np.int64]


@dataclass
class YarnPath:
    """Centre line of one yarn with its cross-section.

    `half_width` lies in the plane of the cloth, `half_height` across it (mm); `colours` are linear RGB per node.
    """

    points: Array
    half_width: Array
    half_height: Array
    colours: Array
    plies: int
    twist_mm: float


def linear_rgb(colour: str) -> Array:
    """Return linear RGB of ``#rrggbb`` (IEC 61966-2-1)."""
    c = np.array([int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)])
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def join(meshes: list[Mesh]) -> Mesh:
    """Put meshes into one."""
    offsets = np.cumsum([0] + [len(m.points) for m in meshes[:-1]])
    return Mesh(
        np.concatenate([m.points for m in meshes]),
        np.concatenate([m.normals for m in meshes]),
        np.concatenate([m.colours for m in meshes]),
        np.concatenate([m.faces + o for m, o in zip(meshes, offsets, strict=True)]),
    )


def _frame(points: Array) -> tuple[Array, Array, Array]:
    """Return unit tangent, side (level with the cloth) and upward vector at each node."""
    tangent = np.gradient(points, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True) + 1e-12
    side = np.cross(tangent, [0.0, 0.0, 1.0])
    side /= np.linalg.norm(side, axis=1, keepdims=True) + 1e-12
    return tangent, side, np.cross(side, tangent)


def _ply_shape(plies: int) -> tuple[float, float]:
    """Return distance of the ply from the axis and its radius, for a yarn of radius 1.

    Plies press flat against each other, so they are larger than round wires would be.
    """
    if plies <= 1:
        return 0.0, 1.0
    return {2: (0.40, 0.62), 3: (0.47, 0.55)}.get(plies, (0.56, 0.46))


def sweep(path: YarnPath, rng: np.random.Generator) -> Mesh:
    """Sweep the plies of one yarn along its centre line."""
    _, side, above = _frame(path.points)
    steps = np.linalg.norm(np.diff(path.points, axis=0), axis=1)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    m = len(along)
    turn = 2 * np.pi * along / path.twist_mm + rng.uniform(0, 2 * np.pi)
    turn = turn + 0.5 * smooth_noise(rng, (m,), 25.0)
    offset, radius = _ply_shape(path.plies)
    phi = np.linspace(0, 2 * np.pi, RING, endpoint=False)
    # Close both ends of the yarn.
    close = np.ones(m)
    close[[0, -1]] = 0.05
    half_w, half_h = path.half_width * close, path.half_height * close
    out = []
    for k in range(max(path.plies, 1)):
        angle = turn + 2 * np.pi * k / max(path.plies, 1)
        fibre = 1.0 + 0.05 * smooth_noise(rng, (RING, m), 2.0).T
        # The surface of a ply turns with the fibres, so that streaks run along the twist.
        ring = phi[None, :] - 1.3 * angle[:, None]
        x = offset * np.cos(angle)[:, None] + radius * fibre * np.cos(ring)
        y = offset * np.sin(angle)[:, None] + radius * fibre * np.sin(ring)
        p = (
            path.points[:, None, :]
            + (half_w[:, None] * x)[..., None] * side[:, None, :]
            + (half_h[:, None] * y)[..., None] * above[:, None, :]
        )
        d_along = np.gradient(p, axis=0)
        d_ring = np.roll(p, -1, axis=1) - np.roll(p, 1, axis=1)
        normal = np.cross(d_ring, d_along)
        normal /= np.linalg.norm(normal, axis=2, keepdims=True) + 1e-12
        outward = p - p.mean(axis=1, keepdims=True)
        normal *= np.where((normal * outward).sum(axis=2, keepdims=True) < 0, -1.0, 1.0)
        streak = 1.0 + 0.07 * smooth_noise(rng, (RING, m), 5.0).T + 0.03 * smooth_noise(rng, (1, m), 9.0).T
        colour = np.clip(path.colours[:, None, :] * streak[..., None], 0.004, 0.95)
        out.append(Mesh(p.reshape(-1, 3), normal.reshape(-1, 3), colour.reshape(-1, 3), _tube_faces(m, RING)))
    return join(out)


def _tube_faces(m: int, ring: int) -> NDArray[np.int64]:
    i = np.arange(m - 1)[:, None] * ring
    a = np.arange(ring)[None, :]
    b = (a + 1) % ring
    quads = np.stack([i + a, i + b, i + ring + b, i + ring + a], axis=-1).reshape(-1, 4)
    return np.concatenate([quads[:, [0, 2, 1]], quads[:, [0, 3, 2]]])


def hairs(path: YarnPath, per_mm: float, length_mm: float, rng: np.random.Generator) -> Mesh | None:
    """Return fibre ends that stand off one yarn, as narrow ribbons turned to the camera."""
    steps = np.linalg.norm(np.diff(path.points, axis=0), axis=1)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    count = rng.poisson(per_mm * along[-1])
    if count == 0:
        return None
    tangent, side, above = _frame(path.points)
    at = np.searchsorted(along, rng.uniform(0, along[-1], count)).clip(0, len(along) - 1)
    phi = rng.uniform(0, 2 * np.pi, count)
    out = np.cos(phi)[:, None] * side[at] + np.sin(phi)[:, None] * above[at]
    root = path.points[at] + 0.85 * (
        (path.half_width[at] * np.cos(phi))[:, None] * side[at]
        + (path.half_height[at] * np.sin(phi))[:, None] * above[at]
    )
    nodes = 5
    length = length_mm * rng.lognormal(-0.15, 0.5, count)
    lean = tangent[at] * rng.normal(0, 1.2, (count, 1)) + rng.normal(0, 0.45, (count, 3))
    start = out + lean
    start /= np.linalg.norm(start, axis=1, keepdims=True)
    # Most fibre ends curl; a curl is a bend of steady size with a little wandering.
    curl = rng.normal(0, 1.5, (count, 1, 3)) + gaussian_filter1d(
        rng.normal(0, 4.0, (count, nodes, 3)), 1.5, axis=1
    )
    s = np.linspace(0, 1, nodes)[None, :, None]
    heading = start[:, None, :] + s * curl * np.minimum(length, 1.5)[:, None, None]
    heading /= np.linalg.norm(heading, axis=2, keepdims=True)
    p = root[:, None, :] + np.cumsum(heading, axis=1) * (length / nodes)[:, None, None]
    p = np.concatenate([root[:, None, :], p], axis=1)
    t = np.gradient(p, axis=1)
    t /= np.linalg.norm(t, axis=2, keepdims=True) + 1e-12
    up = np.array([0.0, 0.0, 1.0]) - t * t[..., 2:3]
    up /= np.linalg.norm(up, axis=2, keepdims=True) + 1e-6
    across = np.cross(t, up)
    half = rng.uniform(0.009, 0.017, (count, 1, 1)) * np.linspace(1.0, 0.4, nodes + 1)[None, :, None]
    points = np.stack([p - half * across, p + half * across], axis=2).reshape(-1, 3)
    normals = np.repeat(up.reshape(-1, 3), 2, axis=0)
    # Single fibres let light through and so look paler than the yarn.
    shade = np.clip(path.colours[at] * rng.uniform(0.95, 1.35, (count, 1)) + 0.02, 0.004, 0.9)
    colours = np.repeat(shade, 2 * (nodes + 1), axis=0)
    base = (np.arange(count) * 2 * (nodes + 1))[:, None] + 2 * np.arange(nodes)[None, :]
    base = base.reshape(-1, 1)
    faces = np.concatenate([base + np.array([0, 1, 3]), base + np.array([0, 3, 2])])
    return Mesh(points, normals, colours, faces)
