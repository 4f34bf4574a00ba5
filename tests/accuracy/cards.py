"""Accuracy of the scale over a folder of photos of cards with known truth.

    python tests/accuracy/cards.py FOLDER [--only NAME] [--summary] [--markdown | --json]

FOLDER holds NAME.jpg beside NAME.json, either from `sample_images/card_photos.py` (true places and scales where cloth
would lie) or scenes of cloth beside a card with its homography and distortion. The scale found is compared with the
true one over the place of the cloth, in the plane of the card; printed cards count as checked (bars of 100.0 mm).
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from accuracy.table import render

from pickglass.calibration.card_memory import CheckBars
from pickglass.calibration.errors import PickglassError
from pickglass.calibration.photo import load_photo
from pickglass.calibration.plane import Lens, Plane
from pickglass.calibration.scale import find_scale

CHECKED = {code: CheckBars(across_mm=100.0, upright_mm=100.0) for code in ("A4-1", "POCKET-1", "RAIL-1")}


@dataclass(frozen=True)
class CardScore:
    """One photo: the error of the scale at the cloth (mean over its area, and the worst place) in percent."""

    name: str
    card: str
    refused: str | None
    mean_percent: float | None = None
    worst_percent: float | None = None
    u95_percent: float | None = None
    tilt_error_deg: float | None = None
    told: str = ""

    @property
    def covered(self) -> bool | None:
        """Whether the true scale lies inside the stated interval."""
        if self.mean_percent is None or self.u95_percent is None:
            return None
        return abs(self.mean_percent) <= self.u95_percent


def true_scales(truth: dict[str, Any]) -> tuple[NDArray[np.float64], NDArray[np.float64], float] | None:
    """Return photo points where the cloth lies, the true scale there, and the tilt; None for a picture without card."""
    if "points_px" in truth:
        return np.array(truth["points_px"]), np.array(truth["px_per_mm"]), float(truth["tilt_deg"])
    if not truth.get("card") or "homography_card_top_mm_to_undistorted_px" not in truth:
        return None
    bend = truth["distortion"]
    lens = Lens(focal_px=bend["f_px"], centre_px=(bend["cx"], bend["cy"]), k1=bend["k1"])
    exact = Plane(
        px_from_mm=np.array(truth["homography_card_top_mm_to_undistorted_px"]), source="bank-card", lens=lens
    )
    if "sample_polygon_px" in truth:
        outline = np.array(truth["sample_polygon_px"])[:, :2]
        middle = outline.mean(axis=0)
        around = middle + 0.6 * (outline[:: max(1, len(outline) // 16)] - middle)
        points = np.concatenate([middle[None], around])
    else:
        x, y = np.meshgrid([0.35, 0.5, 0.65], [0.35, 0.5, 0.65])
        points = np.column_stack([x.ravel(), y.ravel()]) * np.array(truth["image_size"])
    scales = np.array([exact.px_per_mm_at(place) for place in exact.to_mm(points)])
    return points, scales, float(truth["camera"]["tilt_deg"])


def judge(picture: Path) -> CardScore | None:
    """Compare the scale found in one photo with the truth beside it; None where there is no truth of a card."""
    truth = json.loads(picture.with_suffix(".json").read_text(encoding="utf-8"))
    known = true_scales(truth)
    if known is None:
        return None
    points, scales, tilt = known
    try:
        plane = find_scale(load_photo(picture), checks=CHECKED)
    except PickglassError as error:
        return CardScore(name=picture.stem, card="not found", refused=error.code)
    places = plane.to_mm(points)
    errors = np.array(
        [100.0 * (plane.px_per_mm_at(p) / s - 1.0) for p, s in zip(places, scales, strict=True)]
    )
    return CardScore(
        name=picture.stem,
        card=plane.source,
        refused=None,
        mean_percent=float(errors.mean()),
        worst_percent=float(np.abs(errors).max()),
        u95_percent=plane.u95_percent,
        tilt_error_deg=None if plane.tilt_deg is None else abs(plane.tilt_deg - tilt),
        told=" ".join(notice.code for notice in plane.notices),
    )


def photo_rows(scores: list[CardScore]) -> list[list[str]]:
    """Return a line for each photo."""
    rows = [["photo", "mean error %", "worst place %", "stated ± %", "inside", "tilt off by °", "told"]]
    for score in scores:
        if score.mean_percent is None or score.worst_percent is None or score.u95_percent is None:
            rows.append([score.name, "–", "–", "–", "–", "–", f"refused: {score.refused}"])
            continue
        tilt = "–" if score.tilt_error_deg is None else f"{score.tilt_error_deg:.2f}"
        figures = [f"{score.mean_percent:+.3f}", f"{score.worst_percent:.3f}", f"{score.u95_percent:.2f}"]
        rows.append([score.name, *figures, "yes" if score.covered else "NO", tilt, score.told])
    return rows


def summary_rows(scores: list[CardScore]) -> list[list[str]]:
    """Return a line for each kind of card."""
    rows = [
        [
            "card",
            "photos",
            "refused",
            "mean %",
            "95th percentile %",
            "worst %",
            "inside 95 %",
            "tilt: worst °",
        ]
    ]
    for card in dict.fromkeys(score.card for score in scores):
        own = [score for score in scores if score.card == card]
        errors = np.abs([s.mean_percent for s in own if s.mean_percent is not None])
        tilts = [s.tilt_error_deg for s in own if s.tilt_error_deg is not None]
        if not len(errors):
            rows.append([card, str(len(own)), str(len(own)), *["–"] * 5])
            continue
        rows.append(
            [
                card,
                str(len(own)),
                str(sum(s.refused is not None for s in own)),
                f"{errors.mean():.3f}",
                f"{np.percentile(errors, 95):.3f}",
                f"{errors.max():.3f}",
                f"{100 * np.mean([bool(s.covered) for s in own if s.covered is not None]):.0f} %",
                f"{max(tilts, default=math.nan):.2f}",
            ]
        )
    return rows


def main() -> None:
    """Read the command line and print the table."""
    parser = argparse.ArgumentParser(
        prog="python tests/accuracy/cards.py", description=__doc__.split("\n")[0]
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--only", help="only photos whose name contains this")
    parser.add_argument("--summary", action="store_true", help="leave out the line for each photo")
    parser.add_argument("--markdown", action="store_true")
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    pictures = [p.with_suffix(".jpg") for p in sorted(asked.folder.glob("*.json"))]
    pictures = [p for p in pictures if p.is_file() and (asked.only is None or asked.only in p.stem)]
    scores = [score for score in map(judge, pictures) if score is not None]
    if asked.json:
        print(json.dumps([asdict(score) | {"covered": score.covered} for score in scores], indent=1))
        return
    if not asked.summary:
        print(render(photo_rows(scores), markdown=asked.markdown), end="\n\n")
    print(render(summary_rows(scores), markdown=asked.markdown))


if __name__ == "__main__":
    main()
