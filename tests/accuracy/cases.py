"""Photos with known truth: what to measure, how, and what should come out."""

from __future__ import annotations

import csv
import json
import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pickglass.cli.pipeline import Request

__all__ = ["Case", "DirectionTruth", "load_cases"]

# A sample this much longer than wide is a band: its length tells where the warp runs. For all others the weaver
# knows, and says so where the warp does not run down the photo.
BAND_RATIO = 1.5

_WEAVES = {
    "plain": "plain",
    "warp_faced": "plain",
    "weft_faced": "plain",
    "basket22": "basket",
    "twill21": "twill",
    "twill22": "twill",
    "satin5": "satin",
    "satin8": "satin",
    "herringbone": "twill",  # a twill that turns; sett names the family
    "point_twill": "twill",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class DirectionTruth:
    """The true density of one thread system, per inch or per 1000 px, and the thread count if all are seen.

    Rendered truth is exact. A hand count has a doubt of its own, `u95_percent`, and `allowed_percent`, the larger of
    2 % and one thread over the counted span.
    """

    density: float
    count: int | None = None
    u95_percent: float = 0.0
    allowed_percent: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One photo; ``ends is None and picks is None`` and ``woven is False`` where it must be refused."""

    path: Path
    group: str
    woven: bool
    request: Request = field(default_factory=Request)
    ends: DirectionTruth | None = None
    picks: DirectionTruth | None = None
    width_mm: float | None = None
    weave: str | None = None


def load_cases(folder: Path) -> list[Case]:
    """Read the truth of every photo in `folder`.

    Raises
    ------
    FileNotFoundError
        When the folder holds neither NAME.jpg beside NAME.json nor a truth.csv.
    """
    if (folder / "truth.csv").is_file():
        return [*_counted_by_hand(folder), *_negatives(folder)]
    cases = [_scene(path) for path in sorted(folder.glob("*.json")) if _picture_beside(path) is not None]
    if not cases:
        raise FileNotFoundError(
            f"{folder} holds no photo beside a .json of its true values, and no truth.csv."
        )
    return cases


def _picture_beside(path: Path) -> Path | None:
    for suffix in (".jpg", ".png", ".tif", ".webp", ".heic"):
        if path.with_suffix(suffix).is_file():
            return path.with_suffix(suffix)
    return None


def _scene(path: Path) -> Case:
    truth: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    picture = _picture_beside(path)
    assert picture is not None
    group = str(truth.get("difficulty", "demo"))
    request = Request(scan=bool(truth.get("dpi")), warp=way_of_warp(truth))
    if truth.get("kind") != "woven":
        return Case(path=picture, group=group, woven=False, request=request)
    whole = bool(truth.get("whole_sample_in_frame", True))
    return Case(
        path=picture,
        group=group,
        woven=True,
        request=request,
        ends=DirectionTruth(
            density=truth.get("epi_centre", truth["epi"]), count=truth["ends_total"] if whole else None
        ),
        picks=DirectionTruth(density=truth["ppi"], count=truth["picks_visible"] if whole else None),
        width_mm=truth.get("width_mean_mm"),
        weave=_WEAVES.get(truth["weave"], truth["weave"]),
    )


def way_of_warp(truth: dict[str, Any]) -> str:
    """Return the way of the warp that the weaver would have to say, "auto" where pickglass must find it."""
    axis = truth.get("end_mid_px"), truth.get("pick_axis_px")
    if axis[1] is None or len(axis[1]) < 2:
        return "auto"
    if truth["length_visible_mm"] >= BAND_RATIO * truth["width_mean_mm"]:
        return "auto"
    (x0, y0), (x1, y1) = axis[1][0][:2], axis[1][-1][:2]
    return "across" if abs(x1 - x0) > abs(y1 - y0) else "auto"


def _counted_by_hand(folder: Path) -> list[Case]:
    with (folder / "truth.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    request = Request(all_cloth=True, no_scale=True)
    return [
        Case(
            path=folder / "img" / row["file"],
            group="counted by hand",
            woven=True,
            request=request,
            ends=_hand_count(row, "x"),
            picks=_hand_count(row, "y"),
        )
        for row in rows
    ]


def _hand_count(row: dict[str, str], axis: str) -> DirectionTruth | None:
    if not row[f"threads_across_{axis}"]:
        return None
    threads, span_px = float(row[f"threads_across_{axis}"]), float(row[f"span_{axis}_px"])
    return DirectionTruth(
        density=1000.0 * threads / span_px,
        u95_percent=float(row[f"tolerance_percent_{axis}"]),
        allowed_percent=max(2.0, 100.0 / math.floor(threads)),
    )


def _negatives(folder: Path) -> list[Case]:
    listing = folder / "negatives.csv"
    if not listing.is_file():
        return []
    with listing.open(encoding="utf-8", newline="") as file:
        names = [row["file"] for row in csv.DictReader(file)]
    request = Request(all_cloth=True, no_scale=True)
    return [
        Case(path=folder / "negatives" / name, group="not woven", woven=False, request=request)
        for name in names
    ]
