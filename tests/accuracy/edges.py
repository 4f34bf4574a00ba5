"""Drawn selvedges whose outermost ends lie closer and wander: are they counted right, or doubted?

    cd tests; python -m accuracy.edges [--pieces 120] [--seed 9000]

Pieces of drawn cloth lie on a table (`selvedge_scene.py`); at the right selvedge three to six ends are crowded to a share of their spacing,
both selvedges wander by up to a spacing and show the turns of the weft. One row for each closeness; every piece that is counted wrong is
listed.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from selvedge_scene import CLOSENESS, draw_selvedges, random_selvedges

from pickglass.measure.edge_ends import follow_edges
from pickglass.measure.track import track_threads


def main() -> None:
    parser = argparse.ArgumentParser(prog="accuracy.edges", description=__doc__.split("\n")[0])
    parser.add_argument("--pieces", type=int, default=120)
    parser.add_argument("--seed", type=int, default=9000)
    asked = parser.parse_args()
    found: list[tuple[float, bool, bool, bool]] = []
    spent_s = 0.0
    for seed in range(asked.seed, asked.seed + asked.pieces):
        rng = np.random.default_rng(seed)
        piece = draw_selvedges(random_selvedges(rng), rng)
        drawn = piece.drawn
        tracks = track_threads(
            piece.bgr, piece.mask, pitch_x_px=drawn.pitch_px, pitch_y_px=drawn.pick_pitch_px
        )
        if not tracks.ends.count or not tracks.picks.count:
            print(f"{seed}: could not be followed")
            continue
        start = time.process_time()
        ends = follow_edges(piece.bgr, piece.mask, tracks).ends
        spent_s += time.process_time() - start
        inside = ends.count_low <= drawn.ends <= ends.count_high
        found.append((drawn.closeness, tracks.ends.count == drawn.ends, ends.count == drawn.ends, inside))
        if ends.count != drawn.ends:
            print(
                f"{seed}: crowded to {drawn.closeness:.2f}, wandering by {drawn.wander:.1f}: {drawn.ends} ends, "
                f"followed {tracks.ends.count}, then {ends.count} ({ends.count_low} to {ends.count_high})"
            )
    table = np.array(found, dtype=float)
    print(f"\n{'crowded to':12}{'pieces':>8}{'exact without':>14}{'exact':>8}{'inside 95 %':>13}")
    for name, rows in [(f"{c:.2f}", table[table[:, 0] == c]) for c in sorted(set(CLOSENESS))] + [
        ("all", table)
    ]:
        shares = "".join(
            f"{100 * v:{w}.0f} %" for v, w in zip(rows[:, 1:].mean(axis=0), (12, 6, 11), strict=True)
        )
        print(f"{name:12}{len(rows):8}{shares}")
    print(f"following the edges took {spent_s / len(found):.2f} s of CPU a piece")


if __name__ == "__main__":
    main()
