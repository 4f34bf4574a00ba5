"""Train the arbiter on, with pictures whose threads were counted or are known, and judge it on those it has not seen.

    cd tests
    python -m arbiter.tune crops DATA/counted.npz [--real DIR]... [--scenes DIR]...
    python -m arbiter.tune train DATA OUT.onnx MINUTES SEED [--half 0|1]
    python -m arbiter.tune mean OUT.onnx IN.onnx IN.onnx...

`crops` cuts crops of hand-counted pictures, of pictures of other surfaces and of path-traced scenes, each at the true spacing
times the ratios the network knows, turned a little and made worse as photos may be. `train` starts from the shipped network; every
batch is half such crops and half drawn ones (`arbiter.dataset`, DATA/train*.npz). With `--half` it learns from that half of the
cloths only, and is judged on the other: `arbiter.fit_settle collect --network HALF0.onnx --half 1` collects for each half what the network
that has not seen it says, so that the weights of the decision are fitted on unseen pictures. `mean` averages weights.

Needs torch and onnx for `train` and `mean`.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
from arbiter import fit_settle
from arbiter.dataset import draw_class, random_centre

from pickglass.measure import arbiter
from pickglass.measure.lattice import read_lattice
from pickglass.measure.lightness import cloth_lightness

SHIPPED = Path(arbiter.__file__).with_name("arbiter.onnx")
CLOTH_CROPS, OTHER_CROPS = 300, 150
COARSEST_PX = 16  # of a spacing, when a crop is cut: finer detail is lost in scaling anyway
MOST_HALVINGS = 3
LEAST_PX = 2.0
RATE, BATCH, DRAWN_SHARE = 5e-4, 64, 0.5
WOVEN_SHARE = 0.62


def worsen(light: np.ndarray, pitch_px: float, rng: np.random.Generator) -> np.ndarray:
    """Blur, noise, negative and other tone curves, each now and then."""
    if rng.random() < 0.3:
        light = cv2.GaussianBlur(light, (0, 0), float(rng.uniform(0.05, 0.16)) * pitch_px + 0.3)
    if rng.random() < 0.4:
        light = light + rng.normal(0, rng.uniform(0.05, 0.4) * (light.std() + 1e-3), light.shape)
    if rng.random() < 0.12:
        light = -light
    if rng.random() < 0.4:
        dark, bright = np.percentile(light, [1, 99])
        light = 255 * np.clip((light - dark) / (bright - dark + 1e-3), 0, 1) ** np.exp(rng.normal(0, 0.4))
    return light.astype(np.float32)


def window(
    light: np.ndarray,
    mask: np.ndarray,
    centre: tuple[float, float],
    pitch: tuple[float, float],
    turn_deg: float,
) -> tuple[np.ndarray, np.ndarray, tuple[float, float]]:
    """Cut out a place, half as large again as the crop, and turn it."""
    half = [int(np.ceil(9 * p)) + 4 for p in pitch]
    place = cv2.getRotationMatrix2D(centre, turn_deg, 1.0)
    place[:, 2] += np.array(half) - centre
    size = (2 * half[0], 2 * half[1])
    piece = cv2.warpAffine(light, place, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    known = cv2.warpAffine(mask.astype(np.uint8), place, size, flags=cv2.INTER_NEAREST) > 0
    return piece, known, (float(half[0]), float(half[1]))


def draw_tried(
    case: fit_settle.Case, offered: list[list[float]], rng: np.random.Generator
) -> tuple[list[int], tuple[float, float]]:
    """Draw a candidate pair of spacings and its label; `offered` are those the spectra propose for what is not woven."""
    if case.pitch_px is None:
        if rng.random() < 0.7:
            x, y = (float(rng.choice(pitches) * np.exp(rng.normal(0, 0.03))) for pitches in offered)
            return [-1, -1, 0, -1], (x, y)
        size = float(np.exp(rng.uniform(np.log(3), np.log(40))))
        return [-1, -1, 0, -1], (size, size * float(np.exp(rng.normal(0, 0.35))))
    (x_class, x_ratio), (y_class, y_ratio) = draw_class(rng), draw_class(rng)
    if rng.random() < 0.35:  # both directions usually go wrong together
        y_class, y_ratio = x_class, x_ratio
    return [x_class, y_class, 1, -1], (case.pitch_px[0] / x_ratio, case.pitch_px[1] / y_ratio)


def case_crops(case: fit_settle.Case, rng: np.random.Generator) -> Iterator[tuple[np.ndarray, list[int]]]:
    light = cloth_lightness(case.bgr)
    wanted = CLOTH_CROPS if case.pitch_px else OTHER_CROPS
    offered: list[list[float]] = []
    if case.pitch_px is None:
        lattice = read_lattice(case.bgr, case.mask)
        offered = [[r.pitch_px, *(p for p, _ in r.alternatives)] for r in (lattice.ends, lattice.picks)]
    inside = np.argwhere(case.mask[::4, ::4])[:, ::-1] * 4.0
    reduced = [
        [
            cv2.resize(plane, None, fx=0.5**halvings, fy=0.5**halvings, interpolation=cv2.INTER_AREA)
            for plane in (light, case.mask.astype(np.float32))
        ]
        for halvings in range(MOST_HALVINGS + 1)
    ]
    for _ in range(4 * wanted):
        label, tried = draw_tried(case, offered, rng)
        if min(tried) < LEAST_PX:
            continue
        halvings = int(np.clip(np.log2(min(tried) / COARSEST_PX), 0, MOST_HALVINGS))
        shrink = 2**halvings
        x, y = (
            random_centre(light.shape, tried, rng) if case.mask.all() else inside[rng.integers(len(inside))]
        )
        small, cloth = reduced[halvings]
        pitch = (tried[0] / shrink, tried[1] / shrink)
        piece, known, centre = window(
            small, cloth > 0.5, (x / shrink, y / shrink), pitch, float(rng.normal(0, 1.5))
        )
        crop = arbiter.cut_crop(worsen(piece, min(pitch), rng), None if known.all() else known, centre, pitch)
        if np.count_nonzero(crop[0]) < 0.4 * crop[0].size:
            continue
        yield crop, label
        wanted -= 1
        if wanted == 0:
            return


def write_crops(target: Path, real: list[Path], scenes: list[Path]) -> None:
    rng = np.random.default_rng(5)
    crops, labels, groups, sources = [], [], [], []
    for read, folder in (
        *((fit_settle.real_cases, f) for f in real),
        *((fit_settle.scene_cases, f) for f in scenes),
    ):
        for case in read(folder):
            for crop, label in case_crops(case, rng):
                crops.append(np.round(crop * 31).astype(np.int8))
                labels.append(label)
                groups.append(case.group)
                sources.append(f"{folder} {case.pitch_px is not None}")
            print(case.name, file=sys.stderr, flush=True)
    half = halves_of(groups, sources)
    np.savez(target, crops=np.stack(crops), labels=np.array(labels, np.int8), groups=groups, half=half)


def halves_of(groups: list[str], sources: list[str]) -> np.ndarray:
    """Put every cloth into half 0 or 1, those of one folder and kind by turns in random order."""
    rng, side = np.random.default_rng(1), {}
    for source in sorted(set(sources)):
        names = sorted({g for g, s in zip(groups, sources, strict=True) if s == source} - set(side))
        first = int(rng.integers(2))
        for k, name in enumerate(rng.permutation(names)):
            side[str(name)] = (k + first) % 2
    return np.array([side[g] for g in groups])


def train(data: Path, target: Path, minutes: float, seed: int, half: int | None) -> None:
    import time

    import torch
    from arbiter.train import Arbiter, augment, loss_of, read_onnx, spectrum, write_onnx

    torch.set_num_threads(1)
    torch.manual_seed(seed)
    rng = np.random.default_rng(seed)
    with np.load(data / "counted.npz") as kept:
        use = np.ones(len(kept["half"]), bool) if half is None else kept["half"] == half
        crops, labels, groups = (
            kept["crops"][use],
            torch.from_numpy(kept["labels"][use]).long(),
            kept["groups"][use],
        )
    files = [np.load(f) for f in sorted(data.glob("train*.npz"))]
    drawn = np.concatenate([f["crops"] for f in files])
    drawn_labels = torch.from_numpy(np.concatenate([f["labels"] for f in files])).long()
    woven = (labels[:, 2] > 0).numpy()
    _, of, many = np.unique(groups, return_inverse=True, return_counts=True)
    chance = 1 / np.sqrt(many[of])
    chance[woven] *= WOVEN_SHARE / chance[woven].sum()
    chance[~woven] *= (1 - WOVEN_SHARE) / chance[~woven].sum()
    net = Arbiter().to(memory_format=torch.channels_last)
    read_onnx(net, SHIPPED, drawn[:600])
    net.train()
    for layer in net.modules():  # what the norms have seen must not drift with these few pictures
        if isinstance(layer, torch.nn.BatchNorm2d):
            layer.eval()
    optimiser = torch.optim.AdamW(net.parameters(), RATE, weight_decay=2e-3)
    began, step, count = time.time(), 0, int(BATCH * DRAWN_SHARE)
    while (done := (time.time() - began) / 60 / minutes) < 1:
        for group in optimiser.param_groups:
            group["lr"] = RATE * min(1, (step + 1) / 60) * (0.5 + 0.5 * np.cos(np.pi * done)) + 1e-6
        known, made = rng.choice(len(crops), BATCH - count, p=chance), rng.integers(len(drawn), size=count)
        crop, label = augment(
            np.concatenate([crops[known], drawn[made]]), torch.cat([labels[known], drawn_labels[made]]), rng
        )
        loss = loss_of(net(crop, spectrum(crop)), label, 0.05)
        optimiser.zero_grad()
        loss.backward()
        optimiser.step()
        step += 1
        if step % 100 == 0:
            print(f"{done:.2f} step {step} loss {loss.item():.3f}", flush=True)
    write_onnx(net, target)


def mean(target: Path, sources: list[Path]) -> None:
    import onnx
    from onnx import numpy_helper

    networks = [onnx.load(source) for source in sources]
    weights = [{w.name: numpy_helper.to_array(w) for w in n.graph.initializer} for n in networks]
    for weight in networks[0].graph.initializer:
        value = np.mean([w[weight.name] for w in weights], axis=0, dtype=np.float32)
        weight.CopyFrom(numpy_helper.from_array(value, weight.name))
    onnx.save(networks[0], target)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    steps = parser.add_subparsers(dest="step", required=True)
    crops = steps.add_parser("crops")
    crops.add_argument("target", type=Path)
    crops.add_argument("--real", type=Path, action="append", default=[])
    crops.add_argument("--scenes", type=Path, action="append", default=[])
    training = steps.add_parser("train")
    training.add_argument("data", type=Path)
    training.add_argument("target", type=Path)
    training.add_argument("minutes", type=float)
    training.add_argument("seed", type=int)
    training.add_argument("--half", type=int, choices=[0, 1])
    averaging = steps.add_parser("mean")
    averaging.add_argument("target", type=Path)
    averaging.add_argument("sources", type=Path, nargs="+")
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    if asked.step == "crops":
        write_crops(asked.target, asked.real, asked.scenes)
    elif asked.step == "train":
        train(asked.data, asked.target, asked.minutes, asked.seed, asked.half)
    else:
        mean(asked.target, asked.sources)


if __name__ == "__main__":
    main()
