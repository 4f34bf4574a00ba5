"""Draw surfaces that repeat like cloth but are not woven: knits, bricks, nets, scales, tiles, grain, prints.

>>> make_other("stockinette", (240, 320), pitch_px=14.0, seed=1).shape
(240, 320, 3)
"""

from __future__ import annotations

import cv2
import numpy as np

from cloth import Camera, Light, _fabric_coordinates, light_height, take_photo

__all__ = ["OTHERS", "make_other"]

f32 = np.float32
Field = np.ndarray
Surface = tuple[Field, Field]  # height in pitches, brightness

KNITS = ("stockinette", "garter", "moss", "rib knit")
OTHERS = (
    *KNITS,
    "brick",
    "tiles",
    "hexagon net",
    "diamond net",
    "scales",
    "loops",
    "pebbles",
    "dots",
    "knurl",
    "checker",
    "stripes",
    "wood",
    "grass",
    "noise",
    "planks",
    "stone",
    "straw",
    "pile",
)


def make_other(
    kind: str,
    shape: tuple[int, int] = (240, 320),
    *,
    pitch_px: float = 14.0,
    light: Light | None = None,
    camera: Camera | None = None,
    seed: int | np.random.Generator = 0,
) -> np.ndarray:
    """Draw a surface of one of `OTHERS` as uint8 BGR; `pitch_px` is the size of its repeat."""
    rng = np.random.default_rng(seed)
    light, camera = light or Light(), camera or Camera()
    scale = float(np.clip(14.0 / pitch_px, 1.0, 2.0))
    big = (int(np.ceil(shape[0] * scale)), int(np.ceil(shape[1] * scale)))
    u, v = _fabric_coordinates(big, camera, scale, rng)
    unit = pitch_px * scale
    aspect = float(np.exp(rng.normal(0, 0.2)))
    x, y = u / f32(unit), v / f32(unit * aspect)
    x, y = x + f32(rng.uniform(100, 101)), y + f32(rng.uniform(100, 101))
    if rng.random() < 0.5 and kind in ("brick", "scales", "wood", "stripes", *KNITS):
        x, y = y, x
    height, tone = _DRAW[kind](x, y, rng)
    tint = np.clip(rng.uniform(0.1, 0.9) * (1 + rng.uniform(-0.4, 0.4, 3)), 0.02, 0.95).astype(f32)
    if rng.random() < 0.45:  # few real surfaces are smooth: pits and blotches of all sizes
        rough = _rough(big, rng)
        height = height + f32(rng.uniform(0, 0.06)) * rough
        tone = tone * np.maximum(1 + f32(rng.uniform(0, 0.3)) * rough, 0.1)
    grain = rng.normal(0, 1, big).astype(f32)
    grain = cv2.GaussianBlur(grain, (0, 0), float(rng.uniform(0.6, 2.5))) * f32(2)
    tone = tone * (1 + f32(rng.uniform(0, 0.15)) * grain)
    relief = f32(unit * rng.uniform(0.5, 1.2))
    albedo = np.clip(tone, 0.03, 2)[..., None] * tint
    lit = light_height((height * relief).astype(f32), albedo.astype(f32), light, relief_px=0.4 * unit)
    return take_photo(lit.astype(f32), shape, camera, rng)


def _tube(distance: Field, radius: float) -> Field:
    return np.sqrt(np.maximum(1 - (distance / f32(radius)) ** 2, 0))


def _strand_tone(along: Field, across: Field, rng: np.random.Generator) -> Field:
    if rng.random() < 0.4:
        return np.ones_like(along)
    groove = np.abs(np.sin(np.pi * (along * f32(rng.uniform(2, 5)) + across * f32(rng.uniform(-2, 2)))))
    return 1 + f32(rng.uniform(0.1, 0.4)) * (groove - f32(0.64))


def _stockinette(x: Field, y: Field, rng: np.random.Generator) -> Surface:
    slant, squeeze = f32(rng.uniform(0.35, 0.9)), f32(rng.uniform(1.0, 1.6))
    across = (x - np.floor(x)) - f32(0.5)
    leg = np.abs(across) - f32(0.25)
    phase = y * squeeze + slant * 2 * np.abs(across)
    k = np.floor(phase)
    body = _tube(phase - k - f32(0.5), rng.uniform(0.42, 0.56)) * _tube(leg, 0.29)
    shade = 1 + f32(0.1) * np.sin(k * 12.9 + np.floor(x) * 78.2)
    return f32(0.35) * body, shade * _strand_tone(phase, leg, rng) * (0.55 + f32(0.45) * (body > 0.1))


def _garter(x: Field, y: Field, rng: np.random.Generator) -> Surface:
    row = np.floor(y)
    arc = f32(rng.uniform(0.15, 0.35)) * np.cos(2 * np.pi * (x + f32(0.5) * (row % 2)))
    inside = y - row - f32(0.5) - arc * np.where(row % 2 > 0, 1, -1)
    body = _tube(inside, rng.uniform(0.35, 0.55))
    lift = f32(0.6) + f32(0.4) * np.cos(2 * np.pi * (x + f32(0.5) * (row % 2)))
    return f32(0.4) * body * lift, _strand_tone(x, inside, rng) * (0.6 + f32(0.4) * body)


def _moss(x: Field, y: Field, rng: np.random.Generator) -> Surface:
    column, row = np.floor(x), np.floor(y)
    dx, dy = x - column - f32(0.5), y - row - f32(0.5)
    purl = (column + row) % 2 > 0
    bow = dy + f32(rng.uniform(0.5, 1.2)) * dx * dx
    bump = _tube(bow, 0.36) * _tube(dx, 0.62)
    leg = np.abs(dx) - f32(0.24)
    slanted = _tube(dy + f32(0.7) * (np.abs(dx) - f32(0.25)), 0.55) * _tube(leg, 0.26)
    height = np.where(purl, f32(0.45) * bump, f32(0.25) * slanted)
    return height, _strand_tone(np.where(purl, dx, dy), np.where(purl, dy, dx), rng) * (0.6 + height)


def _rib_knit(x: Field, y: Field, rng: np.random.Generator) -> Surface:
    height, tone = _stockinette(x, y, rng)
    wave = np.cos(np.pi * x * f32(rng.choice([1.0, 0.5])))
    return height + f32(0.25) * wave, tone * (0.8 + f32(0.2) * wave)


def _cells(x: Field, y: Field, jitter: float, stagger: float, rng: np.random.Generator) -> tuple[Field, ...]:
    """Nearest and second nearest point of a jittered grid: distances, offset from the nearest, its number."""
    table = rng.uniform(-0.5, 0.5, (64, 64, 2)).astype(f32) * f32(jitter)
    best = np.full(x.shape, 9, f32)
    second, ox, oy, number = best.copy(), best.copy(), best.copy(), np.zeros(x.shape, f32)
    row0 = np.floor(y)
    for j in (-1, 0, 1):
        row = row0 + j
        shift = f32(stagger) * (row % 2)
        column0 = np.floor(x - shift)
        for i in (-1, 0, 1):
            column = column0 + i
            point = table[row.astype(np.int32) & 63, column.astype(np.int32) & 63]
            dx = x - shift - column - f32(0.5) - point[..., 0]
            dy = y - row - f32(0.5) - point[..., 1]
            d = np.sqrt(dx * dx + dy * dy)
            near = d < best
            second = np.where(near, best, np.minimum(second, d))
            np.copyto(ox, dx, where=near)
            np.copyto(oy, dy, where=near)
            np.copyto(number, row * 17 + column, where=near)
            best = np.minimum(best, d)
    return best, second, ox, oy, number


def _boxes(x: Field, y: Field, stagger: float, joint: float, rng: np.random.Generator) -> Surface:
    row = np.floor(y)
    column = np.floor(x + f32(stagger) * (row % 2))
    dx = np.abs(x + f32(stagger) * (row % 2) - column - f32(0.5))
    dy = np.abs(y - row - f32(0.5))
    edge = np.clip((f32(0.5) - np.maximum(dx, dy)) / f32(joint) - f32(0.5), 0, 1)
    shade = 1 + f32(rng.uniform(0, 0.25)) * np.sin(row * 12.99 + column * 78.23)
    return f32(0.15) * edge, np.where(edge > 0.3, shade, f32(rng.uniform(0.4, 1.6)))


def _brick(x: Field, y: Field, rng: np.random.Generator) -> Surface:
    return _boxes(x / f32(rng.uniform(1.8, 3.2)), y, 0.5, rng.uniform(0.05, 0.15), rng)


def _tiles(x: Field, y: Field, rng: np.random.Generator) -> Surface:
    return _boxes(x, y, 0.0, rng.uniform(0.04, 0.2), rng)


def _hexagon_net(x: Field, y: Field, rng: np.random.Generator) -> Surface:
    best, second, *_ = _cells(x, y * f32(1.15), rng.uniform(0, 0.3), 0.5, rng)
    cord = _tube(second - best, rng.uniform(0.15, 0.4))
    return f32(0.4) * cord, np.where(cord > 0, 1, f32(rng.choice([0.1, 1.8])))


def _diamond_net(x: Field, y: Field, rng: np.random.Generator) -> Surface:
    a, b = x + y, x - y
    wide = rng.uniform(0.1, 0.25)
    cord = np.maximum(_tube(a - np.round(a), wide), _tube(b - np.round(b), wide))
    knot = _tube(np.hypot(a - np.round(a), b - np.round(b)), wide * 1.8)
    return f32(0.3) * np.maximum(cord, 1.3 * knot), np.where(cord > 0, 1, f32(rng.choice([0.1, 1.8])))


def _scales(x: Field, y: Field, rng: np.random.Generator) -> Surface:
    best, second, _, oy, number = _cells(x, y, rng.uniform(0.05, 0.5), 0.5, rng)
    edge = np.clip((second - best) / f32(rng.uniform(0.1, 0.4)), 0, 1)
    shade = 1 + f32(rng.uniform(0, 0.25)) * np.sin(number * 12.99)
    return f32(0.2) * edge * (1 - f32(rng.uniform(-0.8, 0.8)) * oy), shade * (0.4 + 0.6 * edge)


def _loops(x: Field, y: Field, rng: np.random.Generator) -> Surface:
    _, _, ox, oy, number = _cells(x, y, rng.uniform(0.3, 1.0), float(rng.choice([0, 0.5])), rng)
    turn = np.sin(number * 12.99) * 3
    a, b = ox * np.cos(turn) + oy * np.sin(turn), oy * np.cos(turn) - ox * np.sin(turn)
    ring = np.sqrt(a * a + (b * f32(rng.uniform(1, 2.2))) ** 2)
    height = _tube(ring - f32(0.28), 0.24)
    shade = 1 + f32(rng.uniform(0, 0.3)) * np.sin(number * 78.2)
    return f32(0.6) * height, shade * _strand_tone(turn + a * 2, b, rng) * (0.5 + 0.5 * height)


def _pile(x: Field, y: Field, rng: np.random.Generator) -> Surface:
    """Loops or tufts that stand in rows and columns on a ground, each leaning and lit as it happens to lie."""
    drift = f32(rng.uniform(0, 0.25)) * np.sin(
        x * f32(rng.uniform(0.1, 0.6)) + y * f32(rng.uniform(0.05, 0.3))
    )
    row = np.floor(y + drift)
    table = rng.normal(0, 1, (6, 64, 64)).astype(f32)
    slip = f32(rng.uniform(0, 0.25)) * table[0, row.astype(np.int32) & 63, 0]  # rows slip against each other
    column = np.floor(x + slip)
    spot = (row.astype(np.int32) & 63, column.astype(np.int32) & 63)
    loose = f32(rng.uniform(0.03, 0.16))
    dx = x + slip - column - f32(0.5) - loose * table[1][spot]
    dy = y + drift - row - f32(0.5) - loose * table[2][spot]
    wide, tall = rng.uniform(0.36, 0.6), rng.uniform(0.3, 0.6)
    power = float(rng.choice([2.0, 3.0, 5.0]))
    away = (np.abs(dx) / f32(wide)) ** power + (np.abs(dy) / f32(tall)) ** power
    top = np.clip(1 - away, 0, 1) ** f32(0.5)
    lean = f32(rng.uniform(0, 1.2))
    height = top * (f32(0.6) + lean * (table[3][spot] * dx + table[4][spot] * dy))
    lost = table[5][spot] > f32(rng.choice([9.0, rng.uniform(1.0, 2.5)]))
    height, top = np.where(lost, f32(0), height), np.where(lost, f32(0), top)
    shade = np.maximum(1 + f32(rng.uniform(0, 0.4)) * table[3][spot], 0.2)
    ground = f32(rng.choice([rng.uniform(0.1, 0.5), rng.uniform(1.2, 1.9)]))
    strands = _strand_tone(dy, dx, rng) if rng.random() < 0.5 else _strand_tone(dx, dy, rng)
    return f32(rng.uniform(0.3, 0.8)) * height, np.where(top > 0.05, shade * strands, ground)


def _pebbles(x: Field, y: Field, rng: np.random.Generator) -> Surface:
    best, second, _, _, number = _cells(x, y, rng.uniform(0.5, 1.2), 0.5, rng)
    edge = np.sqrt(np.clip((second - best) / f32(rng.uniform(0.2, 0.8)), 0, 1))
    return f32(0.3) * edge, (1 + f32(0.2) * np.sin(number * 3.7)) * (0.4 + 0.6 * edge)


def _dots(x: Field, y: Field, rng: np.random.Generator) -> Surface:
    best, *_ = _cells(x, y, rng.uniform(0, 0.1), float(rng.choice([0, 0.5])), rng)
    dot = np.clip((f32(rng.uniform(0.2, 0.45)) - best) * 20, 0, 1)
    return f32(rng.choice([0, 0.2, -0.2])) * dot, 1 - f32(rng.uniform(-0.8, 0.8)) * dot


def _knurl(x: Field, y: Field, rng: np.random.Generator) -> Surface:
    a, b = x + y, x - y
    height = np.minimum(np.abs(a - np.round(a)), np.abs(b - np.round(b))) * f32(rng.choice([-1, 1]))
    return f32(rng.uniform(0.4, 1.0)) * height, np.ones_like(x)


def _checker(x: Field, y: Field, rng: np.random.Generator) -> Surface:
    dark = (
        (np.floor(x) + np.floor(y)) % 2 if rng.random() < 0.6 else np.floor(x + y) % 2 + np.floor(x - y) % 2
    )
    return np.zeros_like(x), 1 - f32(rng.uniform(0.2, 0.45)) * dark


def _stripes(x: Field, y: Field, rng: np.random.Generator) -> Surface:
    wave = x + f32(rng.uniform(0, 0.3)) * np.sin(y * f32(rng.uniform(0.1, 1)))
    ridge = _tube(wave - np.round(wave), rng.uniform(0.3, 0.55))
    flat = rng.random() < 0.3
    return f32(0 if flat else 0.4) * ridge, 1 - f32(rng.uniform(-0.6, 0.6)) * ridge


def _stretched_noise(x: Field, stretch: float, rng: np.random.Generator) -> Field:
    rows, cols = x.shape
    out = np.zeros(x.shape, f32)
    for size in (2.0, 4.0, 8.0, 16.0):
        small = rng.normal(0, 1, (max(int(rows / size / stretch), 2), max(int(cols / size), 2))).astype(f32)
        out += f32(rng.uniform(0.2, 1)) * cv2.resize(small, (cols, rows), interpolation=cv2.INTER_CUBIC)
    return out


def _wood(x: Field, y: Field, rng: np.random.Generator) -> Surface:
    noise = _stretched_noise(x, rng.uniform(6, 30), rng)
    ring = np.sin(2 * np.pi * (x * f32(rng.uniform(0.3, 1)) + f32(rng.uniform(0.05, 0.3)) * noise))
    return f32(0.03) * noise, 1 + f32(rng.uniform(0.05, 0.3)) * ring + f32(rng.uniform(0.02, 0.12)) * noise


def _grass(x: Field, y: Field, rng: np.random.Generator) -> Surface:
    rows, cols = x.shape
    canvas = np.full(x.shape, 0.2, f32)
    step = float(np.median(np.diff(x[rows // 2])))
    length = 1.5 / max(abs(step), 0.02)
    heading0, spread = rng.uniform(0, 2 * np.pi), rng.uniform(0.2, 3)
    for shade in np.linspace(0.3, 1.2, 700):
        start = rng.uniform(0, 1, 2) * (cols, rows)
        heading = heading0 + rng.normal(0, spread)
        end = start + np.array([np.cos(heading), np.sin(heading)]) * length * rng.uniform(0.4, 1.5)
        ends = [tuple(int(c * 8) for c in point) for point in (start, end)]
        wide = int(rng.integers(1, max(2, int(length / 8) + 2)))
        cv2.line(canvas, ends[0], ends[1], shade * rng.uniform(0.7, 1.3), wide, cv2.LINE_AA, 3)
    return f32(0.2) * canvas, canvas


def _noise(x: Field, y: Field, rng: np.random.Generator) -> Surface:
    noise = _stretched_noise(x, float(rng.choice([1.0, 1.0, rng.uniform(1, 4)])), rng)
    return f32(0.1) * noise, 1 + f32(rng.uniform(0.05, 0.3)) * noise


def _rough(shape: tuple[int, int], rng: np.random.Generator) -> Field:
    """Noise with equal share of all sizes from one to 32 px, about unit spread."""
    out = np.zeros(shape, f32)
    for size in (1, 2, 4, 8, 16, 32):
        small = rng.normal(0, 1, (shape[0] // size + 2, shape[1] // size + 2)).astype(f32)
        out += cv2.resize(small, shape[::-1], interpolation=cv2.INTER_CUBIC) * f32(rng.uniform(0.1, 0.8))
    return out


def _planks(x: Field, y: Field, rng: np.random.Generator) -> Surface:
    """Wood with rings, pores that run along the grain, and now and then joints."""
    rows, cols = x.shape
    noise = _stretched_noise(x, rng.uniform(8, 40), rng)
    pores = rng.random((rows // int(rng.integers(4, 14)) + 2, cols)).astype(f32) < rng.uniform(0.02, 0.2)
    pores = cv2.resize(pores.astype(f32), (cols, rows), interpolation=cv2.INTER_LINEAR)
    arch = f32(rng.choice([0, rng.uniform(0.001, 0.02)])) * (y - y.mean()) ** 2
    ring = np.sin(2 * np.pi * ((x + arch) * f32(rng.uniform(0.2, 0.8)) + f32(rng.uniform(0.05, 0.5)) * noise))
    tone = 1 + f32(rng.uniform(0.02, 0.25)) * ring - f32(rng.uniform(0.1, 0.5)) * pores + f32(0.05) * noise
    if rng.random() < 0.3:
        joint = np.abs(x / 6 - np.round(x / 6)) < 0.02
        tone = np.where(joint, f32(0.3), tone)
    return f32(-0.05) * pores + f32(0.02) * noise, tone


def _stone(x: Field, y: Field, rng: np.random.Generator) -> Surface:
    rough = _rough(x.shape, rng)
    return f32(rng.uniform(0.02, 0.2)) * rough, 1 + f32(rng.uniform(0.05, 0.35)) * rough


def _straw(x: Field, y: Field, rng: np.random.Generator) -> Surface:
    """Long stalks lying over each other in one or two rough directions."""
    rows, cols = x.shape
    height, tone = np.zeros(x.shape, f32), np.full(x.shape, 0.2, f32)
    step = max(abs(float(np.median(np.diff(x[rows // 2])))), 0.02)
    headings = rng.uniform(0, 2 * np.pi, int(rng.integers(1, 3)))
    wide = max(int(0.5 / step * rng.uniform(0.4, 1)), 1)
    for level in np.linspace(0, 1, 260):
        start = rng.uniform(-0.2, 1.2, 2) * (cols, rows)
        heading = rng.choice(headings) + rng.normal(0, 0.25)
        bend = start + np.array([np.cos(heading), np.sin(heading)]) * rng.uniform(2, 6) / step
        tip = bend + np.array([np.cos(heading + 0.3), np.sin(heading + 0.3)]) * rng.uniform(2, 6) / step
        path = np.round(np.stack([start, bend, tip]) * 8).astype(np.int32)[None]
        cv2.polylines(height, path, False, float(level + 0.3), wide, cv2.LINE_AA, 3)
        cv2.polylines(tone, path, False, float(rng.uniform(0.5, 1.2)), wide, cv2.LINE_AA, 3)
    return f32(0.5) * cv2.GaussianBlur(height, (0, 0), max(wide / 4, 0.5)), tone


_DRAW = {
    "planks": _planks,
    "stone": _stone,
    "straw": _straw,
    "stockinette": _stockinette,
    "garter": _garter,
    "moss": _moss,
    "rib knit": _rib_knit,
    "brick": _brick,
    "tiles": _tiles,
    "hexagon net": _hexagon_net,
    "diamond net": _diamond_net,
    "scales": _scales,
    "loops": _loops,
    "pile": _pile,
    "pebbles": _pebbles,
    "dots": _dots,
    "knurl": _knurl,
    "checker": _checker,
    "stripes": _stripes,
    "wood": _wood,
    "grass": _grass,
    "noise": _noise,
}
