"""Render the bands, measure them, and print how well steps and faults are found.

    cd tests
    python -m evenness_bands FOLDER --render              # needs the extra "render"; some 20 s of processor time a band
    python -m evenness_bands FOLDER                       # measures what is there
    python -m evenness_bands FOLDER --also OTHER          # and other pictures with such truth
    python -m evenness_bands FOLDER --rail --render       # four photos of one band beside the rail, joined

The folder holds NAME.jpg and NAME.json; pictures from other folders with such truth can be added with --also. As in the
table of accuracy no hint is given but --scan, and --warp across for a squarish sample whose warp does not run down the photo.
"""

from __future__ import annotations

import argparse
import json
import pickle
import sys
from pathlib import Path

import numpy as np
from accuracy.cases import way_of_warp

from pickglass.calibration.errors import PickglassError
from pickglass.cli.pipeline import Request, measure_photo
from pickglass.measure.evenness import measure_evenness
from pickglass.measure.stations import read_trace

from .scenes import BANDS
from .scoring import Score, score


def main() -> None:
    """Read the command line, do it, print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--render", action="store_true", help="render the bands that are not there yet")
    parser.add_argument("--only", nargs="*", help="names to look at")
    parser.add_argument("--also", type=Path, help="another folder of pictures with truth")
    parser.add_argument("--keep", type=Path, help="folder in which counted threads are kept between trials")
    parser.add_argument(
        "--rail", action="store_true", help="the four photos of one long band beside the rail instead"
    )
    chosen = parser.parse_args()
    if chosen.rail:
        from .rail import measure_rail, render_rail

        if chosen.render:
            render_rail(chosen.folder)
        print(measure_rail(chosen.folder))
        return
    names = [n for n in BANDS if not chosen.only or n in chosen.only]
    if chosen.render:
        from .render import render_bands

        render_bands(chosen.folder, names)
    photos = [chosen.folder / f"{n}.jpg" for n in names if (chosen.folder / f"{n}.jpg").exists()]
    if chosen.also is not None:
        more = sorted(chosen.also.glob("*.jpg"))
        photos += [p for p in more if not chosen.only or p.stem in chosen.only]
    scores = []
    for path in photos:
        found = _measure(path, chosen.keep)
        if found is not None:
            scores.append(found)
            print(_line(found), flush=True)
    print(_summary(scores))


def _measure(path: Path, keep: Path | None) -> Score | None:
    truth = json.loads(path.with_suffix(".json").read_text())
    if truth["kind"] != "woven":
        return None
    kept = None if keep is None else keep / f"{path.stem}.pickle"
    if kept is not None and kept.exists():
        measurement = pickle.loads(kept.read_bytes())
    else:
        try:
            request = Request(scan=bool(truth.get("dpi")), warp=way_of_warp(truth))
            _, measurement = measure_photo(path, request)
        except PickglassError as error:
            print(f"{path.stem}: {error.problem}", file=sys.stderr)
            return None
        if kept is not None:
            kept.parent.mkdir(parents=True, exist_ok=True)
            kept.write_bytes(pickle.dumps(measurement))
    found = score(measurement, measure_evenness(read_trace(measurement)), truth)
    found.name = path.stem
    return found


def _line(s: Score) -> str:
    width = "    –" if s.width_rms_mm is None else f"{s.width_rms_mm:5.2f} ({s.width_bias_mm:+.2f})"
    steps = f"{len(s.step_errors_mm)}/{len(s.steps_planted)}"
    errors = " ".join(f"{e:+.1f}" for e in s.step_errors_mm)
    faults = f"{len(s.faults_found)}/{len(s.faults_planted)}"
    missed = [k for k in s.faults_planted if k not in s.faults_found]
    notes = [f"missed {k} at {at:.0f}" for k, at in missed]
    notes += [f"false {k} at {at:.0f}" for k, at in s.faults_false]
    notes += [f"false step of {of} {change:+.1f} % at {at:.0f}" for of, at, change in s.steps_false]
    notes += ["possible step rightly told"] * s.possible_found
    notes += [f"possible step of {of} {change:+.1f} % at {at:.0f}" for of, at, change in s.possible_false]
    return (
        f"{s.name:22s} {s.verdict:9s} ppi {s.ppi_rms_percent:5.2f} %  width {width:14s}  steps {steps} [{errors}]  "
        f"faults {faults}  {'; '.join(notes)}"
    )


def _summary(scores: list[Score]) -> str:
    if not scores:
        return "nothing to measure"
    ppi = np.array([s.ppi_rms_percent for s in scores])
    width = np.array([s.width_rms_mm for s in scores if s.width_rms_mm is not None])
    errors = np.array([e for s in scores for e in s.step_errors_mm])
    far = float(np.abs(errors).mean()) if len(errors) else 0.0
    planted = sum(len(s.steps_planted) for s in scores)
    stepless = [s for s in scores if not s.steps_planted]
    metres = sum(s.length_mm for s in scores) / 1000
    unbiased = np.array(
        [
            np.sqrt(max(s.width_rms_mm**2 - s.width_bias_mm**2, 0.0))
            for s in scores
            if s.width_rms_mm is not None and s.width_bias_mm is not None
        ]
    )
    lines = [
        "",
        f"local picks per inch: RMS error at most 1.5 % in {np.sum(ppi <= 1.5)} of {len(ppi)}, median {np.median(ppi):.2f} %",
        f"width: RMS error at most 0.3 mm in {np.sum(width <= 0.3)} of {len(width)}, median {np.median(width):.2f} mm",
        f"  without the constant of each photo in {np.sum(unbiased <= 0.3)} of {len(unbiased)}",
        f"steps: {len(errors)} of {planted} found within 6 mm, mean distance {far:.1f} mm",
        f"bands without steps: {sum(bool(s.steps_false) for s in stepless)} of {len(stepless)} show one",
        (
            f"told as possible: {sum(s.possible_found for s in scores)} more of the planted steps; "
            f"where none is in {sum(bool(s.possible_false) for s in stepless)} of {len(stepless)}"
        ),
    ]
    kinds = sorted({k for s in scores for k, _ in s.faults_planted})
    for kind in kinds:
        every = sum(k == kind for s in scores for k, _ in s.faults_planted)
        found = sum(k == kind for s in scores for k, _ in s.faults_found)
        lines.append(f"  {kind}: {found} of {every} found")
    false = [k for s in scores for k, _ in s.faults_false]
    found = sum(len(s.faults_found) for s in scores)
    total = sum(len(s.faults_planted) for s in scores)
    lines.append(
        f"faults: recall {found} of {total}, precision {found} of {found + len(false)}; "
        f"{sum(s.thick_places for s in scores)} more on slubs of the yarn, {len(false)} false in {metres:.1f} m = {len(false) / metres:.2f} per metre {sorted(set(false)) if false else ''}"
    )
    return "\n".join(lines)


if __name__ == "__main__":
    main()
