"""How well a wash is measured: pairs of rendered photos with known truth, whole and in part.

    python tests/pairs FOLDER... [--jobs 2] [--only NAME] [--whole] [--summary] [--markdown]

FOLDER holds NAME.jpg beside NAME.json, some of them with the key "pair" as in `sample_images/`. From each photo others
are made by its truth: turned by half a circle, mirrored (the other face), laid on a scanner, with a printed pocket card
instead of the bank card, and parts of the scan. Every change is compared with the true change of thread spacing.
"""

import argparse
import os
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
os.environ.setdefault("OMP_NUM_THREADS", "1")

from accuracy.table import render

from pairs.measuring import COMPARED, WHOLE, Score, find_pairs, score_pairs


def main() -> None:
    parser = argparse.ArgumentParser(prog="python tests/pairs", description=__doc__.split("\n")[0])
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--jobs", type=int, default=1, help="photos measured at the same time")
    parser.add_argument("--only", help="only pairs whose name contains this")
    parser.add_argument("--whole", action="store_true", help="leave out the parts")
    parser.add_argument("--summary", action="store_true", help="leave out the line for each direction")
    parser.add_argument("--markdown", action="store_true")
    asked = parser.parse_args()
    pairs = [p for p in find_pairs(asked.folders) if asked.only is None or asked.only in p.after.stem]
    if not pairs:
        raise SystemExit("No photo there names the one before its wash.")
    compared = tuple(c for c in COMPARED if c[0] == WHOLE or not asked.whole)
    scores = score_pairs(pairs, compared, asked.jobs)
    if not asked.summary:
        print(render(_rows(scores), markdown=asked.markdown), end="\n\n")
    print(render(_summary(scores), markdown=asked.markdown))


def _rows(scores: list[Score]) -> list[list[str]]:
    rows = [
        [
            "after",
            "compared",
            "",
            "truth",
            "reading",
            "error",
            "± (95 %)",
            "inside",
            "same threads",
            "verdict",
        ]
    ]
    for s in scores:
        if s.reading is None or s.u95 is None or s.error is None:
            rows.append(
                [s.name, s.views, s.way, f"{s.truth:.2f}", "", "", "", "", "", f"{s.verdict}: {s.why}"]
            )
            continue
        inside = "yes" if abs(s.error) <= s.u95 else "NO"
        told = f"{s.verdict} {s.why}".strip()
        numbers = [f"{s.truth:.2f}", f"{s.reading:.2f}", f"{s.error:+.2f}", f"{s.u95:.2f}"]
        rows.append([s.name, s.views, s.way, *numbers, inside, str(s.common or "–"), told])
    return rows


def _summary(scores: list[Score]) -> list[list[str]]:
    header = (
        "compared, directions, refused, unsure, same threads found, within 0.6, within 1.0, largest error, "
    )
    header += "inside 95 %, middle ±"
    rows = [header.split(", ")]
    groups: dict[str, list[Score]] = {}
    for s in scores:
        groups.setdefault(f"{s.group}: {s.views}" if s.group == WHOLE else "part", []).append(s)
        if s.group != WHOLE:
            found = "same threads recognised" if s.common else "no thread recognised"
            groups.setdefault(f"part, {found}", []).append(s)
        else:
            groups.setdefault("whole, all", []).append(s)
    for name in sorted(groups, key=lambda n: (n.startswith("part"), n)):
        rows.append(_line(name, groups[name]))
    return rows


def _line(name: str, scores: list[Score]) -> list[str]:
    read = [(abs(s.error), s.u95) for s in scores if s.error is not None and s.u95 is not None]
    count = len(scores)

    def share(number: int) -> str:
        return f"{100 * number / count:.0f} %"

    middle = sorted(u for _, u in read)[len(read) // 2] if read else float("nan")
    return [
        name,
        str(count),
        str(sum(s.verdict == "refused" for s in scores)),
        str(sum(s.verdict == "unsure" for s in scores)),
        str(sum(s.common > 0 for s in scores)),
        share(sum(e <= 0.6 for e, _ in read)),
        share(sum(e <= 1.0 for e, _ in read)),
        f"{max((e for e, _ in read), default=float('nan')):.2f}",
        share(sum(e <= u for e, u in read)),
        f"{middle:.2f}",
    ]


if __name__ == "__main__":
    main()
