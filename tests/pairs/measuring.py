"""Measures pairs of photos in every view and compares the changes with the truth."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from pickglass.calibration.errors import PickglassError
from pickglass.cli.pipeline import measure_loaded
from pickglass.measure.common_stretch import find_common
from pickglass.measure.same_sample import differences
from pickglass.measure.sett import SettMeasurement
from pickglass.measure.shrinkage import compare_sizes

from .views import PARTS, VIEWS, read_truth, view_of

__all__ = ["COMPARED", "Pair", "Score", "find_pairs", "score_pairs"]

WHOLE, PART = "whole", "part"
# What is compared: group, view before, view after.
COMPARED: tuple[tuple[str, str, str], ...] = (
    *((WHOLE, "as taken", view) for view in VIEWS),
    *((PART, "as taken", part) for part in PARTS),
    (PART, "first half", "middle"),
    (PART, "middle", "later middle"),
    (PART, "inside", "middle"),
    (PART, "corner", "corner"),
    (PART, "inside", "corner"),
    (PART, "first half", "corner"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """Two photos of one sample and the true change of its thread spacing, percent, minus for shrinkage."""

    before: Path
    after: Path
    warpwise: float
    weftwise: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """One direction of one comparison; `reading` is None where it was refused (`why`)."""

    group: str
    name: str
    views: str
    way: str
    truth: float
    reading: float | None = None
    u95: float | None = None
    common: int = 0
    verdict: str = "refused"
    why: str = ""

    @property
    def error(self) -> float | None:
        """Reading minus truth, percentage points."""
        return None if self.reading is None else self.reading - self.truth


def find_pairs(folders: list[Path]) -> list[Pair]:
    """Return every photo whose true values name the one before it."""
    pairs = []
    for path in sorted(p for folder in folders for p in folder.glob("*.json")):
        truth = read_truth(path)
        told = truth.get("pair") or {}
        if told.get("role") != "after":
            continue
        before = path.with_name(f"{told['partner']}.jpg")
        shrank = told["shrinkage"]
        pairs.append(
            Pair(
                before=before,
                after=path.with_suffix(".jpg"),
                warpwise=-shrank["warp_percent"],
                weftwise=-shrank["weft_percent"],
            )
        )
    return pairs


def _measure(task: tuple[Path, str]) -> SettMeasurement | PickglassError:
    view = view_of(*task)
    try:
        return measure_loaded(view.photo, view.request)
    except PickglassError as error:
        return error


def score_pairs(pairs: list[Pair], compared: tuple[tuple[str, str, str], ...], jobs: int = 1) -> list[Score]:
    """Measure every view that is needed once and score every comparison."""
    tasks = list(
        dict.fromkeys(
            task
            for pair in pairs
            for _, one, other in compared
            for task in ((pair.before, one), (pair.after, other))
        )
    )
    if jobs > 1:
        with ProcessPoolExecutor(jobs) as pool:
            found = dict(zip(tasks, pool.map(_measure, tasks), strict=True))
    else:
        found = {task: _measure(task) for task in tasks}
    scores = []
    for group, one, other in compared:
        for pair in pairs:
            scores += _score(group, pair, (one, other), found[pair.before, one], found[pair.after, other])
    return scores


def _score(
    group: str,
    pair: Pair,
    views: tuple[str, str],
    before: SettMeasurement | PickglassError,
    after: SettMeasurement | PickglassError,
) -> list[Score]:
    name, shown = pair.after.stem, " → ".join(views)
    truths = {"warpwise": pair.warpwise, "weftwise": pair.weftwise}

    def refused(why: str) -> list[Score]:
        return [
            Score(group=group, name=name, views=shown, way=w, truth=t, why=why) for w, t in truths.items()
        ]

    for one in (before, after):
        if isinstance(one, PickglassError):
            return refused(one.code)
    assert isinstance(before, SettMeasurement)
    assert isinstance(after, SettMeasurement)
    common = find_common(before, after)
    if reasons := differences(before, after, common):
        return refused("; ".join(reasons))
    size = compare_sizes(before, after, common=common)
    threads = {"warpwise": size.common_picks, "weftwise": size.common_ends}
    changes = {"warpwise": size.warpwise, "weftwise": size.weftwise}
    return [
        Score(
            group=group,
            name=name,
            views=shown,
            way=way,
            truth=truth,
            reading=changes[way].change_percent,
            u95=changes[way].u95_percent,
            common=threads[way],
            verdict=size.verdict,
            why=",".join(notice.code for notice in size.notices),
        )
        for way, truth in truths.items()
    ]
