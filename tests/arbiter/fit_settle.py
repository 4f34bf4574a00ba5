"""Fit the weights of `pickglass.measure.settle` and show how well calibrated they are.

    cd tests
    python -m arbiter.fit_settle collect FILE.npz [--drawn] [--real DIR]... [--others DIR]... [--scenes DIR]...
        [--network NET.onnx --unseen COUNTED.npz HALF]
    python -m arbiter.fit_settle fit FILE.npz... [--only FEATURE]...

`collect` lets the product propose pairs of pitches, tries the likeliest on the cloth and keeps what was seen: on drawn cloth
(`arbiter.recipe`) and drawn surfaces that are no cloth (`notcloth`), on pictures counted by hand (folders as the accuracy
command reads them, `accuracy/open_pictures.py` makes one; of `--others` only what is not woven) and on path-traced scenes. With `--network` and `--unseen` it does so with
another network, and only for pictures that are not in that half of what it was trained on (`arbiter.tune`). `fit` finds the weights of the conditional logit and reports, for the pictures with truth, the readings of halves
that were not fitted on (pictures of one cloth stay together; eight random halvings). With `--only` all other weights stay as they
are in the product.
"""

from __future__ import annotations

import argparse
import csv
import json
import re
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from accuracy.cases import way_of_warp
from arbiter.recipe import random_camera, random_cloth, random_light
from notcloth import OTHERS, make_other
from scipy.optimize import minimize

from pickglass.calibration.errors import PickglassError
from pickglass.calibration.photo import load_photo
from pickglass.calibration.plane import scaling_plane
from pickglass.calibration.quality import check_photo
from pickglass.calibration.scale import find_scale
from pickglass.measure import arbiter
from pickglass.measure.decision import (
    MOST_TRIALS,
    NOT_WOVEN,
    OUTLINED_LOG_ODDS,
    SAME_PITCH,
    SURE,
    TABLE_BESIDE_MM,
    WOVEN,
)
from pickglass.measure.frame import straighten
from pickglass.measure.lattice import read_lattice
from pickglass.measure.refine import refine_pitch
from pickglass.measure.sample import find_sample
from pickglass.measure.settle import Trial, rank_pairs, try_pair
from pickglass.measure.trial_weights import FEATURES, WEIGHTS

DRAWN_CLOTH, DRAWN_OTHERS = 170, 120
# Other surfaces that the network's first look finds so unlikely to be woven are refused with any weights near these: they teach nothing.
RULED_OUT = 0.05
RIDGE = 0.5
DRAWN, TRUE = (
    1.0,
    3.0,
)  # worth of a drawn picture and of one with true counts: drawn cloth is stranger than most
# A feature may count only for what it stands for; with few pictures free signs chase accidents.
SIGNS = {
    **dict.fromkeys(FEATURES, 1),
    **dict.fromkeys(
        (
            "(1/2, 0) node",
            "(0, 1/2) node",
            "unevenness of ends",
            "unevenness of picks",
            "ends placed by neighbours",
            "picks placed by neighbours",
            "leaning edges at on-axis nodes",
            "upright and level edges together",
            "aspect",
        ),
        -1,
    ),
    "constant": 0,
    "edges across at on-axis nodes": 0,
}


@dataclass(frozen=True)
class Case:
    """A picture that fills its mask with cloth (or not), with its true pitches in pixels."""

    name: str
    group: str
    bgr: np.ndarray
    mask: np.ndarray
    pitch_px: tuple[float, float] | None
    outlined: bool = False


def drawn_cases() -> Iterator[Case]:
    for number in range(DRAWN_CLOTH):
        rng = np.random.default_rng(90000 + number)
        cloth = random_cloth(rng, size_threads=float(rng.uniform(25, 60)), max_px=420).cloth
        whole = np.ones(cloth.bgr.shape[:2], bool)
        pitch = (cloth.end_pitch_px, cloth.pick_pitch_px)
        yield Case(f"drawn {number}", "drawn", cloth.bgr, whole, pitch)
    for number in range(DRAWN_OTHERS):
        rng = np.random.default_rng(70000 + number)
        pitch = float(np.exp(rng.uniform(np.log(6), np.log(28))))
        kind = OTHERS[number % len(OTHERS)]
        light, camera = random_light(rng), random_camera(rng, pitch)
        bgr = make_other(kind, (400, 420), pitch_px=pitch, light=light, camera=camera, seed=rng)
        yield Case(f"{kind} {number}", "drawn", bgr, np.ones(bgr.shape[:2], bool), None)


def scene_cases(folder: Path) -> Iterator[Case]:
    """Photos with a JSON truth, straightened by the product itself."""
    for path in sorted(folder.glob("*.json")):
        truth = json.loads(path.read_text())
        photo = load_photo(path.with_suffix(".jpg"))
        try:
            plane = find_scale(photo, scan=truth.get("dpi") is not None)
            sample = find_sample(photo, plane, warp=way_of_warp(truth))
            patch = straighten(photo, plane, sample, beside_mm=0.0 if sample.all_cloth else TABLE_BESIDE_MM)
        except PickglassError:
            continue
        pitch = None
        if truth["kind"] == "woven":
            pitch = tuple(25.4 / truth[key] * patch.px_per_mm for key in ("epi", "ppi"))
        group = path.stem.split("_")[0]
        yield Case(path.stem, group, patch.bgr, patch.mask, pitch, outlined=True)


def real_cases(folder: Path, *, cloth: bool = True) -> Iterator[Case]:
    """Pictures that are all cloth (unless left out), with hand counts, and pictures that are none."""
    plane = scaling_plane(1.0, "none")
    with (folder / "truth.csv").open() as lines:
        rows = [(folder / "img" / row["file"], row) for row in csv.DictReader(lines) if cloth]
    with (folder / "negatives.csv").open() as lines:
        rows += [(folder / "negatives" / row["file"], None) for row in csv.DictReader(lines)]
    for path, row in rows:
        photo = load_photo(path)
        try:
            check_photo(photo)
        except PickglassError:  # it is refused before anything is looked for
            continue
        patch = straighten(photo, plane, find_sample(photo, plane, all_cloth=True))
        pitch = None
        if row is not None:
            if not (row["px_per_thread_x"] and row["px_per_thread_y"]):
                continue
            pitch = (float(row["px_per_thread_x"]), float(row["px_per_thread_y"]))
        group = _same_cloth(path.stem) if row is not None else re.sub(r"\d+", "", path.stem)
        yield Case(path.stem, group, patch.bgr, patch.mask, pitch)


def _same_cloth(name: str) -> str:
    twins = {"brodatz_D021": "brodatz_D020", "brodatz_D104": "brodatz_D103", "phone_sa13": "phone_sa10"}
    return "gingham" if name.startswith("gingham") else twins.get(name, name)


def collect(target: Path, sources: list[Iterator[Case]], seen: frozenset[str] = frozenset()) -> None:
    kept = []
    for case in (case for source in sources for case in source):
        if case.group in seen:
            continue
        lattice = read_lattice(case.bgr, case.mask)
        if case.pitch_px is None and lattice.woven_probability < RULED_OUT:
            continue
        trials: list[Trial] = []
        for pair in rank_pairs(lattice)[:MOST_TRIALS]:
            start = refine_pitch(case.bgr, case.mask, (pair.pitch_x_px, pair.pitch_y_px))
            trial = try_pair(case.bgr, case.mask, lattice, start, pair.probability)
            if not any(trial.same_threads(known) for known in trials):
                trials.append(trial)
        kept.append(
            {
                "name": case.name,
                "group": case.group,
                "pitch": case.pitch_px,
                "outlined": case.outlined,
                "features": np.array([trial.features for trial in trials]),
                "found": np.array([(trial.pitch_x_px, trial.pitch_y_px) for trial in trials]),
            }
        )
        print(case.name, file=sys.stderr, flush=True)
    np.savez_compressed(target, cases=np.array(kept, dtype=object))


def _right(case: dict) -> np.ndarray:  # type: ignore[type-arg]
    """Which trials are right; the last entry stands for none of them."""
    if case["pitch"] is None:
        return np.array([False] * len(case["found"]) + [True])
    near = np.all(np.abs(np.log(case["found"] / np.array(case["pitch"]))) < 0.08, axis=1)
    return np.append(near, not near.any())


def fit_weights(cases: list[dict], only: Sequence[str] = ()) -> np.ndarray:  # type: ignore[type-arg]
    """Conditional logit with a ridge penalty on standardised weights and the signs that reason demands."""
    spread = np.std(np.concatenate([c["features"] for c in cases]), axis=0) + 1e-9
    spread[FEATURES.index("constant")] = 1.0
    data = [
        (
            np.vstack([c["features"], np.zeros(len(FEATURES))]),
            _right(c),
            DRAWN if c["group"] == "drawn" else TRUE,
        )
        for c in cases
    ]

    def loss(weights: np.ndarray) -> tuple[float, np.ndarray]:
        total = RIDGE * float(np.sum((weights * spread) ** 2))
        slope = 2 * RIDGE * weights * spread**2
        for features, right, worth in data:
            scores = features @ weights
            every, good = np.logaddexp.reduce(scores), np.logaddexp.reduce(scores[right])
            total -= worth * (good - every)
            slope -= worth * ((np.exp(scores - good) * right - np.exp(scores - every)) @ features)
        return total, slope

    bounds = [{1: (0, None), -1: (None, 0), 0: (None, None)}[SIGNS[name]] for name in FEATURES]
    start = np.zeros(len(FEATURES))
    for k, name in enumerate(FEATURES):
        if only and name not in only:
            start[k], bounds[k] = WEIGHTS[k], (WEIGHTS[k], WEIGHTS[k])
    return np.asarray(minimize(loss, start, jac=True, bounds=bounds, method="L-BFGS-B").x)


def verdict(case: dict, weights: np.ndarray) -> str:  # type: ignore[type-arg]
    """What `sett` would say: measured right, measured wrong, unsure, refused."""
    scores = case["features"] @ weights
    known = OUTLINED_LOG_ODDS if case["outlined"] else 0.0
    woven = 1 / (1 + np.exp(-np.logaddexp.reduce(scores) - known))
    shares = np.exp(scores - np.logaddexp.reduce(scores))
    best = int(np.argmax(shares))
    alike = np.abs(np.log(case["found"] / case["found"][best])) < SAME_PITCH
    sure = min(float(shares[alike[:, axis]].sum()) for axis in (0, 1))
    if woven < NOT_WOVEN:
        return "refused"
    if sure < SURE or woven < WOVEN:
        return "unsure"
    return "measured right" if _right(case)[best] else "measured wrong"


def fit(sources: list[Path], only: Sequence[str] = ()) -> None:
    found = [case for source in sources for case in np.load(source, allow_pickle=True)["cases"]]
    cases = list({case["name"]: case for case in found}.values())  # a picture may lie in two folders
    drawn = [c for c in cases if c["group"] == "drawn"]
    judged = [c for c in cases if c["group"] != "drawn"]
    groups = sorted({c["group"] for c in judged})
    counts: dict[tuple[str, str], int] = {}
    for seed in range(8 if judged else 0):
        half = set(np.random.default_rng(seed).permutation(groups)[: len(groups) // 2])
        for side in (True, False):
            weights = fit_weights(drawn + [c for c in judged if (c["group"] in half) is side], only)
            for case in judged:
                if (case["group"] in half) is not side:
                    key = ("cloth" if case["pitch"] is not None else "no cloth", verdict(case, weights))
                    counts[key] = counts.get(key, 0) + 1
    for key, count in sorted(counts.items()):
        print(f"{key[0]:10s} {key[1]:16s} {count / 8:6.1f} of each set, fitted on the other half")
    weights = fit_weights(cases, only)
    for name, weight in zip(FEATURES, weights, strict=True):
        print(f"        {weight:.3f},  # {name}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("action", choices=["collect", "fit"])
    parser.add_argument("files", type=Path, nargs="+")
    parser.add_argument("--drawn", action="store_true")
    parser.add_argument("--real", type=Path, action="append", default=[])
    parser.add_argument("--scenes", type=Path, action="append", default=[])
    parser.add_argument("--others", type=Path, action="append", default=[])
    parser.add_argument("--only", choices=FEATURES, action="append", default=[])
    parser.add_argument("--network", type=Path)
    parser.add_argument("--unseen", nargs=2, metavar=("COUNTED", "HALF"))
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    if asked.action == "fit":
        fit(asked.files, asked.only)
        return
    if asked.network:
        arbiter.NETWORK = asked.network
    seen: frozenset[str] = frozenset()
    if asked.unseen:
        with np.load(asked.unseen[0]) as crops:
            seen = frozenset(map(str, crops["groups"][crops["half"] == int(asked.unseen[1])]))
    sources = [drawn_cases()] if asked.drawn else []
    sources += [real_cases(folder) for folder in asked.real]
    sources += [real_cases(folder, cloth=False) for folder in asked.others]
    sources += [scene_cases(folder) for folder in asked.scenes]
    collect(asked.files[0], sources, seen)


if __name__ == "__main__":
    main()
