"""Set what `pickglass evenness` found on one photo beside the true values of its scene."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pickglass.measure.evenness import Evenness
from pickglass.measure.sett import SettMeasurement

__all__ = ["Score", "score"]

FloatArray = NDArray[np.float64]

STEP_NEAR_MM = 6.0
LEAST_STEP = 0.03  # relative; smaller planted steps are not asked for
FAULT_NEAR_MM = 6.0
ACROSS_NEAR_MM = 6.0
CROWDED_TRUTH = 0.78  # mean of the four outermost spacings over the median of the middle six tenths

ENDS = ("from_mm", "to_mm")  # of a thick place

# Names under which a planted fault may be reported. A slack end is a bulge or a streak, as the light will have it.
NAMES = {
    "missed_pick": {"missed-pick"},
    "double_pick": {"doubled-pick"},
    "warp_float": {"end-float"},
    "weft_float": {"pick-float"},
    "loose_end": {"uneven-end", "knot-or-slub"},
    "knot": {"knot-or-slub"},
    "slub": {"knot-or-slub"},
    "hole": {"hole"},
    "crowded_edge": {"crowded-edge"},
}


@dataclass(kw_only=True)
class Score:
    """Figures of one photo; errors are measured minus true."""

    name: str
    verdict: str
    length_mm: float
    ppi_rms_percent: float
    width_rms_mm: float | None
    width_bias_mm: float | None
    steps_planted: list[tuple[str, float, float]] = field(default_factory=list)
    step_errors_mm: list[float] = field(default_factory=list)
    steps_false: list[tuple[str, float, float]] = field(default_factory=list)
    possible_found: int = 0  # planted steps not told as sure but as possible, within 6 mm
    possible_false: list[tuple[str, float, float]] = field(default_factory=list)
    faults_planted: list[tuple[str, float]] = field(default_factory=list)
    faults_found: list[tuple[str, float]] = field(default_factory=list)
    faults_false: list[tuple[str, float]] = field(default_factory=list)
    thick_places: int = 0  # findings on slubs that a yarn has of its own: right, though nobody planted them
    cover_error: float | None = None


@dataclass(frozen=True)
class _Planted:
    kind: str
    at_mm: float
    across_mm: float | None
    reach_mm: float


def score(measurement: SettMeasurement, evenness: Evenness, truth: dict[str, Any]) -> Score:
    """Compare one photo with its truth."""
    trace = evenness.trace
    flip_v, flip_u = _turned(measurement, truth)
    first, last = truth.get("first_visible_pick", 0), truth.get("last_visible_pick", truth["picks_total"] - 1)
    whole = np.array(truth["pick_v_mm"])
    pick_v = whole[first : last + 1] - whole[first]
    length = float(pick_v[-1])
    if flip_v:
        pick_v = length - pick_v[::-1]
    # Both count from the first pick; one passed over (or put in) at the beginning moves all places alike.
    moved = _first_pick_offset(measurement, evenness, truth, flip_v)
    moved = moved if abs(moved) > 0.5 * length / (len(pick_v) - 1) else 0.0
    pick_v = pick_v + moved

    def place(v: float) -> float:
        at = v - float(whole[first])
        return (length - at if flip_v else at) + moved

    index = np.arange(len(pick_v))
    half = evenness.options.window_mm / 2
    at = np.array([s.at_mm for s in evenness.stations])
    true_ppi = 25.4 * (np.interp(at + half, pick_v, index) - np.interp(at - half, pick_v, index)) / (2 * half)
    ppi = np.array([s.picks_per_inch for s in evenness.stations])
    result = Score(
        name=measurement.result.photo,
        verdict=measurement.result.verdict,
        length_mm=trace.length_mm,
        ppi_rms_percent=100 * float(np.sqrt(np.mean((ppi / true_ppi - 1) ** 2))),
        width_rms_mm=None,
        width_bias_mm=None,
    )
    _widths(result, evenness, truth, flip_v, length, moved)
    _steps(result, evenness, truth, place, flip_v)
    _faults(result, evenness, truth, place, flip_u, pick_v)
    return result


def _turned(measurement: SettMeasurement, truth: dict[str, Any]) -> tuple[bool, bool]:
    """Whether the photo counts along (across) the warp the other way than the truth."""
    frame, plane = measurement.patch.frame, measurement.plane
    ends = []
    for key, axis in (("pick_axis_px", 1), ("end_mid_px", 0)):
        line = np.array(truth[key])
        uv = frame.to_cloth(plane.to_mm(line[[0, -1]]))
        ends.append(bool(uv[0, axis] > uv[1, axis]))
    return ends[0], ends[1]


def _first_pick_offset(
    measurement: SettMeasurement, evenness: Evenness, truth: dict[str, Any], flip_v: bool
) -> float:
    """Place of the true first pick on the measured count, by the camera's geometry."""
    line = np.array(truth["pick_axis_px"])[[-1] if flip_v else [0]]
    uv = measurement.patch.frame.to_cloth(measurement.plane.to_mm(line))
    return float((uv[0, 1] - evenness.trace.origin_v_mm) * evenness.trace.length_factor)


def _widths(
    result: Score, evenness: Evenness, truth: dict[str, Any], flip_v: bool, length: float, moved: float
) -> None:
    profile = truth["width_profile"]
    v, width = (np.array([p[key] for p in profile]) for key in ("v_mm", "width_mm"))
    seen = [(s.at_mm, s.width_mm) for s in evenness.stations if s.width_mm is not None]
    if not seen or not len(v):
        return
    at, found = np.array(seen).T
    at = at - moved
    error = found - np.interp(length - at if flip_v else at, v, width)
    result.width_rms_mm = float(np.sqrt(np.mean(error**2)))
    result.width_bias_mm = float(error.mean())


def _steps(result: Score, evenness: Evenness, truth: dict[str, Any], place: Any, flip_v: bool) -> None:
    planted = []
    for of, key, factor in (
        ("beat", "steps", "spacing_factor_after"),
        ("width", "width_steps", "width_factor_after"),
    ):
        for step in truth.get(key, []):
            ratio = 1 / step[factor] if of == "beat" else step[factor]
            planted.append((of, place(step["v_mm"]), 100 * ((1 / ratio if flip_v else ratio) - 1)))
    missed: list[tuple[str, float, float]] = []
    left = [(s.of, s.at_mm, s.change_percent) for s in evenness.steps]
    for of, at, change in planted:
        if abs(change) < 100 * LEAST_STEP:
            continue
        result.steps_planted.append((of, at, change))
        near = [s for s in left if s[0] == of and abs(s[1] - at) <= STEP_NEAR_MM and s[2] * change > 0]
        if near:
            best = min(near, key=lambda s: abs(s[1] - at))
            left.remove(best)
            result.step_errors_mm.append(best[1] - at)
        else:
            missed.append((of, at, change))
    result.steps_false = left
    for step in evenness.possible_steps:
        near = [
            m
            for m in missed
            if m[0] == step.of and abs(step.at_mm - m[1]) <= STEP_NEAR_MM and step.change_percent * m[2] > 0
        ]
        result.possible_found += bool(near)
        if not near:
            result.possible_false.append((step.of, step.at_mm, step.change_percent))


def _faults(
    result: Score, evenness: Evenness, truth: dict[str, Any], place: Any, flip_u: bool, pick_v: FloatArray
) -> None:
    trace = evenness.trace
    middle = float(np.mean(trace.pick_u_mm))
    sign = -1.0 if flip_u else 1.0
    pick, end = np.array(truth["pick_v_mm"]), np.array(truth["end_u_mm"])
    pitch_v, pitch_u = float(np.median(np.diff(pick))), float(np.median(np.diff(end)))
    planted: list[_Planted] = []
    for fault in truth["faults"]:
        kind = fault["kind"]
        if kind == "missed_pick":
            k = fault["after_pick_index"]
            planted.append(_Planted(kind, place((pick[k] + pick[k + 1]) / 2), None, pitch_v))
        elif kind == "double_pick":
            planted.append(_Planted(kind, place(pick[fault["pick_indices"]].mean()), None, pitch_v))
        elif kind in ("warp_float", "weft_float"):
            k, j, half = fault["pick_index"], fault["end_index"], (fault["length"] - 1) / 2
            v, u = pick[k] + (half * pitch_v if kind == "warp_float" else 0), end[j]
            u += half * pitch_u if kind == "weft_float" else 0
            planted.append(_Planted(kind, place(v), middle + sign * u, half * pitch_v))
        elif kind == "loose_end":
            u = end[fault["end_index"]]
            planted.append(_Planted(kind, place(fault["v_mm"]), middle + sign * u, fault["half_length_mm"]))
        elif kind in ("knot", "slub", "hole"):
            u = end[fault["end_index"]]
            planted.append(_Planted(kind, place(pick[fault["pick_index"]]), middle + sign * u, 0.0))
    gaps = np.diff(end)
    usual = float(np.median(gaps[len(gaps) // 5 : len(gaps) - len(gaps) // 5]))
    for side, outer in ((-1.0, gaps[:4]), (1.0, gaps[-4:])):
        if outer.mean() < CROWDED_TRUTH * usual:
            edge = end[0] if side < 0 else end[-1]
            planted.append(
                _Planted("crowded_edge", float(pick_v.mean()), middle + sign * edge, trace.length_mm)
            )
    left = list(evenness.faults)
    for one in planted:
        result.faults_planted.append((one.kind, one.at_mm))
        near = [
            f
            for f in left
            if f.kind in NAMES[one.kind]
            and abs(f.at_mm - one.at_mm) <= FAULT_NEAR_MM + one.reach_mm
            and (
                one.across_mm is None
                or abs(f.across_mm - one.across_mm) <= ACROSS_NEAR_MM + f.across_size_mm / 2
            )
        ]
        if near:
            best = min(near, key=lambda f: abs(f.at_mm - one.at_mm))
            left.remove(best)
            result.faults_found.append((one.kind, one.at_mm))
    for thick in truth.get("thick_places", ()):
        along = sorted(
            float(place(thick[key]) if thick["of"] == "end" else sign * thick[key]) for key in ENDS
        )
        thread = float(
            middle + sign * end[thick["index"]] if thick["of"] == "end" else place(pick[thick["index"]])
        )
        for fault in [f for f in left if f.kind == "knot-or-slub"]:
            at, across = fault.at_mm, fault.across_mm
            if thick["of"] == "pick":
                at, across = across - middle, at
            if (
                along[0] - FAULT_NEAR_MM <= at <= along[1] + FAULT_NEAR_MM
                and abs(across - thread) <= ACROSS_NEAR_MM / 2
            ):
                left.remove(fault)
                result.thick_places += 1
    result.faults_false = [(f.kind, f.at_mm) for f in left]
