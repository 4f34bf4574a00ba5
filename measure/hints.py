"""What the weaver knows, turned into priors over the pitch and checked against what is seen."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from ..calibration.notices import Notice
from ..calibration.units import MM_PER_INCH
from .decision import SAME_PITCH, SURE
from .results import ThreadReading, WeaveReading
from .settle import Prior, Settled, no_prior

__all__ = ["Hints", "check_against_photo", "check_hints", "ends_prior", "picks_prior"]

_RANGE_MARGIN = 0.05  # a hand count over one inch is rarely better
_COUNT_BY_EYE = "Count a stretch by eye on the marked picture before you trust either."
_OUTSIDE = 1e-3  # a hint can be mistaken: strong evidence may still overrule it
_COUNT_SPREAD = (
    0.08  # relative; crowded selvedges and a rough outline shift count = width / pitch by a few percent
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Hints:
    """What the weaver told.

    Attributes
    ----------
    weave : str or None
        Name of the weave.
    ends_warped : int or None
        Number of ends in the warp.
    expect_ends_per_inch, expect_picks_per_inch : tuple of float or None
        Range the density should lie in.
    """

    weave: str | None = None
    ends_warped: int | None = None
    expect_ends_per_inch: tuple[float, float] | None = None
    expect_picks_per_inch: tuple[float, float] | None = None


def ends_prior(hints: Hints, px_per_mm: float, width_px: float | None) -> Prior:
    """Weight of an end pitch in patch pixels."""
    by_range = _range_prior(hints.expect_ends_per_inch, px_per_mm)
    if hints.ends_warped is None or width_px is None:
        return by_range
    wanted = width_px / hints.ends_warped

    def weight(pitch_px: float) -> float:
        deviation = math.log(pitch_px / wanted) / _COUNT_SPREAD
        return by_range(pitch_px) * max(math.exp(-0.5 * deviation**2), _OUTSIDE)

    return weight


def picks_prior(hints: Hints, px_per_mm: float) -> Prior:
    """Weight of a pick pitch in patch pixels."""
    return _range_prior(hints.expect_picks_per_inch, px_per_mm)


def _range_prior(limits: tuple[float, float] | None, px_per_mm: float) -> Callable[[float], float]:
    if limits is None:
        return no_prior
    low, high = limits[0] * (1 - _RANGE_MARGIN), limits[1] * (1 + _RANGE_MARGIN)

    def weight(pitch_px: float) -> float:
        return 1.0 if low <= MM_PER_INCH * px_per_mm / pitch_px <= high else _OUTSIDE

    return weight


def check_hints(
    hints: Hints, *, ends: ThreadReading, picks: ThreadReading, weave: WeaveReading
) -> tuple[Notice, ...]:
    """Say where the cloth contradicts what was told."""
    notices = []
    if hints.ends_warped is not None and ends.count is not None and ends.count != hints.ends_warped:
        off = abs(ends.count - hints.ends_warped)
        notices.append(
            Notice(
                "ends-differ" if off > max(2, 0.04 * hints.ends_warped) else "ends-nearly",
                f"You warped {hints.ends_warped} ends; {ends.count} were counted in the photo. "
                + _why_ends_differ(hints.ends_warped, ends.count),
            )
        )
    for name, limits, reading in (
        ("ends", hints.expect_ends_per_inch, ends),
        ("picks", hints.expect_picks_per_inch, picks),
    ):
        if limits is None:
            continue
        found, unit = _density(reading)
        # Without a scale a pixel stands for a millimetre, here as for the priors.
        low, high = (
            limits if reading.per_inch is not None else (limit * 1000.0 / MM_PER_INCH for limit in limits)
        )
        if not low * (1 - _RANGE_MARGIN) <= found <= high * (1 + _RANGE_MARGIN):
            notices.append(
                Notice(
                    f"{name}-outside-expectation",
                    f"You expected {low:g} to {high:g} {name} {unit}; the cloth shows {found:.1f}. {_COUNT_BY_EYE}",
                )
            )
    if hints.weave is not None and weave.name not in (hints.weave, "unknown"):
        notices.append(
            Notice(
                "weave-differs",
                f"You said the weave is {hints.weave}; the threads look like {weave.name}. "
                "If the weave is as you said, the counts may be off by a whole factor: check by eye.",
            )
        )
    return tuple(notices)


def _why_ends_differ(warped: int, counted: int) -> str:
    times = round(warped / counted) if counted else 0
    if times >= 2 and abs(warped / counted / times - 1) < _RANGE_MARGIN:
        words = {2: "Two", 3: "Three", 4: "Four"}.get(times, str(times))
        return (
            f"{words} ends may lie side by side as one thread: look closely at the marked picture. "
            "If they do, what was counted are the groups."
        )
    if counted > warped:
        return (
            "Look at the marked selvedges in the picture: turns of the weft may be counted there as ends, or more ends may "
            "have been warped than you remember."
        )
    return (
        "Look at the marked selvedges in the picture: an end may be hidden there, or lie outside the outline."
    )


def _density(reading: ThreadReading) -> tuple[float, str]:
    if reading.per_inch is None:
        return reading.per_1000_px, "per 1000 pixels"
    return reading.per_inch, "per inch"


def check_against_photo(settled: Settled, ends: ThreadReading, picks: ThreadReading) -> tuple[Notice, ...]:
    """Say where the photo alone is sure of another reading than the one that what was told has chosen."""
    notices = []
    for name, reading, chosen, seen in (
        ("ends", ends, settled.lattice.ends, settled.photo_alone[0]),
        ("picks", picks, settled.lattice.picks, settled.photo_alone[1]),
    ):
        ratio = chosen.pitch_px / seen.pitch_px
        if seen.probability < SURE or abs(math.log(ratio)) < SAME_PITCH:
            continue
        density, unit = _density(reading)
        notices.append(
            Notice(
                f"{name}-against-photo",
                f"What you told makes it {density:.1f} {name} {unit}; the photo by itself shows {density * ratio:.1f}. "
                + _COUNT_BY_EYE,
            )
        )
    return tuple(notices)
