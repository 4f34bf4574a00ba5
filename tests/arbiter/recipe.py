"""Make up cloth of all kinds from a seed: the mixture the arbiter network learns from and is tested on."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from weaves import random_weave

from cloth import Camera, Cloth, Light, Setting, Yarn, make_cloth

__all__ = ["FAMILIES", "Made", "random_camera", "random_cloth", "random_light"]

FAMILIES = ("plain", "plain warp-faced", "plain weft-faced", "twill", "satin", "basket")


@dataclass(frozen=True)
class Made:
    """A made-up cloth and the family of its weave (one of `FAMILIES`)."""

    cloth: Cloth
    family: str


def random_cloth(rng: np.random.Generator, size_threads: float = 30, max_px: int = 360) -> Made:
    """Draw a random cloth about `size_threads` threads wide and high, at most `max_px` a side."""
    weave = random_weave(rng)
    face = "balanced"
    if weave == "plain":
        face = str(rng.choice(["balanced", "warp", "weft"], p=[0.45, 0.35, 0.2]))
    family = weave.split()[0]
    if weave == "plain" and face != "balanced":
        family = f"plain {face}-faced"
    family = {
        "herringbone": "twill",
        "broken": "satin",
        "sateen": "satin",
        "rib": "basket",
        "cord": "basket",
    }.get(family, family)
    pitch_x, pitch_y = _pitches(rng, face)
    ends, picks, share = _yarns(rng, face)
    ends, picks = _colours(rng, ends, picks, face)
    end_setting, pick_setting = _settings(rng, weave, face)
    light = random_light(rng)
    if light.back > 0.5:  # against the light only cloth with holes shows anything
        ends = replace(ends, cover=min(ends.cover, rng.uniform(0.4, 0.85)))
        picks = replace(picks, cover=min(picks.cover, rng.uniform(0.4, 0.85)))
    camera = random_camera(rng, min(pitch_x, pitch_y))
    cols = int(np.clip(size_threads * pitch_x, 150, max_px))
    rows = int(np.clip(size_threads * pitch_y, 150, max_px))
    cloth = make_cloth(
        (rows, cols),
        end_pitch_px=pitch_x,
        pick_pitch_px=pitch_y,
        weave=weave,
        ends=ends,
        picks=picks,
        end_setting=end_setting,
        pick_setting=pick_setting,
        crimp_share=share,
        hairs=float(rng.choice([0, rng.uniform(0, 3), rng.uniform(2, 12)], p=[0.5, 0.35, 0.15])),
        light=light,
        camera=camera,
        seed=rng,
    )
    return Made(cloth, family)


def _pitches(rng: np.random.Generator, face: str) -> tuple[float, float]:
    base = float(np.exp(rng.uniform(np.log(4), np.log(24))))
    spread = {"balanced": rng.normal(0, 0.25), "warp": rng.normal(0.9, 0.4), "weft": rng.normal(-0.9, 0.4)}[
        face
    ]
    ratio = float(np.exp(np.clip(spread, -1.6, 1.6)))  # pick pitch / end pitch
    pitch_x, pitch_y = base / ratio**0.5, base * ratio**0.5
    lift = max(1.0, 3.2 / min(pitch_x, pitch_y))
    return pitch_x * lift, pitch_y * lift


def _yarns(rng: np.random.Generator, face: str) -> tuple[Yarn, Yarn, float]:
    def yarn(cover: float, bulge: float) -> Yarn:
        return Yarn(
            cover=cover,
            cover_cv=float(rng.choice([rng.uniform(0, 0.06), rng.uniform(0.05, 0.18)])),
            slub=float(rng.choice([0, rng.uniform(0, 0.08), rng.uniform(0.05, 0.2)])),
            flatness=rng.uniform(0.45, 1.0),
            profile=float(rng.choice([0.25, 0.5, 0.5, 1.0])),
            bulge=bulge,
            plies=int(rng.choice([0, 2, 3, 4], p=[0.45, 0.3, 0.15, 0.1])),
            strand=rng.uniform(0.35, 1.3),
            twist=rng.uniform(0.25, 1.2) * rng.choice([-1, 1]),
            groove=rng.uniform(0.05, 0.5),
            fibre=float(rng.choice([rng.uniform(0, 0.1), rng.uniform(0.05, 0.35)])),
            wander=float(rng.choice([0, rng.uniform(0, 0.06), rng.uniform(0.03, 0.14)])),
            shade_cv=float(rng.choice([rng.uniform(0, 0.05), rng.uniform(0.03, 0.15)])),
        )

    if face == "balanced":
        openness = rng.choice(["open", "usual", "jammed"], p=[0.25, 0.5, 0.25])
        low, high = {"open": (0.3, 0.65), "usual": (0.6, 0.95), "jammed": (0.9, 1.2)}[str(openness)]
        covers = rng.uniform(low, high, 2)
        share = float(np.clip(rng.normal(0.5, 0.15), 0.1, 0.9))
        bulges = rng.uniform(0, 0.3, 2)
        return yarn(covers[0], bulges[0]), yarn(covers[1], bulges[1]), share
    if rng.random() < 0.6:  # lens-shaped floats that close over the hidden system and interlock
        facing = yarn(rng.uniform(0.9, 1.4), rng.uniform(0.4, 0.95))
    else:
        facing = yarn(rng.uniform(1.05, 1.9), rng.uniform(0.0, 0.5))
    hidden = yarn(rng.uniform(0.35, 0.95), rng.uniform(0, 0.1))
    share = rng.uniform(0.75, 1.0)
    return (facing, hidden, share) if face == "warp" else (hidden, facing, 1 - share)


def _colours(rng: np.random.Generator, ends: Yarn, picks: Yarn, face: str) -> tuple[Yarn, Yarn]:
    palette = [tuple(c) for c in _albedos(rng, 5)]
    alike = tuple(float(c) for c in np.clip(np.array(palette[0]) * rng.uniform(0.9, 1.1), 0, 1))
    shares = {
        "balanced": [0.33, 0.25, 0.2, 0.1, 0.12],
        "warp": [0.2, 0.13, 0.6, 0.02, 0.05],  # bands are mostly striped
        "weft": [0.25, 0.2, 0.05, 0.45, 0.05],
    }
    kind = rng.choice(["one", "two", "ends", "picks", "check"], p=shares[face])
    if kind == "one":
        warp, weft = [palette[0]], [alike]
    elif kind == "two":
        warp, weft = [palette[0]], [palette[1]]
    elif kind == "ends":
        warp, weft = _order(rng, palette), [palette[int(rng.integers(5))]]
    elif kind == "picks":
        warp, weft = [palette[int(rng.integers(5))]], _order(rng, palette)
    else:
        warp = _order(rng, palette)
        weft = warp if rng.random() < 0.5 else _order(rng, palette)
    return replace(ends, colours=tuple(warp)), replace(picks, colours=tuple(weft))


def _albedos(rng: np.random.Generator, count: int) -> np.ndarray:
    value = rng.choice([rng.uniform(0.03, 0.15), rng.uniform(0.15, 0.5), rng.uniform(0.5, 0.95)], count)
    value = value * rng.uniform(0.8, 1.25, count)
    tint = 1 + rng.choice([0.1, 0.6, 1.0], (count, 1)) * rng.uniform(-0.9, 0.3, (count, 3))
    return np.clip(value[:, None] * tint, 0.01, 0.98)


def _order(rng: np.random.Generator, palette: list) -> list:  # type: ignore[type-arg]
    """Colour order of one system: stripes, alternation, alternation in blocks, single threads, no order."""
    kind = rng.choice(["stripes", "alternate", "blocks", "lines", "random"], p=[0.4, 0.2, 0.2, 0.15, 0.05])
    a, b = palette[0], palette[1]
    if kind == "stripes":
        out = [palette[int(rng.integers(4))] for _ in range(8)]
        out = [c for c in out for _ in range(int(rng.integers(1, 13)))]
    elif kind == "alternate":
        out = [a, b] if rng.random() < 0.7 else [a, a, b, b] if rng.random() < 0.6 else [a, a, b]
    elif kind == "blocks":
        n = int(rng.integers(2, 7))
        out = [a, b] * n + [b, a] * n
        if rng.random() < 0.5:
            out += [palette[2]] * int(rng.integers(2, 9)) + [palette[3]] * int(rng.integers(1, 9))
    elif kind == "lines":
        out = [a] * int(rng.integers(3, 12)) + [b]
    else:
        out = [palette[int(rng.integers(3))] for _ in range(60)]
    shift = int(rng.integers(len(out)))
    return out[shift:] + out[:shift]


def _settings(rng: np.random.Generator, weave: str, face: str) -> tuple[Setting, Setting]:
    def setting(group: int) -> Setting:
        cv = float(
            rng.choice(
                [rng.uniform(0, 0.03), rng.uniform(0.02, 0.08), rng.uniform(0.06, 0.15)], p=[0.4, 0.4, 0.2]
            )
        )
        shift = rng.uniform(0.0, 0.2) if group > 1 else 0.0
        if group <= 1 and rng.random() < 0.28:
            group = int(rng.choice([2, 2, 2, 3, 4]))
            shift = rng.uniform(0.05, 0.62 if group == 2 else 0.3)
        drift = float(rng.choice([0, rng.normal(0, 0.03)]))
        return Setting(cv=cv, drift=drift, group=group, group_shift=shift)

    kind, *rest = weave.split()
    together = int(rest[0].split("/")[0]) if kind in ("basket", "rib", "cord") else 1
    return setting(together if kind in ("basket", "rib") else 1), setting(
        together if kind in ("basket", "cord") else 1
    )


def random_light(rng: np.random.Generator) -> Light:
    """Front light from anywhere, now and then raking or from behind."""
    return Light(
        azimuth_deg=rng.uniform(0, 360),
        elevation_deg=float(rng.choice([rng.uniform(12, 35), rng.uniform(30, 75)], p=[0.3, 0.7])),
        ambient=rng.uniform(0.15, 0.7),
        shadow=rng.uniform(0.2, 0.9),
        hollow=rng.uniform(0.2, 1.2),
        shine=float(rng.choice([0, 0, rng.uniform(0.05, 0.5)])),
        back=float(rng.choice([0, rng.uniform(0, 0.3), rng.uniform(0.7, 1.0)], p=[0.8, 0.1, 0.1])),
        table=tuple(float(c) for c in rng.choice([0.03, 0.2, 0.6, 0.9]) * rng.uniform(0.6, 1.05, 3)),
    )


def random_camera(rng: np.random.Generator, pitch_px: float) -> Camera:
    """A camera whose blur leaves threads of `pitch_px` barely to clearly visible."""
    sharp = rng.uniform(0.2, 1.0)
    return Camera(
        turn_deg=float(np.clip(rng.normal(0, 1.5), -4, 4)),
        skew=float(np.clip(rng.normal(0, 0.02), -0.06, 0.06)),
        bow=float(rng.choice([0, rng.normal(0, 0.01)])),
        wander_px=float(rng.choice([0, rng.uniform(0, 0.1), rng.uniform(0.1, 0.8)], p=[0.4, 0.42, 0.18]))
        * pitch_px,
        blur_px=float(rng.choice([sharp, min(sharp + rng.uniform(0, 0.18) * pitch_px, 4)])),
        sharpen=float(rng.choice([0, rng.uniform(0.2, 2.0)])),
        noise=float(rng.choice([rng.uniform(0, 0.01), rng.uniform(0.01, 0.05)], p=[0.7, 0.3])),
        gamma=rng.uniform(0.6, 1.6),
        falloff=float(rng.choice([0, rng.uniform(0, 0.35)])),
        equalise=float(rng.choice([0, rng.uniform(1, 4)], p=[0.85, 0.15])),
        jpeg=int(rng.choice([0, rng.integers(40, 98)], p=[0.3, 0.7])),
    )
