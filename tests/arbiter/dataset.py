"""Write crops for training and for the held-out test.

python -m arbiter.dataset OUT.npz FIRST_SEED CLOTHS [WOVEN_SHARE [MAT_SHARE]]; MAT_SHARE is the share of `arbiter.mats` among the woven.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import cv2
import numpy as np
from arbiter.mats import MATS, random_mat
from arbiter.recipe import random_camera, random_cloth, random_light
from notcloth import KNITS, OTHERS, make_other

from pickglass.measure.arbiter import CROP_PX, FAMILIES, RATIOS, cut_crop

OTHER = len(RATIOS)
# How often a candidate is wrong by each ratio (RATIOS, other); measured readings err mostly towards too coarse.
RATIO_SHARE = np.array([0.09, 0.07, 0.15, 0.05, 0.27, 0.05, 0.13, 0.05, 0.04, 0.10])
CROPS_PER_CLOTH = 8
# Most often taken for cloth.
TEMPTING = (
    "brick",
    "tiles",
    "scales",
    "hexagon net",
    "diamond net",
    "loops",
    "pile",
    "pile",
    "planks",
    "wood",
    "straw",
    "moss",
)


def draw_class(rng: np.random.Generator) -> tuple[int, float]:
    """Draw a class and a true/candidate ratio that belongs to it."""
    label = int(rng.choice(len(RATIO_SHARE), p=RATIO_SHARE))
    if label < OTHER:
        return label, RATIOS[label] * float(np.exp(np.clip(rng.normal(0, 0.025), -0.065, 0.065)))
    while True:
        ratio = float(np.exp(rng.uniform(np.log(1 / 6), np.log(6))))
        if np.abs(np.log(np.array(RATIOS) / ratio)).min() > 0.12:
            return OTHER, ratio


def to_lightness(bgr: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Lightness as some camera or program might define it."""
    if rng.random() < 0.5:
        return cv2.cvtColor(bgr, cv2.COLOR_BGR2LAB)[..., 0].astype(np.float32)
    weights = rng.dirichlet([2.0, 4.0, 3.0])
    return (bgr.astype(np.float32) @ weights.astype(np.float32)).astype(np.float32)


def random_mask(shape: tuple[int, int], rng: np.random.Generator) -> np.ndarray | None:
    """Now and then part of the crop is not cloth: edge of a band, a card lying on it."""
    if rng.random() > 0.15:
        return None
    y, x = np.mgrid[: shape[0], : shape[1]]
    angle = rng.choice([0, np.pi / 2, np.pi, -np.pi / 2]) + rng.normal(0, 0.15)
    away = (x - rng.uniform(0.1, 0.9) * shape[1]) * np.cos(angle) + (
        y - rng.uniform(0.1, 0.9) * shape[0]
    ) * np.sin(angle)
    mask = away > 0
    return mask if mask.mean() > 0.35 else None


def woven_crops(rng: np.random.Generator, mat_share: float = 0.0) -> list[tuple[np.ndarray, list[int]]]:
    size_threads, out = float(rng.choice([22, 34, 50])), []
    if mat_share and rng.random() < mat_share:
        cloth, family = random_mat(rng, str(rng.choice(list(MATS))), size_threads, max_px=320), -1
    else:
        made = random_cloth(rng, size_threads, max_px=320)
        cloth, family = made.cloth, FAMILIES.index(made.family)
    light = to_lightness(cloth.bgr, rng)
    mask = random_mask(light.shape, rng)
    for _ in range(CROPS_PER_CLOTH):
        x_class, x_ratio = draw_class(rng)
        y_class, y_ratio = draw_class(rng)
        if rng.random() < 0.45:  # both directions usually go wrong together
            y_class, y_ratio = x_class, x_ratio * float(np.exp(rng.normal(0, 0.01)))
        pitch = (cloth.end_pitch_px / x_ratio, cloth.pick_pitch_px / y_ratio)
        crop = cut_crop(light, mask, random_centre(light.shape, pitch, rng), pitch)
        if np.count_nonzero(crop[0]) < 0.15 * crop[0].size:  # the mask left nothing to see
            continue
        out.append((crop, [x_class, y_class, 1, family]))
    return out


def scramble(light: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Keep the spectrum, lose the structure: random phases make haze out of cloth."""
    waves = np.fft.rfft2(light - light.mean())
    turned = np.abs(waves) * np.exp(2j * np.pi * rng.random(waves.shape))
    return np.fft.irfft2(turned, light.shape).astype(np.float32) + np.float32(light.mean())


def other_crops(rng: np.random.Generator) -> list[tuple[np.ndarray, list[int]]]:
    pitch = float(np.exp(rng.uniform(np.log(5), np.log(30))))
    if rng.random() < 0.1:
        cloth = random_cloth(rng, size_threads=34, max_px=320).cloth
        pitch, light = cloth.end_pitch_px, scramble(to_lightness(cloth.bgr, rng), rng)
    else:
        kind = str(rng.choice((KNITS, TEMPTING, OTHERS)[int(rng.choice(3, p=[0.3, 0.3, 0.4]))]))
        size = int(np.clip(pitch * rng.choice([16, 30]), 150, 330))
        camera = random_camera(rng, pitch)
        if rng.random() < 0.4:  # what is no cloth has no threads to be laid straight by
            camera = replace(camera, turn_deg=rng.uniform(-90, 90))
        bgr = make_other(kind, (size, size), pitch_px=pitch, light=random_light(rng), camera=camera, seed=rng)
        light = to_lightness(bgr, rng)
    out = []
    mask = random_mask(light.shape, rng)
    for _ in range(CROPS_PER_CLOTH):
        scale = np.exp(rng.uniform(np.log(0.25), np.log(3)) + rng.normal(0, 0.25, 2))
        tried = (pitch * float(scale[0]), pitch * float(scale[1]))
        crop = cut_crop(light, mask, random_centre(light.shape, tried, rng), tried)
        out.append((crop, [-1, -1, 0, -1]))
    return out


def random_centre(
    shape: tuple[int, int], pitch: tuple[float, float], rng: np.random.Generator
) -> tuple[float, float]:
    """Anywhere the crop fits, or the middle where it does not."""
    centre = []
    for size, p in zip(shape[::-1], pitch, strict=True):
        room = max(size - 12 * p, 0) / 2
        centre.append(size / 2 + rng.uniform(-room, room))
    return centre[0], centre[1]


def main(path: str, first_seed: int, count: int, woven_share: float = 0.72, mat_share: float = 0.0) -> None:
    cv2.setNumThreads(1)
    crops, labels = [], []
    for seed in range(first_seed, first_seed + count):
        rng = np.random.default_rng(seed)
        made = woven_crops(rng, mat_share) if rng.random() < woven_share else other_crops(rng)
        for crop, label in made:
            crops.append(np.round(crop * 31).astype(np.int8))
            labels.append(label)
    stack = np.stack(crops)
    assert stack.shape[1:] == (2, CROP_PX, CROP_PX)
    np.savez(path, crops=stack, labels=np.array(labels, np.int8))
    print(path, stack.shape)


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]), *(float(v) for v in sys.argv[4:]))
