"""What the weaver knows, turned into priors over the pitch and checked against what is seen."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from ..calibration.notices import Notice
from .results import MM_PER_INCH, WeaveReading
from .settle import Prior, no_prior

__all__ = ["Hints", "check_hints", "ends_prior", "picks_prior"]

_RANGE_MARGIN = 0.05  # a hand count over one inch is rarely better
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
    hints: Hints,
    *,
    ends_per_inch: float | None,
    picks_per_inch: float | None,
    ends_count: int | None,
    weave: WeaveReading,
) -> tuple[Notice, ...]:
    """Say where the cloth contradicts what was told."""
    notices = []
    if hints.ends_warped is not None and ends_count is not None and ends_count != hints.ends_warped:
        off = abs(ends_count - hints.ends_warped)
        notices.append(
            Notice(
                "ends-differ" if off > max(2, 0.04 * hints.ends_warped) else "ends-nearly",
                f"You warped {hints.ends_warped} ends; {ends_count} were counted in the photo. "
                "Look at the marked selvedges in the picture: an end may be hidden there, or lie outside the outline.",
            )
        )
    for name, limits, found in (
        ("ends", hints.expect_ends_per_inch, ends_per_inch),
        ("picks", hints.expect_picks_per_inch, picks_per_inch),
    ):
        if limits is None or found is None:
            continue
        if not limits[0] * (1 - _RANGE_MARGIN) <= found <= limits[1] * (1 + _RANGE_MARGIN):
            notices.append(
                Notice(
                    f"{name}-outside-expectation",
                    f"You expected {limits[0]:g} to {limits[1]:g} {name} per inch; the cloth shows {found:.1f}. "
                    "Count one inch by eye on the marked picture before you trust either.",
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
