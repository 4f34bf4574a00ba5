"""From the placed threads to yarn centre lines in three dimensions, and to meshes on the table.

The crimp is found by relaxing each yarn like a bent wire between the yarns it passes: it may not sink into
the flattened (elliptic) section of the yarn below or above it, and otherwise straightens. Where threads lie so
close that both cannot hold, they give way half and half, as soft yarns do.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from layout import CRIMP_SHARE, Layout, make_layout, smooth_noise, stream
from numpy.typing import NDArray
from scene_spec import Cloth, Yarn
from yarn_faults import add_faults
from yarn_mesh import Mesh, YarnPath, hairs, join, linear_rgb, sweep

__all__ = ["WovenCloth", "to_plane", "weave_cloth"]

Array = NDArray[np.float64]

SLUB = 0.9  # by which a slub is thicker than its yarn
CONTACT = 0.92  # centre distance of crossing yarns over the sum of their half-heights: they dent each other


@dataclass
class WovenCloth:
    """A cloth in its own frame (u, v, z), lowest point at z = 0.

    `warp`, `weft` are meshes; `fuzz` the hairs. The crossings hold centre lines for the truth. `warp_thickness` and
    `weft_thickness` are places along the threads (along the warp, across it) and the diameters of all threads there,
    relative to their yarn's.
    """

    layout: Layout
    warp: Mesh
    weft: Mesh
    fuzz: Mesh | None
    cross_u: Array
    cross_v: Array
    mid_height_mm: float
    thickness_mm: float
    warp_half_width_mm: float
    weft_half_width_mm: float
    warp_thickness: tuple[Array, Array]
    weft_thickness: tuple[Array, Array]


def _section(yarn: Yarn, growth: float) -> tuple[float, float]:
    radius = 0.5 * yarn.diameter_mm * growth
    return radius * yarn.spread, radius / yarn.spread


def _diameter_factor(yarn: Yarn, shape: tuple[int, int], step_mm: float, rng: np.random.Generator) -> Array:
    """Return the uneven diameter along each yarn, slubs included, relative to its mean."""
    long_wave = smooth_noise(rng, shape, 12.0 / step_mm)
    short_wave = smooth_noise(rng, shape, 2.0 / step_mm)
    factor = 1.0 + yarn.unevenness * (0.75 * long_wave + 0.6 * short_wave)
    x = np.arange(shape[1]) * step_mm
    for row in factor:
        for _ in range(rng.poisson(yarn.slubs_per_m * x[-1] / 1000.0)):
            centre, half = rng.uniform(0, x[-1]), rng.uniform(3.0, 9.0)
            row += rng.uniform(0.25, 0.6) * np.exp(-(((x - centre) / half) ** 2))
    return np.clip(factor, 0.6, 1.9)


def _start_heights(grid: Array, at: Array, z: Array) -> Array:
    return np.stack([np.interp(grid, a, b) for a, b in zip(at, z, strict=True)])


def _relax(grid: Array, z: Array, low: Array, high: Array, rounds: int) -> Array:
    """Straighten the yarns between their bounds; first and last node stay."""
    clash = low > high
    middle = np.where(clash, 0.5 * (np.where(clash, low, 0.0) + np.where(clash, high, 0.0)), 0.0)
    low, high = np.where(clash, middle, low), np.where(clash, middle, high)
    first, last = z[:, :1].copy(), z[:, -1:].copy()
    for _ in range(rounds):
        inner = 0.25 * z[:, :-2] + 0.5 * z[:, 1:-1] + 0.25 * z[:, 2:]
        z = np.clip(np.concatenate([first, inner, last], axis=1), low, high)
    # Yarns have stiffness: no corner where contact begins.
    for _ in range(3):
        inner = 0.25 * z[:, :-2] + 0.5 * z[:, 1:-1] + 0.25 * z[:, 2:]
        z = np.concatenate([first, inner, last], axis=1)
    return z


def _bounds(
    grid: Array, at: Array, other_z: Array, above: NDArray[np.bool_], reach: float, rise: float
) -> tuple[Array, Array]:
    """Return the lowest and highest allowed height at each node, from the crossing yarns.

    `at`, `other_z` and `above` have shape (yarns, crossings); `above` is true where this yarn lies on top.
    """
    low = np.full((len(at), len(grid)), -np.inf)
    high = np.full((len(at), len(grid)), np.inf)
    for k in range(at.shape[1]):
        a = np.searchsorted(grid, at[:, k].min() - reach)
        b = np.searchsorted(grid, at[:, k].max() + reach)
        x = (grid[None, a:b] - at[:, k, None]) / reach
        height = rise * np.sqrt(np.clip(1.0 - x**2, 0.0, None))
        inside = np.abs(x) < 1.0
        top = above[:, k, None]
        z = other_z[:, k, None]
        low[:, a:b] = np.where(inside & top, np.maximum(low[:, a:b], z + height), low[:, a:b])
        high[:, a:b] = np.where(inside & ~top, np.minimum(high[:, a:b], z - height), high[:, a:b])
    return low, high


def _squeeze(side_pos: Array, z: Array, half_w: Array, half_h: Array) -> tuple[Array, Array]:
    """Narrow the yarns where neighbours at the same height leave no room; they become thicker instead.

    Ellipses side by side at distance D and height difference h touch where
    (D / 2a)^2 + (h / 2b)^2 = 1; solved for the half-width a.
    """
    room = np.full_like(side_pos, np.inf)
    for k in (1, 2):  # over and under each other, the next but one may be the one that touches
        distance = np.abs(side_pos[k:] - side_pos[:-k])
        level = ((z[k:] - z[:-k]) / (half_h[k:] + half_h[:-k])) ** 2
        free = 0.5 * distance / np.sqrt(np.clip(1.0 - level, 1e-3, None))
        room[k:] = np.minimum(room[k:], free)
        room[:-k] = np.minimum(room[:-k], free)
    # Round the corner between free and pressed, else the outline kinks.
    narrow = 1.0 / (half_w**-6 + (1.03 * room) ** -6) ** (1.0 / 6.0)
    narrow = np.maximum(narrow, 0.45 * half_w)
    thick = half_h * np.minimum(half_w / narrow, 1.7)
    return narrow, thick


def _yarn_colours(colour: Array, yarn: Yarn, nodes: int, step_mm: float, rng: np.random.Generator) -> Array:
    shade = (
        1.0
        + 0.025 * rng.standard_normal()
        + yarn.mottle
        * (
            0.7 * smooth_noise(rng, (nodes,), 6.0 / step_mm)
            + 0.5 * smooth_noise(rng, (nodes,), 1.2 / step_mm)
        )
    )
    return np.clip(colour[None, :] * np.clip(shade, 0.5, 1.6)[:, None], 0.004, 0.92)


def _letters(sequence: str, count: int, mirror: bool = False) -> str:
    letters = (sequence * (count // len(sequence) + 1))[:count]
    if mirror:
        half = letters[: (count + 1) // 2]
        letters = half + half[::-1][count % 2 :]
    return letters


def _palette(palette: tuple[str, ...], letters: str) -> list[Array]:
    return [linear_rgb(palette[ord(c) - ord("A")]) for c in letters]


def colour_order(cloth: Cloth) -> tuple[str, str]:
    """Return the palette letter of every end and of every pick."""
    return (
        _letters(cloth.warp_sequence, cloth.ends, cloth.mirror_warp),
        _letters(cloth.weft_sequence, cloth.picks),
    )


def _fringe(grid: Array, z: Array, u: Array, layout: Layout, floor: float, rng: np.random.Generator) -> Array:
    """Let the ends beyond the outermost picks sink to the table and wander; return their u.

    `z` is changed in place. Ends that lie closer than they are thick come to rest in two layers.
    """
    first, last = layout.pick_v_mm[0], layout.pick_v_mm[-1]
    beyond = np.maximum(first - grid, grid - last)
    t = np.clip((beyond - 0.5) / 4.0, 0.0, 1.0)
    sink = t * t * (3 - 2 * t)
    n = len(u)
    diameter = layout.cloth.warp.diameter_mm * layout.cloth.wash.yarn_growth
    pitch = 2 * layout.half_width_mm / (n - 1)
    crowded = pitch < 1.25 * diameter
    rest = np.full((n, 1), floor)
    if crowded:
        # The end that comes out on top of the outermost pick stays on top.
        top = np.stack([layout.warp_up[0], layout.warp_up[-1]])
        upper = np.where((grid < first)[None, :], top[0][:, None], top[1][:, None])
        rest = floor + 0.8 * diameter * upper
    z *= 1.0 - sink
    z += rest * sink
    reach = np.clip(beyond, 0.0, None)
    shared = np.stack([np.convolve(rng.standard_normal(n + 8), np.ones(9) / 3.0, "valid") for _ in range(2)])
    free = np.clip(pitch * (2.0 if crowded else 1.0) - diameter, 0.05, 1.0)
    own = rng.uniform(-0.5, 0.5, (2, n)) * free
    side = (grid < first)[None, :]
    lean = np.where(side, shared[0][:, None], shared[1][:, None])
    apart = np.where(side, own[0][:, None], own[1][:, None])
    spread = 0.0012 * (u - u.mean(axis=0))
    wave = 0.12 * free * smooth_noise(rng, u.shape, len(grid) / max(np.ptp(grid), 1.0) * 1.6)
    moved = u + reach**1.5 * (0.03 * lean + spread) + np.minimum(reach / 8.0, 1.0) * (apart + wave)
    return np.asarray(moved)


def _warp_paths(
    layout: Layout, grid: Array, u: Array, z: Array, half_w: Array, half_h: Array, seed: int
) -> list[YarnPath]:
    cloth = layout.cloth
    rng = stream(seed, "warp-ends")
    step = float(grid[1] - grid[0])
    letters, _ = colour_order(cloth)
    paths = []
    for j, colour in enumerate(_palette(cloth.warp_palette, letters)):
        cut = cloth.fringe_mm * rng.uniform(0.75, 1.0, 2)
        keep = (grid > layout.pick_v_mm[0] - cut[0]) & (grid < layout.pick_v_mm[-1] + cut[1])
        points = np.stack([u[j], grid, z[j]], axis=1)[keep]
        colours = _yarn_colours(colour, cloth.warp, int(keep.sum()), step, rng)
        twist = (cloth.warp.twist_mm or 5.0 * cloth.warp.diameter_mm) * rng.uniform(0.93, 1.07)
        paths.append(YarnPath(points, half_w[j][keep], half_h[j][keep], colours, cloth.warp.plies, twist))
    return paths


def _weft_paths(
    layout: Layout, grid: Array, v: Array, z: Array, half_w: Array, half_h: Array, cross_u: Array, seed: int
) -> list[YarnPath]:
    """Chain the picks by their turns; a new yarn starts where the colour changes."""
    cloth = layout.cloth
    rng = stream(seed, "weft-ends")
    step = float(grid[1] - grid[0])
    _, letters = colour_order(cloth)
    colours = _palette(cloth.weft_palette, letters)
    warp_a, _ = _section(cloth.warp, cloth.wash.yarn_growth)
    free_a, free_b = _section(cloth.weft, cloth.wash.yarn_growth)
    out_mm = 0.75 * warp_a + 0.9 * free_a
    paths: list[YarnPath] = []
    parts: list[tuple[Array, Array, Array, Array]] = []
    tint = rng.standard_normal(cloth.picks)

    def flush() -> None:
        if parts:
            p, a, b, c = (np.concatenate([part[k] for part in parts]) for k in range(4))
            twist = cloth.weft.twist_mm or 5.0 * cloth.weft.diameter_mm
            paths.append(YarnPath(p, a, b, c, cloth.weft.plies, twist * rng.uniform(0.95, 1.05)))
            parts.clear()

    for i in range(cloth.picks):
        left, right = cross_u[i, 0], cross_u[i, -1]
        tail = 0.6 * warp_a if cloth.sides == "selvedge" else warp_a * rng.uniform(1.0, 1.6)
        alone_l = cloth.sides == "cut" or not _turns(letters, i, left_side=True)
        alone_r = cloth.sides == "cut" or not _turns(letters, i, left_side=False)
        keep = (grid > left - (tail if alone_l else 0.0)) & (grid < right + (tail if alone_r else 0.0))
        points = np.stack([grid, v[i], z[i]], axis=1)[keep]
        a, b = half_w[i][keep], half_h[i][keep]
        c = _yarn_colours(colours[i], cloth.weft, len(a), step, rng)
        if i % 2:
            points, a, b, c = points[::-1], a[::-1], b[::-1], c[::-1]
        parts.append((points, a, b, c))
        joined = i + 1 < cloth.picks and not (alone_l if i % 2 else alone_r)
        if not joined:
            flush()
            continue
        k = -1 if i % 2 == 0 else 0
        nxt = (grid > cross_u[i + 1, 0]) & (grid < cross_u[i + 1, -1])
        after = np.stack([grid, v[i + 1], z[i + 1]], axis=1)[nxt][k]
        slack = out_mm * (1.0 + cloth.turn_slack * np.clip(rng.standard_normal(), -1.2, 2.5))
        arc, arc_a, arc_b = _turn(points[-1], after, slack, step, (a[-1], free_a), (b[-1], free_b), k == -1)
        parts.append((arc, arc_a, arc_b, np.repeat(c[-1:] * (1 + 0.01 * tint[i]), len(arc), axis=0)))
    flush()
    return paths


def _turns(letters: str, i: int, *, left_side: bool) -> bool:
    """Whether the weft turns into a neighbouring pick at this side of pick i (picks start from the left)."""
    other = i - 1 if (i % 2 == 0) == left_side else i + 1
    return 0 <= other < len(letters) and letters[other] == letters[i]


def _turn(
    start: Array,
    end: Array,
    out_mm: float,
    step: float,
    half_w: tuple[float, float],
    half_h: tuple[float, float],
    to_right: bool,
) -> tuple[Array, Array, Array]:
    gap = abs(end[1] - start[1])
    n = max(int((2 * out_mm + gap) / step), 8)
    t = np.linspace(0, np.pi, n + 2)[1:-1]
    blend = (1 - np.cos(t)) / 2
    p = start[None, :] + blend[:, None] * (end - start)[None, :]
    p[:, 0] += out_mm * np.sin(t) ** 0.8 * (1.0 if to_right else -1.0)
    ease = np.sin(t) ** 2
    # A yarn bent tightly is pressed narrower in the bend.
    tight = min(1.0, 0.98 * gap / (2 * half_w[1])) if gap > 0 else 0.6
    width = half_w[0] + ease * (half_w[1] * max(tight, 0.7) - half_w[0])
    height = half_h[0] + ease * (half_h[1] / max(tight, 0.7) - half_h[0])
    return p, width, height


def weave_cloth(cloth: Cloth, seed: int) -> WovenCloth:
    """Build the cloth.

    Parameters
    ----------
    cloth : Cloth
    seed : int
        Same seed, same cloth; a washed cloth with the seed of the unwashed one has the same threads.

    Returns
    -------
    WovenCloth
    """
    layout = make_layout(cloth, seed)
    growth = cloth.wash.yarn_growth
    cross_u, cross_v = layout.crossings()
    (wa, wb), (fa, fb) = _section(cloth.warp, growth), _section(cloth.weft, growth)
    margin = cloth.fringe_mm + 2.0
    grid_v = _grid(cross_v.min() - margin, cross_v.max() + margin, cloth.warp.diameter_mm)
    grid_u = _grid(cross_u.min() - 3 * fa - wa, cross_u.max() + 3 * fa + wa, cloth.weft.diameter_mm)
    n, p = cloth.ends, cloth.picks
    warp_u = layout.ends_at(np.broadcast_to(grid_v, (n, len(grid_v))))
    weft_v = layout.picks_at(np.broadcast_to(grid_u, (p, len(grid_u))))
    rng = stream(seed, "diameter")
    warp_d = _diameter_factor(cloth.warp, (n, len(grid_v)), float(grid_v[1] - grid_v[0]), rng)
    weft_d = _diameter_factor(cloth.weft, (p, len(grid_u)), float(grid_u[1] - grid_u[0]), rng)
    for fault in cloth.faults:
        if fault.kind == "slub":
            half = 0.5 * fault.length * 25.4 / cloth.epi
            at = cross_u[fault.pick_index, fault.end_index]
            weft_d[fault.pick_index] *= 1.0 + SLUB * np.exp(-(((grid_u - at) / half) ** 4))
    share = CRIMP_SHARE.get(cloth.weave, 0.5) if cloth.warp_crimp_share is None else cloth.warp_crimp_share
    sign = np.where(layout.warp_up, 1.0, -1.0)
    warp_a, warp_b, weft_a, weft_b = wa * warp_d, wb * warp_d, fa * weft_d, fb * weft_d
    wb_now, fb_now = wb, fb
    for turn in range(2):
        rise = CONTACT * (wb_now + fb_now)
        weft_z_cross, warp_z_cross = -sign * (1 - share) * rise, sign * share * rise
        low, high = _bounds(grid_v, cross_v.T, weft_z_cross.T, layout.warp_up.T, 0.9 * (fa + wb_now), rise)
        warp_z = _relax(grid_v, _start_heights(grid_v, cross_v.T, warp_z_cross.T), low, high, 120)
        low, high = _bounds(grid_u, cross_u, warp_z_cross, ~layout.warp_up, 0.9 * (wa + fb_now), rise)
        weft_z = _relax(grid_u, _start_heights(grid_u, cross_u, weft_z_cross), low, high, 120)
        warp_a2, warp_b2 = _squeeze(warp_u, warp_z, warp_a, warp_b)
        weft_a2, weft_b2 = _squeeze(weft_v, weft_z, weft_a, weft_b)
        if turn == 0:
            wb_now = float(np.median(_at_cross(grid_v, warp_b2, cross_v.T)))
            fb_now = float(np.median(_at_cross(grid_u, weft_b2, cross_u)))
    for fault in cloth.faults:
        if fault.kind == "loose_end":
            at = layout.pick_v_mm[fault.pick_index]
            half = 0.5 * fault.length * 25.4 / cloth.ppi
            warp_z[fault.end_index] += 0.5 * cloth.warp.diameter_mm * np.exp(-(((grid_v - at) / half) ** 2))
    lowest = min(float((warp_z - warp_b2).min()), float((weft_z - weft_b2).min()))
    warp_u = _fringe(grid_v, warp_z, warp_u, layout, lowest + 1.1 * wb, stream(seed, "fringe"))
    warp_a2, warp_b2 = _squeeze(warp_u, warp_z, warp_a, warp_b)
    # The fringe lies on the table and must not lift the cloth off it.
    warp_z = np.maximum(warp_z, lowest + warp_b2)
    warp_paths = _warp_paths(layout, grid_v, warp_u, warp_z, warp_a2, warp_b2, seed)
    weft_paths = _weft_paths(layout, grid_u, weft_v, weft_z, weft_a2, weft_b2, cross_u, seed)
    rng = stream(seed, "mesh")
    warp = join([sweep(path, rng) for path in warp_paths])
    weft = join([sweep(path, rng) for path in weft_paths])
    fuzz = _fuzz(cloth, warp_paths, weft_paths, stream(seed, "fuzz"))
    crossings = (cross_u, cross_v, _at_cross(grid_v, warp_z, cross_v.T).T)
    warp, weft, fuzz = add_faults(cloth, seed, crossings, warp, weft, fuzz)
    floor = min(float(warp.points[:, 2].min()), float(weft.points[:, 2].min()))
    top = max(float(warp.points[:, 2].max()), float(weft.points[:, 2].max()))
    for mesh in (warp, weft, fuzz):
        if mesh is not None:
            mesh.points[:, 2] -= floor
    if fuzz is not None:
        fuzz.points[:, 2] = np.maximum(fuzz.points[:, 2], 0.01)
    return WovenCloth(
        layout=layout,
        warp=warp,
        weft=weft,
        fuzz=fuzz,
        cross_u=cross_u,
        cross_v=cross_v,
        mid_height_mm=-floor,
        thickness_mm=top - floor,
        warp_half_width_mm=wa,
        weft_half_width_mm=fa,
        warp_thickness=(grid_v, warp_d),
        weft_thickness=(grid_u, weft_d),
    )


def _grid(start: float, stop: float, diameter_mm: float) -> Array:
    return np.linspace(start, stop, int((stop - start) / (0.17 * diameter_mm)) + 1)


def _at_cross(grid: Array, values: Array, at: Array) -> Array:
    return np.stack([np.interp(a, grid, row) for a, row in zip(at, values, strict=True)])


def _fuzz(cloth: Cloth, warp: list[YarnPath], weft: list[YarnPath], rng: np.random.Generator) -> Mesh | None:
    grown = cloth.wash.hair_growth
    parts = []
    for yarn, paths in ((cloth.warp, warp), (cloth.weft, weft)):
        for path in paths:
            mesh = hairs(path, yarn.hairs_per_mm * grown, yarn.hair_mm * (0.7 + 0.3 * grown), rng)
            if mesh is not None:
                parts.append(mesh)
    return join(parts) if parts else None


def to_plane(layout: Layout, u: Array, v: Array) -> tuple[Array, Array]:
    """Map the fabric frame to the table (mm), with the bend and the pose of the cloth."""
    cloth = layout.cloth
    k = cloth.bend_per_mm
    w = v - v_centre(layout)
    if k == 0.0:
        x, y = u, w
    else:
        x = (1 - np.cos(k * w)) / k + u * np.cos(k * w)
        y = np.sin(k * w) / k - u * np.sin(k * w)
    a = np.radians(cloth.turn_deg)
    return np.cos(a) * x - np.sin(a) * y + cloth.x_mm, np.sin(a) * x + np.cos(a) * y + cloth.y_mm


def v_centre(layout: Layout) -> float:
    """Return the fabric v that lies at the cloth's place on the table."""
    return float(0.5 * (layout.pick_v_mm[0] + layout.pick_v_mm[-1]))
