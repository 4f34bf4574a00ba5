"""Measure the arbiter on drawn cloth and on pictures it never saw: python -m arbiter.evaluate [fit] [blind] [drawn|traced|real] ...

With `blind` the candidates are what the spectrum offers; without, the truth is always among them.
Real photographs and path-traced scenes are used to judge only, never to train. The generator was tuned while
looking at the half of them whose name has an even CRC-32; both halves are reported.
"""

from __future__ import annotations

import csv
import os
import pathlib
import sys
import zlib
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from arbiter.recipe import random_camera, random_cloth, random_light
from notcloth import OTHERS, make_other

from pickglass.measure import arbiter
from pickglass.measure.evidence import gather_evidence, peak_frequencies
from pickglass.measure.lightness import cloth_lightness

SURE = 0.8
FILES = pathlib.Path(os.environ.get("PICKGLASS_PICTURES", pathlib.Path(__file__).parents[3] / "shared"))
PATCHES = pathlib.Path(
    os.environ.get("PICKGLASS_PATCHES", pathlib.Path(__file__).parents[3] / "dev" / "patches")
)


@dataclass(frozen=True)
class Case:
    name: str
    bgr: np.ndarray
    mask: np.ndarray | None
    pitch: tuple[float, float] | None  # None: not woven
    counted: tuple[bool, bool] = (True, True)
    group: str = ""

    @property
    def looked_at(self) -> bool:
        return zlib.crc32(self.name.encode()) % 2 == 0


def drawn(count: int = 150) -> Iterator[Case]:
    for seed in range(900_000, 900_000 + count):
        rng = np.random.default_rng(seed)
        if rng.random() < 0.75:
            made = random_cloth(rng, size_threads=float(rng.uniform(30, 60)), max_px=500)
            pitch = (made.cloth.end_pitch_px, made.cloth.pick_pitch_px)
            yield Case(f"{seed} {made.cloth.weave}", made.cloth.bgr, None, pitch, group=made.family)
        else:
            kind, pitch_px = str(rng.choice(OTHERS)), float(np.exp(rng.uniform(1.8, 3.2)))
            camera = random_camera(rng, pitch_px)
            bgr = make_other(
                kind, (400, 400), pitch_px=pitch_px, light=random_light(rng), camera=camera, seed=rng
            )
            yield Case(f"{seed} {kind}", bgr, None, None, group=kind)


def traced() -> Iterator[Case]:
    for file in sorted(PATCHES.glob("*.npz")):
        with np.load(file) as data:
            pitch = (float(np.diff(data["ends_px"]).mean()), float(np.diff(data["picks_px"]).mean()))
            yield Case(file.stem, data["bgr"], data["mask"], pitch, group=str(data["weave"]))
    for name in ("n1_knit", "n3_wood_only"):
        bgr = cv2.imread(str(FILES / "scenes" / f"{name}.jpg"))
        rows, cols = bgr.shape[:2]
        yield Case(name, bgr[rows // 3 : -rows // 3, cols // 3 : -cols // 3], None, None)


def real() -> Iterator[Case]:
    with open(FILES / "real" / "truth.csv", newline="") as table:
        for row in csv.DictReader(table):
            bgr = cv2.imread(str(FILES / "real" / "img" / row["file"]))
            read = [float(row[f"px_per_thread_{a}"] or 0) for a in "xy"]
            known = (read[0] or read[1] / 2, read[1] or read[0] / 2)
            stem = pathlib.Path(row["file"]).stem
            yield Case(stem, bgr, None, known, (read[0] > 0, read[1] > 0), row["weave"])
    for file in sorted((FILES / "real" / "negatives").glob("*")):
        yield Case(file.stem, cv2.imread(str(file)), None, None)


def candidates_for(case: Case, rng: np.random.Generator) -> list[tuple[float, float]]:
    """Readings as a spectral reader might offer them: the truth is among them, but not always in their middle."""
    pitch = case.pitch or tuple(float(np.exp(rng.uniform(1.6, 3.2))) for _ in "xy")
    ratios = np.array([1 / 4, 1 / 2, 1, 2, 1 / 3, 3, 2 / 3, 3 / 2])
    share = np.array([0.1, 0.2, 0.3, 0.2, 0.05, 0.05, 0.05, 0.05])
    axes = []
    for p in pitch:
        offered = {1.0, *rng.choice(ratios, 3, p=share)}
        axes.append([p * float(np.exp(rng.normal(0, 0.02))) * r for r in sorted(offered)])
    pairs = [(x, y) for x in axes[0] for y in axes[1]]
    pairs = [pair for pair in pairs if min(pair) > 2.2]
    order = rng.permutation(len(pairs))
    truth = [
        k
        for k, (x, y) in enumerate(pairs)
        if max(abs(np.log(x / pitch[0])), abs(np.log(y / pitch[1]))) < 0.12
    ]
    keep = list(dict.fromkeys([*truth, *order.tolist()]))[:10]
    return [pairs[k] for k in sorted(keep)]


def proposed(case: Case) -> list[tuple[float, float]]:
    """Readings the spectrum really offers, knowing nothing of the truth: highest peaks of three kinds of evidence."""
    mask = np.ones(case.bgr.shape[:2], bool) if case.mask is None else case.mask
    axes = []
    for direction in gather_evidence(case.bgr, mask):
        pitches: list[float] = []
        for curve, count in ((direction.row, 2), (direction.axis, 3), (direction.half_row, 1)):
            for f in peak_frequencies(curve, count):
                if len(pitches) < 4 and all(abs(np.log(f * p)) > 0.09 for p in pitches):
                    pitches.append(1 / float(f))
        axes.append(pitches)
    return [(x, y) for x in axes[0] for y in axes[1]]


def outcome(
    pitch_px: np.ndarray, log_p: np.ndarray, truth: float, sure: float = SURE
) -> tuple[str, float, float]:
    """Verdict on one direction with the reading and its probability."""
    best = int(log_p.argmax())
    near = np.abs(np.log(pitch_px / pitch_px[best])) < 0.1
    p = float(np.exp(log_p[near]).sum())
    right = abs(np.log(pitch_px[best] / truth)) < 0.14
    verdict = "right" if right and p >= sure else "WRONG" if p >= sure else "unsure"
    return verdict + ("" if verdict != "unsure" else "+" if right else "-"), float(pitch_px[best]), p


def run(
    cases: Iterator[Case], *, verbose: bool, blind: bool = False
) -> list[tuple[Case, list[tuple[str, float, float]], float]]:
    results = []
    for case in cases:
        said = judge_case(case, blind=blind)
        reads = []
        if case.pitch:
            for axis, (px, log_p) in enumerate(
                ((said.pitch_x_px, said.log_p_x), (said.pitch_y_px, said.log_p_y))
            ):
                if case.counted[axis]:
                    reads.append(outcome(px, log_p, case.pitch[axis]))
        results.append((case, reads, said.woven_probability))
        if verbose:
            told = (
                "; ".join(
                    f"{v} {px / t:.2f}x (p {p:.2f})"
                    for (v, px, p), t in zip(
                        reads, [t for t, c in zip(case.pitch, case.counted, strict=True) if c], strict=True
                    )
                )
                if case.pitch
                else "not woven"
            )
            half = "e" if case.looked_at else "o"
            size = "" if not case.pitch else f"{case.pitch[0]:.1f}x{case.pitch[1]:.1f}"
            print(
                f"{half} {case.name:34s} {case.group[:22]:22s} {size:10s} woven {said.woven_probability:.2f}  {told}"
            )
    return results


def summarise(title: str, results: list[tuple[Case, list[tuple[str, float, float]], float]]) -> None:
    reads = [read for _, several, _ in results for read in several]
    count = {v: sum(r[0] == v for r in reads) for v in ("right", "unsure+", "unsure-", "WRONG")}
    woven = [w for case, _, w in results if case.pitch]
    others = [w for case, _, w in results if not case.pitch]
    print(
        f"{title}: {len(reads)} directions {count}; woven seen as woven {sum(w > 0.5 for w in woven)}/{len(woven)}",
        end="",
    )
    print(
        f" (p<0.2: {sum(w < 0.2 for w in woven)}); others refused {sum(w < 0.5 for w in others)}/{len(others)}"
    )
    for low, high in ((0.0, 0.5), (0.5, 0.7), (0.7, 0.9), (0.9, 0.98), (0.98, 1.01)):
        inside = [r for r in reads if low <= r[2] < high]
        if inside:
            hit = sum(r[0] in ("right", "unsure+") for r in inside)
            print(
                f"   said {np.mean([r[2] for r in inside]):.2f}: {hit}/{len(inside)} = {hit / len(inside):.2f}"
            )


def fit(count: int = 200) -> None:
    """Print how well several values of the two free constants of the vote explain drawn cloth (nats a direction)."""
    cases = list(drawn(count))
    inner, memory = arbiter._run, {}

    def remembered(crops: np.ndarray) -> np.ndarray:
        key = hash(crops.tobytes())
        if key not in memory:
            memory[key] = inner(crops)
        return memory[key]

    arbiter._run = remembered
    for power, scale in ((0.1, 0.5), (0.2, 0.6), (0.3, 0.7), (0.4, 0.8), (0.5, 1.0), (0.6, 1.2), (0.8, 1.5)):
        arbiter.VOTE_POWER, arbiter.WOVEN_SCALE = power, scale
        lost: list[float] = []
        woven_lost: dict[bool, list[float]] = {True: [], False: []}
        for case in cases:
            said = judge_case(case)
            p = np.clip(said.woven_probability, 1e-4, 1 - 1e-4)
            woven_lost[case.pitch is not None].append(-np.log(p if case.pitch else 1 - p))
            if case.pitch:
                lost += [-max(v, -8.0) for v in said.log_p_of(*case.pitch)]
        print(
            f"scale {scale}: pitch {np.mean(lost):.3f}  woven {np.mean(woven_lost[True]):.3f} others {np.mean(woven_lost[False]):.3f}"
        )
    arbiter._run = inner


def judge_case(case: Case, *, blind: bool = False) -> arbiter.ArbiterJudgement:
    rng = np.random.default_rng(zlib.crc32(case.name.encode()))
    return arbiter.judge(
        cloth_lightness(case.bgr), case.mask, proposed(case) if blind else candidates_for(case, rng)
    )


def main(which: list[str]) -> None:
    if which[:1] == ["fit"]:
        return fit(*(int(v) for v in which[1:]))
    blind = "blind" in which
    for name in [w for w in which if w != "blind"] or ["drawn", "traced", "real"]:
        cases = {"drawn": drawn, "traced": traced, "real": real}[name]()
        results = run(cases, verbose=name != "drawn", blind=blind)
        title = f"{name}, blind" if blind else name
        summarise(title, results)
        if name != "drawn":
            summarise(f"{title}, half looked at", [r for r in results if r[0].looked_at])
            summarise(f"{title}, half never looked at", [r for r in results if not r[0].looked_at])


if __name__ == "__main__":
    main(sys.argv[1:])
