"""Accuracy of pickglass over a folder of photos with known truth.

    python tests/accuracy FOLDER [--jobs 2] [--only NAME] [--markdown | --json]

FOLDER holds NAME.jpg beside NAME.json (true values, as sample_images/README.md describes) or a truth.csv of hand
counts with img/, and optionally negatives.csv with negatives/. Every photo is measured as a weaver would: no hints,
except `--scan` for scans and `--warp across` for a squarish sample whose warp does not run down the photo.
"""

import argparse
import json
import os
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from accuracy.cases import load_cases
from accuracy.judge import judge
from accuracy.table import as_document, negative_rows, numbers, photo_rows, render, summary_rows


def main() -> None:
    parser = argparse.ArgumentParser(prog="python tests/accuracy", description=__doc__.split("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--jobs", type=int, default=1, help="photos measured at the same time")
    parser.add_argument("--only", help="measure only photos whose name contains this")
    parser.add_argument("--summary", action="store_true", help="leave out the line for each photo")
    parser.add_argument("--markdown", action="store_true")
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    cases = [case for case in load_cases(asked.folder) if asked.only is None or asked.only in case.path.stem]
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    if asked.jobs > 1:
        with ProcessPoolExecutor(asked.jobs) as pool:
            scores = list(pool.map(judge, cases))
    else:
        scores = [judge(case) for case in cases]
    if asked.json:
        print(json.dumps(as_document(scores), indent=1))
        return
    woven, negative = any(s.woven for s in scores), any(not s.woven for s in scores)
    parts = []
    if woven and not asked.summary:
        parts.append(render(photo_rows(scores), markdown=asked.markdown))
    if negative and not asked.summary:
        parts.append(render(negative_rows(scores), markdown=asked.markdown))
    if woven:
        parts.append(render(summary_rows(scores), markdown=asked.markdown))
    if negative:
        parts.append(numbers(scores))
    print("\n\n".join(parts))


if __name__ == "__main__":
    main()
