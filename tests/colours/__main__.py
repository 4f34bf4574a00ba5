"""How well the colour order of the warp is read: photos with known truth, through the product from end to end.

    python tests/colours FOLDER... [--jobs 2] [--only NAME] [--summary] [--markdown]

FOLDER holds NAME.jpg beside NAME.json as in `sample_images/`. Every photo is measured without hints (`--scan` for
scans); the ends that were followed are read and compared with the true order, whichever side it begins at. An end too
many counts as a mistake of its own; *sure and wrong* are the mistakes that are not marked for the weaver to look at.
"""

import argparse
import json
import os
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
os.environ.setdefault("OMP_NUM_THREADS", "1")

from accuracy.cases import Case, load_cases
from accuracy.table import render

from colours.scoring import OrderScore, score_order
from pickglass.calibration.errors import PickglassError
from pickglass.cli.pipeline import measure_photo
from pickglass.measure.end_colours import read_tracked_colours


def judge(case: Case) -> OrderScore | str:
    """Measure one photo; return its score, or why there is none."""
    try:
        _, found = measure_photo(case.path, case.request)
        reading = read_tracked_colours(
            found.patch.bgr, found.patch.mask, found.tracks.ends, face=found.result.weave.face
        )
    except PickglassError as error:
        return error.code
    if not reading.visible:
        return "the weft covers the ends"
    truth = json.loads(case.path.with_suffix(".json").read_text(encoding="utf-8"))
    return score_order(reading, truth["warp_colour_sequence"])


def main() -> None:
    parser = argparse.ArgumentParser(prog="python tests/colours", description=__doc__.split("\n")[0])
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--jobs", type=int, default=1, help="photos measured at the same time")
    parser.add_argument("--only", help="only photos whose name contains this")
    parser.add_argument("--summary", action="store_true", help="leave out the line for each photo")
    parser.add_argument("--markdown", action="store_true")
    asked = parser.parse_args()
    cases = [case for folder in asked.folders for case in load_cases(folder) if case.woven]
    cases = [case for case in cases if asked.only is None or asked.only in case.path.stem]
    if asked.jobs > 1:
        with ProcessPoolExecutor(asked.jobs) as pool:
            scores = list(pool.map(judge, cases))
    else:
        scores = [judge(case) for case in cases]
    if not asked.summary:
        print(render(_rows(cases, scores), markdown=asked.markdown), end="\n\n")
    print(render(_summary(scores), markdown=asked.markdown))


def _rows(cases: list[Case], scores: list[OrderScore | str]) -> list[list[str]]:
    rows = [
        ["photo", "ends", "read", "right", "wrong", "extra", "missing", "unsure", "colours", "sure and wrong"]
    ]
    for case, s in zip(cases, scores, strict=True):
        if isinstance(s, str):
            rows.append([case.path.stem, *[""] * 8, s])
            continue
        mistakes = ", ".join(map(str, s.sure_mistakes)) or "–"
        numbers = [s.ends, s.read, s.right, s.wrong, s.extra, s.missing, s.unsure]
        rows.append([case.path.stem, *map(str, numbers), f"{s.colours_read} of {s.colours}", mistakes])
    return rows


def _summary(scores: list[OrderScore | str]) -> list[list[str]]:
    read = [s for s in scores if not isinstance(s, str)]
    ends, right = sum(s.ends for s in read), sum(s.right for s in read)
    many = [s for s in read if s.colours > 1]
    rows = [
        [
            "warps",
            "ends",
            "right",
            "of those with stripes",
            "wrong",
            "extra",
            "missing",
            "unsure",
            "sure and wrong",
        ]
    ]
    rows.append(
        [
            f"{len(read)} of {len(scores)}",
            str(ends),
            _percent(right, ends),
            _percent(sum(s.right for s in many), sum(s.ends for s in many)),
            str(sum(s.wrong for s in read)),
            str(sum(s.extra for s in read)),
            str(sum(s.missing for s in read)),
            str(sum(s.unsure for s in read)),
            str(sum(len(s.sure_mistakes) for s in read)),
        ]
    )
    return rows


def _percent(part: int, whole: int) -> str:
    return f"{100 * part / whole:.1f} %" if whole else "–"


if __name__ == "__main__":
    main()
