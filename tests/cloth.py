"""Draw woven cloth from a height field, fast, with the place of every end and pick known.

For tests and for training: numpy and OpenCV only, about 20 ms for 192 x 192 px. `make_cloth` draws one
described cloth (`arbiter.recipe.random_cloth` makes up descriptions from a seed). It is no path tracer: light is a Lambert term,
a marched shadow and a darkening of hollows; good enough to show what a camera sees of floats, gaps and strands.

>>> cloth = make_cloth((240, 320), end_pitch_px=9.0, pick_pitch_px=12.0, weave="twill 2/2", seed=3)
>>> cloth.bgr.shape, len(cloth.ends_px)
((240, 320, 3), 36)
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from weaves import draft

__all__ = ["Camera", "Cloth", "Light", "Setting", "Yarn", "light_height", "make_cloth", "take_photo"]

f32 = np.float32


@dataclass(frozen=True)
class Yarn:
    """One thread system (ends or picks). Lengths are in parts of that system's mean pitch."""

    cover: float = 0.9  # width / pitch; above 1 neighbours overlap, below 0.5 the cloth is open
    cover_cv: float = 0.05  # from thread to thread
    slub: float = 0.0  # how much the width wanders along a thread
    flatness: float = 0.8  # height / width
    profile: float = 0.5  # 0.25 flat top, 0.5 round, 1 pointed
    bulge: float = 0.15  # a float on top is this much wider, a hidden part this much narrower
    plies: int = 0  # 0 smooth, otherwise strands that show as oblique grooves
    strand: float = 0.8  # distance of grooves along the thread / width
    twist: float = 0.5  # slope of the grooves, sign is the direction of the twist
    groove: float = 0.3  # depth of the grooves / radius
    fibre: float = 0.12  # contrast of single fibres
    wander: float = 0.0  # sideways wander of each thread by itself / pitch
    colours: tuple[tuple[float, float, float], ...] = (
        (0.6, 0.65, 0.7),
    )  # BGR albedo, repeated over the threads
    shade_cv: float = 0.05  # brightness from thread to thread


@dataclass(frozen=True)
class Setting:
    """How evenly one system is set: the spaces between its threads."""

    cv: float = 0.03  # of single spaces
    drift: float = 0.0  # slow change of the pitch, relative, over the picture
    group: int = 1  # threads that lie together (reed dent, basket)
    group_shift: float = 0.0  # spaces inside a group are 1 - shift of the mean


@dataclass(frozen=True)
class Light:
    """Light from above at an angle, and from behind."""

    azimuth_deg: float = 315.0
    elevation_deg: float = 45.0
    ambient: float = 0.35
    shadow: float = 0.6
    hollow: float = 0.6  # darkening of hollows
    shine: float = 0.0
    back: float = 0.0  # 0 lit from the front .. 1 against the light
    table: tuple[float, float, float] = (0.15, 0.2, 0.25)  # BGR seen through holes


@dataclass(frozen=True)
class Camera:
    """What happens between cloth and file."""

    turn_deg: float = 0.0
    skew: float = 0.0  # slope of the picks against the ends
    bow: float = 0.0  # bow of the picks, in parts of the width
    wander_px: float = 0.0  # smooth local distortion
    blur_px: float = 0.5
    sharpen: float = 0.0
    noise: float = 0.01
    gamma: float = 1.0
    falloff: float = 0.0  # change of brightness over the picture
    equalise: float = 0.0  # tile-wise contrast equalisation, clip limit
    jpeg: int = 0  # quality, 0 for none


@dataclass(frozen=True)
class Cloth:
    """A picture with its truth. Positions are along the middle row (ends) and the middle column (picks)."""

    bgr: np.ndarray  # uint8 (M, N, 3)
    ends_px: np.ndarray
    picks_px: np.ndarray
    end_pitch_px: float  # mean spacing at right angles to the ends' row
    pick_pitch_px: float
    over: np.ndarray = field(repr=False)  # bool (repeat_ends, repeat_picks), True where the end lies on top
    weave: str = "plain"


def make_cloth(
    shape: tuple[int, int] = (240, 320),
    *,
    end_pitch_px: float = 10.0,
    pick_pitch_px: float = 10.0,
    weave: str = "plain",
    ends: Yarn | None = None,
    picks: Yarn | None = None,
    end_setting: Setting | None = None,
    pick_setting: Setting | None = None,
    crimp_share: float = 0.5,
    hairs: float = 0.0,
    light: Light | None = None,
    camera: Camera | None = None,
    seed: int | np.random.Generator = 0,
) -> Cloth:
    """Draw one cloth; ends run down the rows.

    Parameters
    ----------
    shape : (rows, columns) of the picture.
    end_pitch_px, pick_pitch_px : mean distance of ends (along x) and of picks (along y), at least 2.5 px.
    weave : see `weaves.draft`: "plain", "twill 2/1", "herringbone 2/2", "satin 5", "basket 2/2", "rib 2/1" ...
    crimp_share : 1 when only the ends bend (warp-faced), 0 when only the picks bend (weft-faced).
    hairs : loose fibres per 1000 px.
    seed : the same seed gives the same picture.
    """
    rng = np.random.default_rng(seed)
    ends, picks = ends or Yarn(), picks or Yarn(colours=((0.7, 0.68, 0.65),))
    end_setting, pick_setting = end_setting or Setting(), pick_setting or Setting()
    light, camera = light or Light(), camera or Camera()
    rows, cols = shape
    scale = float(np.clip(9.0 / min(end_pitch_px, pick_pitch_px), 1.0, 2.5))
    big = (int(np.ceil(rows * scale)), int(np.ceil(cols * scale)))
    u, v = _fabric_coordinates(big, camera, scale, rng)
    warp = _System(ends, end_setting, end_pitch_px * scale, u, rng)
    weft = _System(picks, pick_setting, pick_pitch_px * scale, v, rng)
    over = draft(weave)
    height, albedo, thin = _interlace(u, v, warp, weft, over, crimp_share, light, rng)
    lit = light_height(height, albedo, light, relief_px=0.5 * min(warp.pitch, weft.pitch))
    if light.back > 0:
        through = thin[..., None] * (1.1 - 0.35 * albedo)
        lit = (1 - light.back) * lit + light.back * through
    if hairs > 0:
        _draw_hairs(lit, hairs, albedo, rng)
    bgr = take_photo(lit, shape, camera, rng)
    # u grows with x along the middle row: read off where it passes each end (same for picks).
    ends_px = _crossings(u[big[0] // 2], warp.position, scale, cols)
    picks_px = _crossings(v[:, big[1] // 2], weft.position, scale, rows)
    return Cloth(bgr, ends_px, picks_px, warp.mean_pitch(u) / scale, weft.mean_pitch(v) / scale, over, weave)


def _fabric_coordinates(
    big: tuple[int, int], camera: Camera, scale: float, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    rows, cols = big
    x = (np.arange(cols, dtype=f32) - cols / 2)[None, :]
    y = (np.arange(rows, dtype=f32) - rows / 2)[:, None]
    c, s = f32(np.cos(np.radians(camera.turn_deg))), f32(np.sin(np.radians(camera.turn_deg)))
    u = c * x + s * y
    v = c * y - s * x + f32(camera.skew) * x + f32(camera.bow * 4 / cols) * x * x
    if camera.wander_px > 0:
        for target in (u, v):
            cell = 64 * scale
            coarse = rng.normal(0, 1, (int(rows / cell) + 4, int(cols / cell) + 4)).astype(f32)
            target += f32(camera.wander_px * scale) * cv2.resize(
                coarse, (cols, rows), interpolation=cv2.INTER_CUBIC
            )
    return u.astype(f32), v.astype(f32)


class _System:
    """Positions, widths and colours of all threads of one system that touch the picture."""

    def __init__(
        self, yarn: Yarn, setting: Setting, pitch: float, across: np.ndarray, rng: np.random.Generator
    ):
        self.yarn, self.pitch = yarn, pitch
        low, high = float(across.min()) - 4 * pitch, float(across.max()) + 4 * pitch
        count = int((high - low) / pitch * 1.3) + 12
        space = 1 + setting.cv * rng.normal(0, 1, count)
        space *= 1 + setting.drift * np.linspace(-1, 1, count)
        index = np.arange(count) + rng.integers(setting.group)
        if setting.group > 1:
            inside = index % setting.group != 0
            widen = (setting.group - 1) * setting.group_shift
            space *= np.where(inside, 1 - setting.group_shift, 1 + widen)
        space = np.clip(space, 0.3, None) * (count / np.clip(space, 0.3, None).sum())
        position = np.cumsum(space) * pitch
        self.position = position - position[count // 2] + rng.uniform(0, pitch) + (low + high) / 2
        self.group_offset = int(index[0])
        lookup = np.arange(low - pitch, high + pitch, 1 / 8)
        self._origin = low - pitch
        self._index = np.interp(lookup, self.position, np.arange(count)).astype(f32)
        self.half = np.clip(yarn.cover * (1 + yarn.cover_cv * rng.normal(0, 1, count)), 0.1, 2) * pitch / 2
        colours = np.array(yarn.colours, f32)
        shade = np.clip(1 + yarn.shade_cv * rng.normal(0, 1, count), 0.4, 1.6)
        self.colour = (colours[(np.arange(count)) % len(colours)] * shade[:, None]).astype(f32)
        self.phase = rng.uniform(0, 50, count).astype(f32)
        self.radius = yarn.cover * pitch / 2 * yarn.flatness

    def index(self, across: np.ndarray) -> np.ndarray:
        return self._index[((across - self._origin) * 8).astype(np.int32)]

    def mean_pitch(self, across: np.ndarray) -> float:
        inside = self.position[(self.position > across.min()) & (self.position < across.max())]
        return float(np.diff(inside).mean()) if len(inside) > 2 else self.pitch


def _interlace(u, v, warp, weft, over, crimp_share, light, rng):  # type: ignore[no-untyped-def]
    """Topmost yarn at every pixel: height, colour, and how much light comes through."""
    a, b = warp.index(u), weft.index(v)
    ta, tb = np.floor(a), np.floor(b)
    a0, b0 = ta.astype(np.int32), tb.astype(np.int32)
    ta, tb = a - ta, b - tb
    ta, tb = ta * ta * (3 - 2 * ta), tb * tb * (3 - 2 * tb)
    n_ends, n_picks = len(warp.position), len(weft.position)
    i = (np.arange(n_ends) + warp.group_offset) % over.shape[0]
    j = (np.arange(n_picks) + weft.group_offset) % over.shape[1]
    sign = np.where(over[np.ix_(i, j)], 1, -1).astype(f32).ravel()
    at = a0 * n_picks + b0
    s00, s01, s10, s11 = (sign[at + k] for k in (0, 1, n_picks, n_picks + 1))
    depth = warp.radius + weft.radius
    floor = -1.6 * depth
    top = np.full(u.shape, floor, f32)
    q_top, along_top = np.zeros(u.shape, f32), np.zeros(u.shape, f32)
    thread = np.full(u.shape, -1, np.int32)
    blocked = np.zeros(u.shape, f32)
    tile = cv2.GaussianBlur(rng.normal(0, 1, (128, 128)).astype(f32), (0, 0), 2.0) * f32(7)
    for system, k0, first, across, along, crimp, pairs in (
        (warp, a0, 0, u, v, crimp_share * depth, ((s00, s01, tb), (s10, s11, tb))),
        (weft, b0, n_ends, v, u, (1 - crimp_share) * depth, ((s00, s10, ta), (s01, s11, ta))),
    ):
        turn = 1 if system is warp else -1
        position, half = system.position.astype(f32), system.half.astype(f32)
        yarn = system.yarn
        for step, (before, after, t) in enumerate(pairs):
            k = k0 + step
            s = before + t * (after - before)
            if turn < 0:
                s = -s
            d = across - position[k]
            if yarn.wander > 0:
                d = d + f32(yarn.wander * system.pitch) * np.sin(
                    along * f32(0.7 / system.pitch) + system.phase[k]
                )
            width = half[k] * (1 + f32(yarn.bulge) * s)
            if yarn.slub > 0:
                row = (along * f32(0.8 / system.pitch)).astype(np.int32) & 127
                width = width * np.clip(1 + f32(yarn.slub) * tile[k & 127, row], 0.3, 2)
            q = d / width
            shape = np.maximum(1 - q * q, 0)
            inside = shape > 0
            shape = _power(shape, yarn.profile)
            z = f32(crimp) * s + f32(system.radius) * shape
            blocked += shape * f32(yarn.cover)
            win = inside & (z > top)
            np.copyto(top, z, where=win)
            np.copyto(q_top, q, where=win)
            np.copyto(along_top, along + system.phase[k], where=win)
            np.copyto(thread, k + first, where=win)
    height, fibre = _strands(top, q_top, along_top, thread, warp, weft, n_ends, tile)
    colour = np.vstack([warp.colour, weft.colour, np.array([light.table], f32)])
    albedo = colour[thread] * fibre[..., None]
    return height, albedo, np.exp(-2.2 * blocked)


def _power(x: np.ndarray, exponent: float) -> np.ndarray:
    if exponent >= 0.9:
        return x
    return np.sqrt(x) if exponent > 0.35 else np.sqrt(np.sqrt(x))


def _strands(top, q, along, thread, warp, weft, n_ends, tile):  # type: ignore[no-untyped-def]
    """Grooves between the strands of plied yarn, and single fibres."""
    fibre = np.ones(top.shape, f32)
    for system, mine in ((warp, (thread >= 0) & (thread < n_ends)), (weft, thread >= n_ends)):
        yarn = system.yarn
        width = 2 * system.half.mean()
        if yarn.plies:
            phase = (along * f32(1 / (yarn.strand * width)) + f32(yarn.twist) * q) * f32(np.pi)
            ridge = np.abs(np.sin(phase)) - f32(0.64)
            top = top + np.where(mine, f32(yarn.groove * system.radius) * ridge, 0)
            fibre += np.where(mine, f32(0.5 * yarn.groove) * ridge, 0)
        if yarn.fibre > 0:
            row = ((q + 1) * f32(6)).astype(np.int32) + thread * 13
            lean = q * f32(yarn.twist * width)
            col = ((along + lean) * f32(6 / max(width, 6))).astype(np.int32)
            fibre += np.where(mine, f32(yarn.fibre) * tile[row & 127, col & 127], 0)
    return top, np.clip(fibre, 0.2, 2.5)


def light_height(height: np.ndarray, albedo: np.ndarray, light: Light, *, relief_px: float) -> np.ndarray:
    """Light a height field of shape (M, N) with albedo (M, N, 3); returns linear light (M, N, 3).

    `relief_px` is the size of a hollow: the reach of shadows and of the darkening of hollows.
    """
    smooth = cv2.GaussianBlur(height, (0, 0), 0.8)
    gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=1 / 8)
    gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=1 / 8)
    azimuth, elevation = np.radians(light.azimuth_deg), np.radians(light.elevation_deg)
    lx, ly = np.cos(azimuth) * np.cos(elevation), -np.sin(azimuth) * np.cos(elevation)
    lz = np.sin(elevation)
    inverse = 1 / np.sqrt(1 + gx * gx + gy * gy)
    cosine = (f32(lz) - f32(lx) * gx - f32(ly) * gy) * inverse
    direct = np.maximum(cosine, 0) / f32(max(lz, 0.5))
    if light.shadow > 0:
        hidden = np.zeros_like(height)
        for step in range(1, 6):
            run = step * relief_px * 0.45
            move = np.array([[1, 0, -run * np.cos(azimuth)], [0, 1, run * np.sin(azimuth)]], f32)
            other = cv2.warpAffine(smooth, move, height.shape[::-1], borderMode=cv2.BORDER_REPLICATE)
            hidden = np.maximum(hidden, other - smooth - f32(run * np.tan(elevation)))
        direct *= 1 - f32(light.shadow) * np.clip(hidden / f32(0.3 * relief_px), 0, 1)
    hollow = cv2.GaussianBlur(height, (0, 0), 0.7 * relief_px) - height
    open_sky = np.exp(-f32(light.hollow) * np.maximum(hollow, 0) / f32(0.6 * relief_px))
    lit = albedo * (f32(1 - light.ambient) * direct + f32(light.ambient) * (0.4 + 0.6 * inverse))[..., None]
    if light.shine > 0:
        half = (
            (f32(lz + 1) - f32(lx) * gx - f32(ly) * gy)
            * inverse
            / f32(np.sqrt(lx**2 + ly**2 + (lz + 1) ** 2))
        )
        lit = lit + f32(light.shine) * (np.maximum(half, 0) ** 24)[..., None]
    return lit * open_sky[..., None]


def _draw_hairs(lit: np.ndarray, hairs: float, albedo: np.ndarray, rng: np.random.Generator) -> None:
    rows, cols = lit.shape[:2]
    for _ in range(min(int(hairs * rows * cols / 1000), 500)):
        start = rng.uniform(0, 1, 2) * (cols, rows)
        heading = rng.uniform(0, 2 * np.pi) + np.cumsum(rng.normal(0, 0.35, 6))
        path = start + np.cumsum(np.stack([np.cos(heading), np.sin(heading)], 1) * rng.uniform(1, 5), axis=0)
        x, y = np.clip(start.astype(int), 0, (cols - 1, rows - 1))
        colour = albedo[y, x] * rng.uniform(0.5, 1.4)
        points = np.round(path * 8).astype(np.int32)[None]
        cv2.polylines(lit, points, False, colour.tolist(), 1, cv2.LINE_AA, 3)


def take_photo(
    lit: np.ndarray, shape: tuple[int, int], camera: Camera, rng: np.random.Generator
) -> np.ndarray:
    """Turn linear light (M, N, 3) into a uint8 BGR picture of `shape` (rows, columns)."""
    rows, cols = shape
    picture = cv2.resize(lit, (cols, rows), interpolation=cv2.INTER_AREA) if lit.shape[:2] != shape else lit
    if camera.blur_px > 0.15:
        picture = cv2.GaussianBlur(picture, (0, 0), camera.blur_px)
    if camera.falloff > 0:
        angle = rng.uniform(0, 2 * np.pi)
        x = np.linspace(-1, 1, cols, dtype=f32)[None, :] * f32(np.cos(angle))
        y = np.linspace(-1, 1, rows, dtype=f32)[:, None] * f32(np.sin(angle))
        picture = picture * (1 + f32(camera.falloff) * (x + y))[..., None]
    picture = np.clip(picture, 0, 1) ** f32(camera.gamma / 2.2)
    if camera.sharpen > 0:
        picture = picture + f32(camera.sharpen) * (picture - cv2.GaussianBlur(picture, (0, 0), 1.2))
    if camera.noise > 0:
        grain = rng.standard_normal((rows, cols, 1), f32) + 0.5 * rng.standard_normal((rows, cols, 3), f32)
        picture = picture + f32(camera.noise) * grain
    bgr = (np.clip(picture, 0, 1) * 255 + 0.5).astype(np.uint8)
    if camera.equalise > 0:
        lab = cv2.cvtColor(bgr, cv2.COLOR_BGR2LAB)
        lab[..., 0] = cv2.createCLAHE(camera.equalise, (6, 6)).apply(lab[..., 0])
        bgr = cv2.cvtColor(lab, cv2.COLOR_LAB2BGR)
    if camera.jpeg:
        _, data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, camera.jpeg])
        bgr = cv2.imdecode(data, cv2.IMREAD_COLOR)
    return np.asarray(bgr)


def _crossings(along: np.ndarray, position: np.ndarray, scale: float, size: int) -> np.ndarray:
    pixel = np.interp(position, along, np.arange(len(along)), left=-1e9, right=1e9)
    pixel = (pixel + 0.5) / scale - 0.5
    return pixel[(pixel > 0) & (pixel < size - 1)]
