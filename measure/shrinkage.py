"""What a wash did, from two measured photos of one sample: three methods, each with its uncertainty, and their mean.

Threads are conserved in a wash, so the ratio of thread densities is the change of length, also where a photo shows only
a part. The outline and bench marks are read beside it, as a check and with their own weight.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from ..calibration.budget import COVERAGE_FACTOR
from ..calibration.errors import ScaleError
from ..calibration.notices import Notice
from ..calibration.units import MM_PER_INCH
from .bow_skew import pick_shape
from .common_stretch import CommonStretch, Stretch
from .results import SampleReading, ThreadReading, Verdict
from .same_sample import CREDIBLE_PERCENT
from .sett import SettMeasurement

__all__ = [
    "Change",
    "ChangeOfSize",
    "Direction",
    "Method",
    "combine_changes",
    "compare_sizes",
    "dimensional_change",
    "has_settled",
    "skew_percent",
    "woven_for_finished",
]

Method = Literal["thread_count", "outline", "marks"]
Direction = Literal["warpwise", "weftwise"]

FULLER_YARN_POINTS = 1.1
"""Outer edges may shrink this much less than the thread spacing, in percentage points: the yarn gets fuller
(from path-traced cloth with known yarn growth)."""

_BORDER_SHARE = (
    0.3  # a thread doubted at a border moves the mean spacing only by what its own spacing differs
)
_END_OF_WEAVING = 0.5  # of a pick spacing: how far off the outer edge of the first or last pick may be read
_HEIGHT_ALIKE = (
    0.9  # correlation of the height's error between two photos of one cloth: same thickness, same rule
)
_CARD_ON_TABLE_MM = {"bank-card": -0.61}  # lift less card: nothing beside the card lies deeper than that
_PAPER_ON_TABLE_MM = 0.05
_PART_PERCENT = 2.0  # standard; what thirds of hand-woven samples differ by, where none can be looked at
_T95 = {2: 4.30, 4: 2.78}  # Student's t by degrees of freedom, 95 % (GUM, table G.2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A dimensional change in percent of the size before, minus for shrinkage (ISO 5077), and its 95 % uncertainty.

    Attributes
    ----------
    change_percent, u95_percent : float
        The change and its expanded uncertainty, both in percentage points; what both photos share is in it.
    own_u_percent : float
        Standard uncertainty of this method alone, without scale and height, which all methods share.
    shared_u_percent : float
        Standard uncertainty from the two scales and the cloth's height.
    """

    change_percent: float
    u95_percent: float
    own_u_percent: float
    shared_u_percent: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeOfSize:
    """What happened between two photos of one sample.

    Attributes
    ----------
    warpwise, weftwise : Change
        Headline: the change of thread spacing along the warp (from the picks) and along the weft (from the ends).
    area_change_percent, area_u95_percent : float
        Change of area.
    skew_before_percent, skew_after_percent : float or None
        Skew of the picks over the width (ASTM D3882).
    by_method : dict
        Method -> direction -> Change; a method that could not be used is missing.
    verdict : str
        ``"measured"`` or ``"unsure"``.
    notices : tuple of Notice
        Disagreements and doubts.
    common_ends, common_picks : int
        Threads recognised in both photos and compared with themselves; 0 where the mean spacings were compared.
    other_face : bool
        The second photo shows the other face of the cloth.
    """

    warpwise: Change
    weftwise: Change
    area_change_percent: float
    area_u95_percent: float
    skew_before_percent: float | None
    skew_after_percent: float | None
    by_method: dict[Method, dict[Direction, Change]]
    verdict: Verdict
    notices: tuple[Notice, ...] = field(default=())
    common_ends: int = 0
    common_picks: int = 0
    other_face: bool = False


def dimensional_change(before: float, after: float) -> float:
    """Return 100 * (after - before) / before, minus for shrinkage (ISO 5077)."""
    if not (before > 0 and after > 0):
        raise ValueError("sizes must be positive")
    return 100.0 * (after - before) / before


def woven_for_finished(finished: float, change_percent: float) -> float:
    """Return the size to weave so that `finished` remains after a dimensional change of `change_percent`."""
    if change_percent <= -100.0:
        raise ValueError("nothing would remain")
    return finished / (1.0 + change_percent / 100.0)


def has_settled(change: Change) -> bool:
    """Tell whether a change since the wash before is smaller than its uncertainty."""
    return abs(change.change_percent) < change.u95_percent


def combine_changes(changes: Sequence[Change]) -> Change:
    """Return the inverse-variance mean; what the methods share stays as it is (GUM 5.2, 5.1.2)."""
    if not changes:
        raise ValueError("no change to combine")
    weights = np.array([1.0 / max(c.own_u_percent, 1e-6) ** 2 for c in changes])
    value = float(np.dot(weights, [c.change_percent for c in changes]) / weights.sum())
    shared = max(c.shared_u_percent for c in changes)
    return _change(value, float(1.0 / math.sqrt(weights.sum())), shared)


def compare_sizes(
    before: SettMeasurement,
    after: SettMeasurement,
    *,
    marks: dict[Direction, Change] | None = None,
    common: CommonStretch | None = None,
) -> ChangeOfSize:
    """Compare two photos of one sample; see `same_sample` for whether they are.

    Parameters
    ----------
    before, after : SettMeasurement
        Both with a scale.
    marks : dict, optional
        Changes read from bench marks (`bench_marks.change_of_marks`).
    common : CommonStretch, optional
        The threads both photos show (`common_stretch.find_common`): these are then compared with themselves.

    Raises
    ------
    ScaleError
        One of the photos has no scale.
    """
    for one in (before, after):
        if one.plane.source == "none":
            raise ScaleError(
                "no-scale",
                f"{one.result.photo} has no scale, so its size cannot be compared.",
                "Lay a card beside the sample in each photo, or compare flat-bed scans with --scan.",
            )
    shared = 100.0 * math.hypot(
        *(m.plane.u95_percent / COVERAGE_FACTOR / 100.0 for m in (before, after)), _height_u(before, after)
    )
    by_method: dict[Method, dict[Direction, Change]] = {
        "thread_count": {
            "warpwise": _by_threads(before, after, "warpwise", shared, common.along if common else None),
            "weftwise": _by_threads(before, after, "weftwise", shared, common.across if common else None),
        }
    }
    outline = _by_outline(before, after, shared)
    if outline:
        by_method["outline"] = outline
    if marks:
        by_method["marks"] = {
            way: _change(c.change_percent, c.own_u_percent, shared) for way, c in marks.items()
        }
    notices = [*_doubts(before, after), *_disagreements(by_method)]
    warpwise, weftwise = (_headline(by_method, way) for way in ("warpwise", "weftwise"))
    for way, change in (("warpwise", warpwise), ("weftwise", weftwise)):
        if not CREDIBLE_PERCENT[0] <= change.change_percent <= CREDIBLE_PERCENT[1]:
            text = (
                f"A change of {change.change_percent:+.0f} % {way} is more than a wash does; probably the threads were "
                "read wrongly in one photo. Look at both with pickglass sett --picture."
            )
            notices.append(Notice("not-credible", text))
    area, area_u = _area(warpwise, weftwise)
    return ChangeOfSize(
        warpwise=warpwise,
        weftwise=weftwise,
        area_change_percent=area,
        area_u95_percent=area_u,
        skew_before_percent=skew_percent(before),
        skew_after_percent=_skew_after(after, common),
        by_method=by_method,
        verdict="unsure" if notices else "measured",
        notices=tuple(notices),
        common_ends=common.across.threads if common and common.across else 0,
        common_picks=common.along.threads if common and common.along else 0,
        other_face=common is not None and common.other_face,
    )


def _skew_after(after: SettMeasurement, common: CommonStretch | None) -> float | None:
    """Return the skew as it looks from the face that the first photo shows."""
    skew = skew_percent(after)
    return -skew if skew is not None and common is not None and common.other_face else skew


def skew_percent(measurement: SettMeasurement) -> float | None:
    """Return the mean skew of the picks in percent of the width (ASTM D3882); None where they were not followed."""
    picks = measurement.tracks.picks
    if picks.count < 4:
        return None
    scale = measurement.patch.px_per_mm
    return pick_shape(picks.stations_px / scale, picks.lines_px / scale).skew_percent


def _change(value: float, own_u: float, shared_u: float) -> Change:
    return Change(
        change_percent=value,
        u95_percent=COVERAGE_FACTOR * math.hypot(own_u, shared_u),
        own_u_percent=own_u,
        shared_u_percent=shared_u,
    )


def _by_threads(
    before: SettMeasurement, after: SettMeasurement, way: Direction, shared: float, same: Stretch | None
) -> Change:
    """Return the change by the same threads where they are known, by the mean spacing of all that show elsewhere."""
    sides = {"start", "end"} if way == "warpwise" else {"left", "right"}
    part = [bool(sides & m.sample.cut_off) for m in (before, after)]
    if same is not None:
        doubt = math.hypot(same.standard, same.uneven) if any(part) else same.standard
        return _change(dimensional_change(1.0, same.ratio), 100.0 * doubt, same.ratio * shared)
    one, other = (m.result.picks if way == "warpwise" else m.result.ends for m in (before, after))
    if one.per_inch is None or other.per_inch is None:
        raise ValueError("a scale is needed")
    ratio = one.per_inch / other.per_inch
    # The same threads, counted alike, cancel in the ratio whatever their true number.
    alike = not any(part) and one.count is not None and one.count == other.count
    doubts = [_thread_u(reading, 0.0 if alike else _BORDER_SHARE) for reading in (one, other)]
    if any(part):
        doubts.append(_part_u((one, other)) * math.sqrt(sum(part)))
    return _change(dimensional_change(1.0, ratio), ratio * math.hypot(*doubts), ratio * shared)


def _part_u(readings: tuple[ThreadReading, ThreadReading]) -> float:
    """Return how far a part may stand from the whole, percent.

    A part is one draw of a beat that varies: the standard uncertainty of the mean of its thirds (GUM 4.2.3), pooled over
    both photos. So few values tell little of a spread, so it is widened to give 95 % when doubled (GUM G.3.2).
    """
    variances = []
    for reading in readings:
        if reading.positions_mm is None or len(reading.positions_mm) < 9:
            continue
        thirds = [float(part.mean()) for part in np.array_split(np.diff(reading.positions_mm), 3)]
        variances.append(float(np.var(thirds, ddof=1)) / float(np.mean(thirds)) ** 2)
    if not variances:
        return _PART_PERCENT
    return 100.0 * math.sqrt(float(np.mean(variances)) / 3.0) * _T95[2 * len(variances)] / COVERAGE_FACTOR


def _thread_u(reading: ThreadReading, count_share: float) -> float:
    """Return the standard uncertainty of a density without scale and height, percent."""
    total = 0.0
    for line in reading.budget:
        if line.name in ("scale", "height of the cloth over the card"):
            continue
        share = count_share if line.name == "threads counted twice or left out" else 1.0
        total += (share * line.standard_percent) ** 2
    return math.sqrt(total)


def _by_outline(before: SettMeasurement, after: SettMeasurement, shared: float) -> dict[Direction, Change]:
    out: dict[Direction, Change] = {}
    first, second = before.result.sample, after.result.sample
    if first.length_mm and second.length_mm:
        doubt = math.hypot(*(_length_u(m) for m in (before, after)))
        value = dimensional_change(first.length_mm, second.length_mm)
        ratio = second.length_mm / first.length_mm
        out["warpwise"] = _change(value, ratio * doubt, ratio * shared)
    if first.width_mm and second.width_mm:
        doubt = 50.0 * math.hypot(*(_edges_u95_mm(s) / (s.width_mm or 1.0) for s in (first, second)))
        value = dimensional_change(first.width_mm, second.width_mm)
        ratio = second.width_mm / first.width_mm
        out["weftwise"] = _change(value, ratio * doubt, ratio * shared)
    return out


def _edges_u95_mm(sample: SampleReading) -> float:
    """Return the doubt about the two edges alone, for `shared` holds the scales; all of it where only that was kept."""
    own = sample.width_edges_u95_mm
    return (sample.width_u95_mm if own is None else own) or 1.0


def _length_u(measurement: SettMeasurement) -> float:
    """Return the standard uncertainty of the length from its two ends, percent."""
    spacing = MM_PER_INCH / (measurement.result.picks.per_inch or 10.0)
    length = measurement.result.sample.length_mm or 1.0
    return 100.0 * math.sqrt(2.0) * _END_OF_WEAVING * spacing / math.sqrt(3.0) / length


def _height_u(before: SettMeasurement, after: SettMeasurement) -> float:
    """Return what the cloth's height leaves in doubt in the ratio: most of its error is the same in both photos."""
    parts = [0.0 if m.height is None else m.height.line.standard_percent / 100.0 for m in (before, after)]
    alike = _HEIGHT_ALIKE if all(parts) and _card_on_cloth(before) == _card_on_cloth(after) else 0.0
    return math.sqrt(max(0.0, parts[0] ** 2 + parts[1] ** 2 - 2.0 * alike * parts[0] * parts[1]))


def _card_on_cloth(measurement: SettMeasurement) -> bool:
    height = measurement.height
    lowest = _CARD_ON_TABLE_MM.get(measurement.plane.source, _PAPER_ON_TABLE_MM)
    return height is not None and bool(height.height_mm < lowest)


def _headline(by_method: dict[Method, dict[Direction, Change]], way: Direction) -> Change:
    """Combine the methods; the outline carries the doubt of the fuller yarn too."""
    used = []
    for method, changes in by_method.items():
        if way not in changes:
            continue
        change = changes[way]
        if method == "outline":
            fuller = FULLER_YARN_POINTS / math.sqrt(3.0)
            change = _change(
                change.change_percent, math.hypot(change.own_u_percent, fuller), change.shared_u_percent
            )
            if _apart(change, by_method["thread_count"][way], FULLER_YARN_POINTS):
                continue  # what disagrees is told, not averaged away
        if method == "marks" and _apart(change, by_method["thread_count"][way], 0.0):
            continue
        used.append(change)
    return combine_changes(used)


def _apart(one: Change, other: Change, allowance: float) -> bool:
    doubt = COVERAGE_FACTOR * math.hypot(one.own_u_percent, other.own_u_percent)
    return abs(one.change_percent - other.change_percent) > doubt + allowance


def _disagreements(by_method: dict[Method, dict[Direction, Change]]) -> list[Notice]:
    names = {"outline": "the outline", "marks": "the marks"}
    out = []
    for method, words in names.items():
        for way, change in by_method.get(method, {}).items():  # type: ignore[call-overload]
            threads = by_method["thread_count"][way]
            if _apart(change, threads, FULLER_YARN_POINTS if method == "outline" else 0.0):
                text = (
                    f"{way.capitalize()}, {words} say {change.change_percent:+.1f} % and the thread counts "
                    f"{threads.change_percent:+.1f} %, farther apart than their doubt. Believe the thread counts if the "
                    "marked threads of both photos look right (pickglass sett --picture); check with a rule."
                ).replace("the outline say", "the outline says")
                out.append(Notice("methods-disagree", text))
    return out


def _doubts(before: SettMeasurement, after: SettMeasurement) -> list[Notice]:
    out = []
    for one in (before, after):
        if one.result.verdict == "unsure":
            text = (
                f"The threads of {one.result.photo} are not sure: pickglass sett {one.result.photo} says why."
            )
            out.append(Notice("photo-unsure", text))
    return out


def _area(warpwise: Change, weftwise: Change) -> tuple[float, float]:
    """Return the change of area and its uncertainty; scale and height act on both directions alike."""
    along, across = (1.0 + c.change_percent / 100.0 for c in (warpwise, weftwise))
    own = math.hypot(across * warpwise.own_u_percent, along * weftwise.own_u_percent)
    shared = across * warpwise.shared_u_percent + along * weftwise.shared_u_percent
    return 100.0 * (along * across - 1.0), COVERAGE_FACTOR * math.hypot(own, shared)
