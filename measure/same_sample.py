"""Whether two photos show the same sample: thread counts, weave and colours must not contradict each other."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .common_stretch import CommonStretch
from .results import ThreadReading
from .sett import SettMeasurement

__all__ = [
    "CREDIBLE_PERCENT",
    "SampleLook",
    "compare_counts",
    "compare_densities",
    "compare_looks",
    "differences",
    "look_of",
]

CREDIBLE_PERCENT = (-60.0, 12.0)
"""Changes of size a wash can make: felting takes half; relaxing lets grow by a few percent (common practice)."""

_CHROMA_APART = (
    28.0  # CIELAB a*b*: lamps of different colour move a grey by up to about 20, a dye to another by more
)
_LIGHT_APART = 45.0  # exposure moves a mid tone by two stops at most in a usable photo
_STRIPED = 9.0  # spread of the colour across the width, CIELAB: clear stripes
_FLAT = 0.28  # of the other's spread: no stripes; light that falls unevenly spreads a plain cloth by up to 5
_SURE = 0.9  # probability of a reading from which it may accuse
_ALIKE = 0.35  # correlation of the stripes across the width
_PROFILE_POINTS = 24  # wider than single threads, which alias


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleLook:
    """Colour of the cloth: its middle (CIELAB, shape (3,)) and its course across the width (shape (P, 3))."""

    middle: NDArray[np.float64]
    across: NDArray[np.float64]


def differences(
    first: SettMeasurement, second: SettMeasurement, common: CommonStretch | None = None
) -> tuple[str, ...]:
    """Return reasons, in words, why the photos show two different samples; empty when none was found.

    Picks that were recognised in both photos prove one sample: no two pieces have the same beat, pick by pick. Ends
    prove only one warp, or one heddle, and so speak for the number of ends alone.
    """
    if common is not None and common.picks is not None:
        return ()
    reasons = []
    for name, sides in (("ends", {"left", "right"}), ("picks", {"start", "end"})):
        if name == "ends" and common is not None and common.ends is not None:
            continue
        whole = all(not sides & m.sample.cut_off for m in (first, second))
        one, other = getattr(first.result, name), getattr(second.result, name)
        if (whole and (reason := compare_counts(one, other, name))) or (
            reason := compare_densities(one, other, name)
        ):
            reasons.append(reason)
    weaves = first.result.weave.name, second.result.weave.name
    if "unknown" not in weaves and weaves[0] != weaves[1] and _both_sure(first, second):
        reasons.append(f"one is {weaves[0]} weave, the other {weaves[1]}")
    whole_width = all(not {"left", "right"} & m.sample.cut_off for m in (first, second))
    return (*reasons, *compare_looks(look_of(first), look_of(second), whole_width=whole_width))


def compare_counts(first: ThreadReading, second: ThreadReading, name: str) -> str | None:
    """Return the reason when two counts of a whole sample differ by more than twice their stated doubt."""
    if first.count is None or second.count is None:
        return None
    doubt = math.hypot(first.count_u95 or 0.0, second.count_u95 or 0.0)
    apart = abs(first.count - second.count)
    if apart <= max(2.0, 2.0 * doubt, 0.04 * max(first.count, second.count)):
        return None
    return f"{first.count} {name} were counted in one and {second.count} in the other"


def compare_densities(first: ThreadReading, second: ThreadReading, name: str) -> str | None:
    """Return the reason when no wash could have brought the threads from one spacing to the other."""
    if (
        first.per_inch is None
        or second.per_inch is None
        or min(first.probability, second.probability) < _SURE
    ):
        return None
    change = 100.0 * (first.per_inch / second.per_inch - 1.0)
    doubt = 100.0 * math.hypot(*((r.u95_per_inch or 0.0) / (r.per_inch or 1.0) for r in (first, second)))
    if CREDIBLE_PERCENT[0] - doubt <= change <= CREDIBLE_PERCENT[1] + doubt:
        return None
    return (
        f"the {name} lie {first.per_inch:.1f} to the inch in one and {second.per_inch:.1f} in the other, "
        "farther apart than a wash moves them"
    )


def compare_looks(first: SampleLook, second: SampleLook, *, whole_width: bool) -> tuple[str, ...]:
    """Return reasons from the colours; light and camera may differ, a turn by half a circle and the back are alike."""
    reasons = []
    shift = second.middle - first.middle
    if math.hypot(shift[1], shift[2]) > _CHROMA_APART or abs(shift[0]) > _LIGHT_APART:
        reasons.append("their colours are different")
    if not whole_width:
        return tuple(reasons)
    one, other = (look.across - look.across.mean(axis=0) for look in (first, second))
    spread = [float(np.sqrt((p**2).sum(axis=1).mean())) for p in (one, other)]
    if min(spread) > _STRIPED:
        best = max(_likeness(one, other), _likeness(one, other[::-1]))
        if best < _ALIKE:
            reasons.append("their stripes are different")
    elif max(spread) > _STRIPED and min(spread) < _FLAT * max(spread):
        reasons.append("one is striped along the warp and the other is not")
    return tuple(reasons)


def look_of(measurement: SettMeasurement) -> SampleLook:
    """Return the look of the cloth, measured on its straightened picture."""
    import cv2

    patch = measurement.patch
    small = cv2.resize(patch.bgr, (_PROFILE_POINTS * 16, 200), interpolation=cv2.INTER_AREA)
    lab = cv2.cvtColor(small.astype(np.float32) / 255.0, cv2.COLOR_BGR2LAB)
    mask = (
        cv2.resize(patch.mask.astype(np.uint8), (_PROFILE_POINTS * 16, 200), interpolation=cv2.INTER_NEAREST)
        > 0
    )
    columns = np.flatnonzero(mask.sum(axis=0) > 0.5 * mask.sum(axis=0).max())
    lab, mask = lab[:, columns[0] : columns[-1] + 1], mask[:, columns[0] : columns[-1] + 1]
    seen = np.where(mask[..., None], lab, np.nan).astype(np.float64)
    course = np.nanmedian(seen, axis=0)
    inner = course[len(course) // 16 : -(len(course) // 16) or None]  # selvedge and table mix at the border
    across = np.stack([np.nanmean(part, axis=0) for part in np.array_split(inner, _PROFILE_POINTS)])
    middle = np.asarray(np.nanmedian(seen.reshape(-1, 3), axis=0), dtype=np.float64)
    return SampleLook(middle=middle, across=across)


def _likeness(one: NDArray[np.float64], other: NDArray[np.float64]) -> float:
    """Return the greatest correlation over small shifts and stretches: selvedges are not found to the thread."""
    best = -1.0
    grid = np.linspace(0.0, 1.0, len(one))
    for stretch in (0.95, 1.0, 1.05):
        for shift in (-0.04, -0.02, 0.0, 0.02, 0.04):
            at = (grid - 0.5) * stretch + 0.5 + shift
            moved = np.stack([np.interp(at, grid, other[:, k]) for k in range(3)], axis=1)
            moved = moved - moved.mean(axis=0)
            norm = float(np.sqrt((one**2).sum() * (moved**2).sum()))
            best = max(best, float((one * moved).sum()) / max(norm, 1e-9))
    return best


def _both_sure(*photos: SettMeasurement) -> bool:
    return all(min(p.result.ends.probability, p.result.picks.probability) > 0.5 for p in photos)
