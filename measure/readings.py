"""From tracked threads to densities with their uncertainty."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ..calibration.budget import BudgetLine, combine_percent
from ..calibration.plane import Plane
from .frame import ClothPatch
from .height import HeightCorrection
from .lattice import Lattice, PitchReading
from .results import MM_PER_INCH, ThreadReading
from .sample import Sample
from .track import SystemTrack, Tracks

__all__ = ["middle_density", "read_threads", "whole_density"]

_MIDDLE = (0.2, 0.8)  # away from the crowded selvedges
_WORTH_TELLING = 0.03  # alternatives less probable than this are not listed
_MOST_ALTERNATIVES = 2


def read_threads(
    *,
    lattice: Lattice,
    tracks: Tracks,
    patch: ClothPatch,
    plane: Plane,
    sample: Sample,
    height: HeightCorrection | None,
) -> tuple[ThreadReading, ThreadReading]:
    """Turn tracked threads into the readings of ends and picks.

    Ends are read as the slope of position over index in the middle 60 % of the width; picks as
    (count - 1) over the distance from the first to the last, which is how a weaver counts them with a rule.
    """
    factor = 1.0 if height is None else height.length_factor
    ends_per_px, ends_type_a = middle_density(tracks.ends.positions_px)
    picks_per_px, picks_type_a = whole_density(tracks.picks.positions_px)
    ends = _reading(lattice.ends, tracks.ends, ends_per_px, ends_type_a, patch, plane, height, patch.u0_mm)
    picks = _reading(lattice.picks, tracks.picks, picks_per_px, picks_type_a, patch, plane, height, patch.v0_mm)
    if ends.per_inch is None or sample.width_mm is None or ends.count is None:
        return ends, picks
    across = ends.count / (sample.width_mm * factor) * MM_PER_INCH
    return _with_across(ends, across), picks


def middle_density(positions_px: NDArray[np.float64]) -> tuple[float, float]:
    """Threads per pixel over the middle 60 % of the threads, and its standard uncertainty in percent.

    The slope of the least-squares line through position over index. Its uncertainty treats the scatter of single threads
    about the line as independent, which overstates it a little, for neighbours push each other.
    """
    count = len(positions_px)
    first, last = math.ceil(_MIDDLE[0] * count), math.ceil(_MIDDLE[1] * count)
    if last - first < 4:
        return whole_density(positions_px)
    index = np.arange(first, last, dtype=np.float64)
    slope, intercept = np.polyfit(index, positions_px[first:last], 1)
    scatter = float(np.std(positions_px[first:last] - slope * index - intercept, ddof=2))
    standard = scatter / math.sqrt(float(np.sum((index - index.mean()) ** 2)))
    return 1.0 / float(slope), 100.0 * standard / float(slope)


def whole_density(positions_px: NDArray[np.float64]) -> tuple[float, float]:
    """Threads per pixel from the first to the last, and its standard uncertainty in percent.

    Only the two outermost centres matter; each is placed to about a tenth of the spacing.
    """
    count = len(positions_px)
    if count < 2:
        raise ValueError("two threads are needed for a density")
    density = (count - 1) / float(positions_px[-1] - positions_px[0])
    return density, 100.0 * 0.1 * math.sqrt(2.0) / (count - 1)


def _reading(
    pitch: PitchReading,
    track: SystemTrack,
    per_px: float,
    type_a_percent: float,
    patch: ClothPatch,
    plane: Plane,
    height: HeightCorrection | None,
    origin_mm: float,
) -> ThreadReading:
    positions_mm = origin_mm + track.positions_px / patch.px_per_mm
    lines = [
        BudgetLine(
            name="placing of the threads",
            standard_percent=type_a_percent,
            kind="A",
            origin=f"{len(positions_mm)} threads tracked",
        ),
        _count_line(track),
    ]
    scaled = plane.source != "none"
    if scaled:
        lines.extend(plane.budget)
    if height is not None:
        lines.append(height.line)
    factor = 1.0 if height is None else height.length_factor
    per_mm = per_px * patch.px_per_mm / factor
    per_inch = per_mm * MM_PER_INCH if scaled else None
    others = [
        pitch.pitch_px / other * per_px
        for other, probability in pitch.alternatives
        if probability >= _WORTH_TELLING
    ][:_MOST_ALTERNATIVES]
    to_listed = patch.px_per_mm / factor * MM_PER_INCH if scaled else 1000.0
    return ThreadReading(
        pitch_px=1.0 / per_px,
        per_inch=per_inch,
        per_cm=None if per_inch is None else 10.0 * per_mm,
        u95_per_inch=None if per_inch is None else per_inch * combine_percent(lines) / 100.0,
        per_1000_px=1000.0 * per_px,
        count=len(positions_mm),
        alternatives_per_inch=tuple(other * to_listed for other in others),
        probability=pitch.probability,
        positions_mm=positions_mm,
        budget=tuple(lines),
    )


def _count_line(track: SystemTrack) -> BudgetLine:
    """Doubt whether a thread was counted twice or left out."""
    return BudgetLine(
        name="threads counted twice or left out",
        standard_percent=100.0 * track.count_std / max(1, len(track.positions_px) - 1),
        kind="A",
        origin="probabilities of neighbouring counts",
    )


def _with_across(reading: ThreadReading, across_width_per_inch: float) -> ThreadReading:
    from dataclasses import replace

    return replace(reading, across_width_per_inch=across_width_per_inch)
