"""From tracked threads to densities with their uncertainty."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..calibration.budget import COVERAGE_FACTOR, BudgetLine, combine_percent
from ..calibration.plane import Plane
from ..calibration.units import MM_PER_INCH
from .frame import ClothPatch
from .height import HeightCorrection
from .lattice import Lattice, PitchReading
from .results import ThreadReading
from .sample import Sample
from .tracks import SystemTrack, Tracks

__all__ = ["read_threads"]

_LEAST_TRACKED = 4
_PLACING = 0.14  # of a spacing: two outermost centres, each placed to a tenth of the spacing
_UNTRACKED = (
    BudgetLine(
        name="threads not tracked",
        standard_percent=1.0,
        kind="B",
        origin="mean rhythm only; single threads could not be followed",
    ),
)
_WORTH_TELLING = 0.03  # alternatives less probable than this are not listed
_MOST_ALTERNATIVES = 2


def read_threads(
    *,
    lattice: Lattice,
    tracks: Tracks,
    woven_picks: SystemTrack,
    patch: ClothPatch,
    plane: Plane,
    sample: Sample,
    height: HeightCorrection | None,
) -> tuple[ThreadReading, ThreadReading]:
    """Turn tracked threads into the readings of ends and picks.

    Ends are read in the middle 60 % of the width, away from the crowded selvedges; picks as (count - 1) over the distance
    from the first to the last, which is how a weaver counts them with a rule (`woven_picks` is `mending.woven_track`). A
    system that could not be tracked is read from the lattice's pitch alone and carries no count.
    """
    factor = 1.0 if height is None else height.length_factor
    to_mm = _Scale(patch.px_per_mm, patch.reduced_by, factor, plane, height)
    ends = _reading(lattice.ends, tracks.ends, tracks.ends.middle_pitch_px, to_mm, patch.u0_mm)
    if ends.count is not None:
        ends = _with_line(ends, _places_line(tracks.ends))
    picks = _reading(lattice.picks, woven_picks, woven_picks.pitch_px, to_mm, patch.v0_mm)
    if ends.per_inch is None or sample.width_mm is None or ends.count is None:
        return ends, picks
    across = ends.count / (sample.width_mm * factor) * MM_PER_INCH
    return replace(ends, across_width_per_inch=across), picks


@dataclass(frozen=True, slots=True)
class _Scale:
    """What turns pixels of the patch into millimetres of the cloth."""

    px_per_mm: float
    reduced_by: int
    length_factor: float
    plane: Plane
    height: HeightCorrection | None


def _reading(
    pitch: PitchReading, track: SystemTrack, tracked_px: float, scale: _Scale, origin_mm: float
) -> ThreadReading:
    tracked = track.count >= _LEAST_TRACKED
    pitch_px = tracked_px if tracked else pitch.pitch_px
    whole = tracked and "part" not in track.flags
    positions_mm = origin_mm + track.positions_px / scale.px_per_mm if tracked else None
    lines = list(_thread_lines(track, pitch_px) if tracked else _UNTRACKED)
    per_mm = scale.px_per_mm / pitch_px / scale.length_factor
    scaled = scale.plane.source != "none"
    if scaled:
        lines.append(_scale_line(scale.plane))
    if scale.height is not None:
        lines.append(scale.height.line)
    per_inch = per_mm * MM_PER_INCH if scaled else None
    others = [pitch.pitch_px / other for other, chance in pitch.alternatives if chance >= _WORTH_TELLING]
    per_1000_px = 1000.0 / (pitch_px * scale.reduced_by)
    headline = per_1000_px if per_inch is None else per_inch
    return ThreadReading(
        pitch_px=pitch_px,
        per_inch=per_inch,
        per_cm=None if per_inch is None else 10.0 * per_mm,
        u95_per_inch=None if per_inch is None else per_inch * combine_percent(lines) / 100.0,
        per_1000_px=per_1000_px,
        count=track.count if whole else None,
        count_mean=track.count_mean if whole else None,
        count_u95=COVERAGE_FACTOR * track.count_std if whole else None,
        alternatives_per_inch=tuple(headline * ratio for ratio in others[:_MOST_ALTERNATIVES]),
        probability=pitch.probability,
        positions_mm=positions_mm,
        budget=tuple(lines),
    )


def _thread_lines(track: SystemTrack, pitch_px: float) -> tuple[BudgetLine, ...]:
    spaces = max(1, track.count - 1)
    count_std = float(np.sqrt(max(track.count_std**2 - track.edge_std**2, 0.0)))
    return (
        BudgetLine(
            name="placing of the threads",
            standard_percent=100.0 * max(track.middle_pitch_u_px / pitch_px, _PLACING / spaces),
            kind="A",
            origin=f"{track.count} threads tracked",
        ),
        BudgetLine(
            name="threads counted twice or left out",
            standard_percent=100.0 * count_std / spaces,
            kind="A",
            origin="probabilities of the neighbouring counts",
        ),
    )


def _places_line(ends: SystemTrack) -> BudgetLine:
    """Doubt because the sett differs from place to place along the warp (ISO 7211-2 counts at several places)."""
    first, last = round(0.2 * ends.count), max(round(0.8 * ends.count), round(0.2 * ends.count) + 2)
    middle = ends.lines_px[first:last]
    index = np.arange(len(middle), dtype=np.float64)
    slopes = np.polyfit(index, middle, 1)[0]
    return BudgetLine(
        name="sett from place to place along the warp",
        standard_percent=100.0 * float(np.std(slopes) / np.mean(slopes)),
        kind="A",
        origin=f"{middle.shape[1]} places along the warp",
    )


def _with_line(reading: ThreadReading, line: BudgetLine) -> ThreadReading:
    budget = (*reading.budget, line)
    if reading.per_inch is None:
        return replace(reading, budget=budget)
    return replace(reading, budget=budget, u95_per_inch=reading.per_inch * combine_percent(budget) / 100.0)


def _scale_line(plane: Plane) -> BudgetLine:
    return BudgetLine(
        name="scale",
        standard_percent=plane.u95_percent / COVERAGE_FACTOR,
        kind="B",
        origin="budget of the scale",
    )
