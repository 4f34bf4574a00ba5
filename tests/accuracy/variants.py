"""Pictures of whole cloth cut, turned and scaled: does a reading hold when the same cloth is shown otherwise?

    cd tests; python -m accuracy.variants FOLDER [--only NAME] [--variant NAME] [--markdown]

FOLDER holds a `truth.csv` of hand counts with `img/` (and `negatives.csv` with `negatives/`) as for the accuracy command. No variant
is a new cloth, and network and weights have seen the pictures themselves, so this is no held-out test; but a reading that hangs by a
hair changes from variant to variant, and new photos will fail as often as variants do. A part of a picture may
truly be woven closer or wider than the whole: that shows as an error of a few percent, while a wrong multiple is off by a
quarter and more.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pickglass.calibration.photo import Photo

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from accuracy.cases import Case, DirectionTruth, load_cases
from accuracy.judge import PhotoScore, judge
from accuracy.table import render

__all__ = ["VARIANTS", "Variant", "true_of", "variant_rows"]

MULTIPLE_PERCENT = 15.0  # beyond this it is another thread that was read, not another part of the cloth


@dataclass(frozen=True, slots=True)
class Variant:
    """How the picture is changed, by how much it is enlarged, and whether upright threads then lie level."""

    change: Callable[[NDArray[np.uint8]], NDArray[np.uint8]]
    enlarged: float = 1.0
    quarter_turn: bool = False


def _cut(
    bgr: NDArray[np.uint8], rows: tuple[float, float], columns: tuple[float, float]
) -> NDArray[np.uint8]:
    height, width = bgr.shape[:2]
    top, bottom = (round(part * height) for part in rows)
    left, right = (round(part * width) for part in columns)
    return bgr[top:bottom, left:right]


def _scaled(bgr: NDArray[np.uint8], factor: float) -> NDArray[np.uint8]:
    how = cv2.INTER_AREA if factor < 1.0 else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(bgr, None, fx=factor, fy=factor, interpolation=how), dtype=np.uint8)


def _darkened(bgr: NDArray[np.uint8], gamma: float) -> NDArray[np.uint8]:
    return np.rint(255.0 * (bgr / 255.0) ** gamma).astype(np.uint8)


_WHOLE = (0.0, 1.0)
VARIANTS = {
    "as it is": Variant(lambda bgr: bgr),
    "left part": Variant(partial(_cut, rows=_WHOLE, columns=(0.0, 0.6))),
    "right part": Variant(partial(_cut, rows=_WHOLE, columns=(0.4, 1.0))),
    "upper part": Variant(partial(_cut, rows=(0.0, 0.6), columns=_WHOLE)),
    "lower part": Variant(partial(_cut, rows=(0.4, 1.0), columns=_WHOLE)),
    "quarter turn": Variant(lambda bgr: bgr.transpose(1, 0, 2)[:, ::-1], quarter_turn=True),
    "mirrored": Variant(lambda bgr: bgr[:, ::-1]),
    "enlarged 1.3 times": Variant(partial(_scaled, factor=1.3), enlarged=1.3),
    "reduced to 0.85": Variant(partial(_scaled, factor=0.85), enlarged=0.85),
    "darkened": Variant(partial(_darkened, gamma=1.6)),
    "negative": Variant(lambda bgr: 255 - bgr),
}


def true_of(case: Case, variant: Variant) -> Case:
    """Return the case with the densities that the changed picture shows."""

    def scaled(truth: DirectionTruth | None) -> DirectionTruth | None:
        return None if truth is None else replace(truth, density=truth.density / variant.enlarged, count=None)

    ends, picks = (case.picks, case.ends) if variant.quarter_turn else (case.ends, case.picks)
    return replace(case, ends=scaled(ends), picks=scaled(picks))


def _judged(name: str, case: Case) -> PhotoScore:
    variant = VARIANTS[name]

    def changed(photo: Photo) -> Photo:
        return replace(photo, bgr=np.ascontiguousarray(variant.change(photo.bgr)))

    return replace(judge(true_of(case, variant), change=changed), group=name)


def variant_rows(scores: list[PhotoScore]) -> list[list[str]]:
    """Return one row for each variant, header first."""
    rows = [
        ["variant", "directions", "measured, allowed", "off by more", "another multiple", "unsure", "refused"]
    ]
    rows[0] += ["not woven: refused", "unsure", "measured"]
    for name in dict.fromkeys(score.group for score in scores):
        of_it = [score for score in scores if score.group == name]
        woven = [
            (score.verdict, abs(direction.error_percent or 0.0), direction.allowed_percent or 0.0)
            for score in of_it
            if score.woven
            for direction in (score.ends, score.picks)
            if direction is not None
        ]
        measured = [(error, allowed) for verdict, error, allowed in woven if verdict == "measured"]
        other = [score.verdict for score in of_it if not score.woven]
        counts = [
            len(woven),
            sum(error <= allowed for error, allowed in measured),
            sum(allowed < error <= MULTIPLE_PERCENT for error, allowed in measured),
            sum(error > MULTIPLE_PERCENT for error, _ in measured),
            sum(verdict == "unsure" for verdict, *_ in woven),
            sum(verdict not in {"measured", "unsure"} for verdict, *_ in woven),
            *(other.count(verdict) for verdict in ("refused", "unsure", "measured")),
        ]
        rows.append([name, *map(str, counts)])
    return rows


def _failing(scores: list[PhotoScore]) -> list[str]:
    lines = []
    for score in scores:
        errors = [
            "–"
            if direction is None or direction.error_percent is None
            else f"{direction.error_percent:+.1f} %"
            for direction in (score.ends, score.picks)
        ]
        allowed = [
            direction is None or abs(direction.error_percent or 0.0) <= (direction.allowed_percent or 0.0)
            for direction in (score.ends, score.picks)
        ]
        if score.woven and (score.verdict != "measured" or not all(allowed)):
            lines.append(f"{score.group}: {score.name}: {score.verdict} {' '.join(errors)} {score.code}")
        if not score.woven and score.verdict != "refused":
            lines.append(f"{score.group}: {score.name}: {score.verdict}, but not woven")
    return lines


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m accuracy.variants", description=__doc__.split("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--only", help="only pictures whose name contains this")
    parser.add_argument("--variant", action="append", choices=list(VARIANTS))
    parser.add_argument("--markdown", action="store_true")
    asked = parser.parse_args()
    cases = [case for case in load_cases(asked.folder) if asked.only is None or asked.only in case.path.stem]
    jobs = [(name, case) for name in asked.variant or VARIANTS for case in cases]
    scores = []
    for name, case in jobs:
        scores.append(_judged(name, case))
        print(f"\r{len(scores)} of {len(jobs)}", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    print(render(variant_rows(scores), markdown=asked.markdown))
    print("\n".join(["", *_failing(scores)]))


if __name__ == "__main__":
    main()
