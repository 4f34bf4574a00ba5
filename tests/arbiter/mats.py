"""Make up what is woven, but not of yarn: wire cloth, mats of straw, rattan and raffia, gauze and sacking whose threads wander.

Hand weavers make few of them, yet they are photographed as woven surfaces, and they break habits that yarn keeps: the strips of a
mat are flat, streaked along their length and of every width; wire is bare, shiny and open; the threads of gauze lie where they will.

    cd tests
    python -m arbiter.mats FOLDER [--count 16] [--seed 5000]      # so many of each kind, with a truth.csv
    python accuracy FOLDER

No seed from 5000 to 5999 is trained with (`arbiter.dataset` draws from 600000 on).
"""

from __future__ import annotations

import argparse
import csv
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from arbiter.recipe import random_camera, random_light

from cloth import Camera, Cloth, Light, Setting, Yarn, make_cloth

__all__ = ["MATS", "random_mat"]

Rng = np.random.Generator
Systems = tuple[Yarn, Yarn, Setting, Setting, float, str]


def _albedo(rng: Rng, low: float, high: float, tint: float) -> tuple[float, float, float]:
    value = rng.uniform(low, high)
    return tuple(float(c) for c in np.clip(value * (1 + tint * rng.uniform(-1.0, 0.4, 3)), 0.01, 0.98))  # type: ignore[return-value]


def _wire(rng: Rng) -> Systems:
    """Bare wire, plain or two over two, so open that what lies behind shows."""
    cover, colour = rng.uniform(0.25, 0.7), _albedo(rng, 0.1, 0.6, 0.3)

    def wire() -> Yarn:
        return Yarn(
            cover=float(np.clip(cover * rng.uniform(0.9, 1.1), 0.22, 0.75)),
            cover_cv=rng.uniform(0, 0.02),
            flatness=1.0,
            bulge=0.0,
            fibre=rng.uniform(0, 0.05),
            colours=(colour,),
            shade_cv=rng.uniform(0, 0.05),
        )

    even = Setting(cv=rng.uniform(0.005, 0.06))
    weave = str(rng.choice(["plain", "plain", "plain", "twill 2/2"]))
    return wire(), wire(), even, Setting(cv=rng.uniform(0.005, 0.06)), rng.uniform(0.3, 0.7), weave


def _strips(rng: Rng) -> Systems:
    """Flat strips lying edge to edge, streaked by their fibres."""

    def strip() -> Yarn:
        return Yarn(
            cover=rng.uniform(0.8, 1.0),
            cover_cv=rng.uniform(0.02, 0.16),
            slub=float(rng.choice([0, rng.uniform(0, 0.08)])),
            flatness=rng.uniform(0.06, 0.3),
            profile=0.25,
            bulge=rng.uniform(0, 0.06),
            twist=0.0,
            fibre=rng.uniform(0.1, 0.5),
            colours=(_albedo(rng, 0.3, 0.8, 0.5),),
            shade_cv=rng.uniform(0.03, 0.2),
        )

    ends, picks = strip(), strip()
    if rng.random() < 0.6:
        picks = replace(picks, colours=ends.colours)
    uneven = [Setting(cv=rng.uniform(0.01, 0.12)) for _ in range(2)]
    weave = str(rng.choice(["plain", "plain", "twill 2/2", "twill 2/1", "basket 2/2", "twill 3/1"]))
    return ends, picks, uneven[0], uneven[1], rng.uniform(0.3, 0.7), weave


def _straw(rng: Rng) -> Systems:
    """Stalks of every width in narrow warps set wide apart."""
    warp = Yarn(
        cover=rng.uniform(0.15, 0.5),
        cover_cv=rng.uniform(0.02, 0.15),
        flatness=rng.uniform(0.5, 0.9),
        fibre=rng.uniform(0.05, 0.3),
        plies=int(rng.choice([0, 2])),
        colours=(_albedo(rng, 0.05, 0.7, 0.4),),
    )
    stalk = Yarn(
        cover=rng.uniform(0.8, 1.0),
        cover_cv=rng.uniform(0.1, 0.35),
        slub=float(rng.choice([0, rng.uniform(0, 0.15)])),
        flatness=rng.uniform(0.2, 0.9),
        profile=float(rng.choice([0.25, 0.5])),
        bulge=rng.uniform(0, 0.3),
        twist=0.0,
        fibre=rng.uniform(0.1, 0.45),
        colours=(_albedo(rng, 0.3, 0.8, 0.5),),
        shade_cv=rng.uniform(0.05, 0.2),
    )
    return (
        warp,
        stalk,
        Setting(cv=rng.uniform(0.01, 0.08)),
        Setting(cv=rng.uniform(0.06, 0.22)),
        0.15,
        "plain",
    )


def _gauze(rng: Rng) -> Systems:
    """Thin threads that wander, far apart: cheesecloth, sacking."""
    cover = rng.uniform(0.25, 0.6)

    def thread() -> Yarn:
        return Yarn(
            cover=float(np.clip(cover * rng.uniform(0.85, 1.2), 0.2, 0.7)),
            cover_cv=rng.uniform(0.05, 0.3),
            slub=rng.uniform(0, 0.25),
            flatness=rng.uniform(0.5, 1.0),
            bulge=rng.uniform(0, 0.2),
            plies=int(rng.choice([0, 0, 2])),
            fibre=rng.uniform(0.05, 0.3),
            wander=rng.uniform(0.02, 0.14),
            colours=(_albedo(rng, 0.2, 0.9, 0.5),),
            shade_cv=rng.uniform(0.03, 0.15),
        )

    ends = thread()
    picks = replace(thread(), colours=ends.colours)
    uneven = [Setting(cv=rng.uniform(0.04, 0.18)) for _ in range(2)]
    return ends, picks, uneven[0], uneven[1], rng.uniform(0.3, 0.7), "plain"


MATS: dict[str, Callable[[Rng], Systems]] = {
    "wire": _wire,
    "strips": _strips,
    "straw": _straw,
    "gauze": _gauze,
}


def random_mat(rng: Rng, kind: str, size_threads: float = 30, max_px: int = 360) -> Cloth:
    """Draw one of `MATS` about `size_threads` threads wide and high, at most `max_px` a side."""
    ends, picks, end_setting, pick_setting, share, weave = MATS[kind](rng)
    base = float(np.exp(rng.uniform(np.log(5), np.log(26))))
    spread = {"wire": (0.0, 0.12), "strips": (0.0, 0.15), "straw": (-0.8, 0.3), "gauze": (0.0, 0.2)}[kind]
    ratio = float(np.exp(np.clip(rng.normal(*spread), -1.5, 1.5)))  # pick pitch / end pitch
    pitch = np.array([base / ratio**0.5, base * ratio**0.5])
    pitch *= max(1.0, 3.4 / pitch.min())
    camera, light = _seen(rng, kind, float(pitch.min()))
    columns, rows = (int(np.clip(size_threads * p, 150, max_px)) for p in pitch)
    if rng.random() < 0.5:  # what lies upright may as well lie level
        ends, picks, end_setting, pick_setting = picks, ends, pick_setting, end_setting
        pitch, columns, rows, share = pitch[::-1], rows, columns, 1 - share
    return make_cloth(
        (rows, columns),
        end_pitch_px=float(pitch[0]),
        pick_pitch_px=float(pitch[1]),
        weave=weave,
        ends=ends,
        picks=picks,
        end_setting=end_setting,
        pick_setting=pick_setting,
        crimp_share=share,
        hairs=float(rng.uniform(0, 8)) if kind == "gauze" else 0.0,
        light=light,
        camera=camera,
        seed=rng,
    )


def _seen(rng: Rng, kind: str, pitch_px: float) -> tuple[Camera, Light]:
    camera, light = random_camera(rng, pitch_px), random_light(rng)
    if kind == "wire":
        back = float(rng.choice([0, 0, rng.uniform(0.7, 1.0)]))
        light = replace(light, shine=rng.uniform(0.2, 1.5), back=back)
        camera = replace(camera, wander_px=min(camera.wander_px, 0.1 * pitch_px))
    elif kind in {"strips", "straw"}:
        light = replace(light, back=0.0)
    else:
        back = float(rng.choice([0, rng.uniform(0.7, 1.0)]))
        light = replace(light, back=back)
        camera = replace(camera, wander_px=rng.uniform(0.05, 0.4) * pitch_px)
    return camera, light


def _row(name: str, cloth: Cloth) -> dict[str, str]:
    """Return one row of truth.csv. A part of a wandering cloth may be a percent or two wider than the whole."""
    row = {"file": name}
    spans = zip("xy", cloth.bgr.shape[1::-1], (cloth.end_pitch_px, cloth.pick_pitch_px), strict=True)
    for axis, span_px, pitch_px in spans:
        row |= {
            f"threads_across_{axis}": f"{span_px / pitch_px:.2f}",
            f"span_{axis}_px": str(span_px),
            f"tolerance_percent_{axis}": "2.0",
        }
    return row


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m arbiter.mats", description=__doc__.split("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--count", type=int, default=16, help="pictures of each kind")
    parser.add_argument("--seed", type=int, default=5000)
    asked = parser.parse_args()
    (asked.folder / "img").mkdir(parents=True)
    rows = []
    for seed in range(asked.seed, asked.seed + asked.count):
        for kind in MATS:
            size_threads = float(np.random.default_rng(seed).choice([24, 34, 50]))
            cloth = random_mat(np.random.default_rng(seed), kind, size_threads, max_px=600)
            name = f"{kind}_{seed}.png"
            cv2.imwrite(str(asked.folder / "img" / name), cloth.bgr)
            rows.append(_row(name, cloth))
    with (asked.folder / "truth.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    print(f"{len(rows)} pictures in {asked.folder}", file=sys.stderr)


if __name__ == "__main__":
    main()
