"""One photo in, the sett out: the order of the measurement and the verdict."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Literal

import cv2
import numpy as np

from ..calibration.budget import COVERAGE_FACTOR
from ..calibration.errors import QualityError, SampleError
from ..calibration.notices import Notice
from ..calibration.photo import Photo
from ..calibration.plane import Plane
from .arbiter import CROP_THREADS
from .decision import (
    NOT_WOVEN,
    OUTLINED_LOG_ODDS,
    SURE,
    TABLE_BESIDE_MM,
    WOVEN,
    WOVEN_WHEN_TURNED,
)
from .frame import ClothPatch, straighten
from .height import HeightCorrection, estimate_height
from .hints import Hints, check_against_photo, check_hints, ends_prior, picks_prior
from .lattice import Lattice, read_lattice
from .mending import woven_track
from .readings import read_threads
from .repeat import RepeatPicture, average_repeat
from .results import SampleReading, SettResult, WeaveReading
from .sample import Sample, find_sample
from .settle import Settled, settle
from .tracks import SystemTrack, Tracks
from .turn import likely_turns_deg
from .verdict import MOST_TURN_DEG, decide_verdict

if TYPE_CHECKING:
    from ..calibration.white_balance import WhiteBalance
    from .photo_quality import PhotoQuality

__all__ = ["FLOOR_PX", "GOOD_PX", "SettMeasurement", "SettOptions", "measure_sett"]

# Threads farther apart than the spectra look for are looked for in a picture reduced so many times, where there is room for some.
_REDUCED, _FEWEST_COARSE, _LONGEST_PX = (2, 4), 6, 60.0
_LEAST_TURN_DEG = 1.5  # less than that the threads are followed as the picture lies
_CROOKED_DEG = 4.0  # up to that a picture that reads clearly is not turned
_LEAST_CLOTH_PX = 2000  # some ten threads each way at the least sampling
FLOOR_PX = 2.8  # two pixels a thread is the sampling theorem's limit; lens and demosaicing take the rest
_EASY_PX = 5.0
GOOD_PX = 8.0  # pixels per thread at which nothing is lost


@dataclass(frozen=True, slots=True, kw_only=True)
class SettOptions:
    """What the weaver asked for.

    Attributes
    ----------
    warp : str
        ``"auto"``, ``"down"`` or ``"across"``: the way of the warp in the upright photo.
    area_px : tuple of int or None
        Rectangle (x0, y0, x1, y1) of the photo to look at.
    all_cloth : bool
        The whole picture is cloth.
    hints : Hints
        What the weaver knows about the cloth.
    cloth_thickness_mm : float or None
        Thickness of the cloth.
    card_on_cloth : bool
        The card lies on the cloth instead of beside it.
    """

    warp: Literal["auto", "down", "across"] = "auto"
    area_px: tuple[int, int, int, int] | None = None
    all_cloth: bool = False
    hints: Hints = field(default_factory=Hints)
    cloth_thickness_mm: float | None = None
    card_on_cloth: bool = False


@dataclass(frozen=True, kw_only=True)  # no slots: `repeat` is kept once it is worked out
class SettMeasurement:
    """The result and everything it was read from, for pictures and for further measurements."""

    result: SettResult
    plane: Plane
    sample: Sample
    patch: ClothPatch
    lattice: Lattice
    tracks: Tracks
    woven_picks: SystemTrack
    """The picks of `tracks` without gaps taken for picks, and with those passed over whose shed shows."""
    height: HeightCorrection | None
    quality: PhotoQuality | None = None
    """Judged by `photo_quality.judge_photo`, which needs the photo's light and sharpness as a whole."""
    white_balance: WhiteBalance | None = None
    """From the card's neutral patches, for whoever reads colours; the patch itself is left as photographed."""

    @cached_property
    def repeat(self) -> RepeatPicture:
        """The repeat of the weave averaged into one picture: worked out when asked for, for most never look at it."""
        return average_repeat(self.patch.bgr, self.tracks, self.result.weave)


def measure_sett(photo: Photo, plane: Plane, options: SettOptions | None = None) -> SettMeasurement:
    """Measure ends and picks of the sample in a photo.

    Parameters
    ----------
    photo : Photo
        Upright photo.
    plane : Plane
        Its scale.
    options : SettOptions, optional
        What the weaver asked for.

    Raises
    ------
    SampleError
        No cloth was found, or what was found is not woven.
    QualityError
        The threads are too fine for the photo.
    """
    options = options or SettOptions()
    sample = find_sample(
        photo, plane, warp=options.warp, area_px=options.area_px, all_cloth=options.all_cloth
    )
    patch = straighten(photo, plane, sample, beside_mm=0.0 if sample.all_cloth else TABLE_BESIDE_MM)
    patch, settled = _coarser(patch, sample, options.hints, _settle(patch, sample, options.hints))
    if sample.all_cloth:
        sample, patch, settled = _turned(photo, plane, options, (sample, patch, settled))
    lattice, tracks, weave = settled.lattice, settled.tracks, settled.weave
    _refuse_what_is_not_woven(patch, lattice, sample)
    fineness = _check_fineness(patch, plane, lattice)
    height = _height(plane, options, sample, patch, lattice, weave)
    # A picture that is all cloth tells a spacing, no total: nothing is gained by mending what most threads show.
    picks_track = tracks.picks if sample.all_cloth else woven_track(tracks, weave)
    ends, picks = read_threads(
        lattice=lattice,
        tracks=tracks,
        woven_picks=picks_track,
        patch=patch,
        plane=plane,
        sample=sample,
        height=height,
    )
    hint_notices = (
        *check_hints(options.hints, ends=ends, picks=picks, weave=weave),
        *check_against_photo(settled, ends, picks),
    )
    contradicted = any(notice.code != "ends-nearly" for notice in hint_notices)
    verdict, doubts = decide_verdict(
        settled, picks_track, sample, fine=bool(fineness), contradicted=contradicted
    )
    result = SettResult(
        photo=photo.name,
        verdict=verdict,
        ends=ends,
        picks=picks,
        weave=weave,
        sample=_sample_reading(sample, plane, height, told=options.warp != "auto"),
        notices=(*doubts, *fineness, *hint_notices, *_tell_turn(sample)),
    )
    return SettMeasurement(
        result=result,
        plane=plane,
        sample=sample,
        patch=patch,
        lattice=lattice,
        tracks=tracks,
        woven_picks=picks_track,
        height=height,
    )


def _settle(patch: ClothPatch, sample: Sample, hints: Hints) -> Settled:
    if np.count_nonzero(patch.mask) < _LEAST_CLOTH_PX:
        raise SampleError(
            "sample-too-small",
            "Too little of the cloth shows to look for threads.",
            "Move the card off the cloth or photograph the sample from nearer.",
        )
    width_px = None if sample.width_mm is None else sample.width_mm * patch.px_per_mm
    return settle(
        patch.bgr,
        patch.mask,
        read_lattice(patch.bgr, patch.mask),
        ends_prior=ends_prior(hints, patch.px_per_mm, width_px),
        picks_prior=picks_prior(hints, patch.px_per_mm),
        woven_log_odds=0.0 if sample.all_cloth else OUTLINED_LOG_ODDS,
    )


def _coarser(patch: ClothPatch, sample: Sample, hints: Hints, settled: Settled) -> tuple[ClothPatch, Settled]:
    """Look at cloth that makes no sense as photographed in a reduced picture, for threads farther apart than the spectra reach."""
    for times in _REDUCED:
        if _believed(settled) or min(patch.mask.shape) < _FEWEST_COARSE * _LONGEST_PX * times / 2:
            break
        smaller = patch.reduced(times)
        try:
            look = _settle(smaller, sample, hints)
        except SampleError:  # too little is left of it
            break
        ends_px, picks_px = look.lattice.ends.pitch_px, look.lattice.picks.pitch_px
        coarse = max(ends_px, picks_px) * times > _LONGEST_PX and min(ends_px, picks_px) >= _EASY_PX
        if coarse and look.lattice.woven_probability > settled.lattice.woven_probability:
            return smaller, look
    return patch, settled


def _believed(settled: Settled, least_woven: float = WOVEN) -> bool:
    lattice = settled.lattice
    sure = min(lattice.ends.probability, lattice.picks.probability) >= SURE
    return sure and lattice.woven_probability >= least_woven


_Look = tuple[Sample, ClothPatch, Settled]


def _turned(photo: Photo, plane: Plane, options: SettOptions, upright: _Look) -> _Look:
    """Look whether the cloth makes clearer sense when the picture is turned; otherwise leave it as it lies.

    The diagonals of a balanced plain weave pass for threads when the picture lies turned by some 45 degrees, so a reading that is
    believed is doubted, too, where the spectrum stands out in another direction.
    """
    _, patch, settled = upright
    turns_deg = likely_turns_deg(patch.bgr, patch.mask)
    best = upright if _believed(settled) else None
    if best and (not turns_deg or abs(turns_deg[0]) <= _CROOKED_DEG):
        return upright
    for turn_deg in sorted(turns_deg, key=lambda turn: abs(turn) > MOST_TURN_DEG):
        far = abs(turn_deg) > MOST_TURN_DEG
        if abs(turn_deg) < _LEAST_TURN_DEG or (far and best is None):
            continue
        look = _look_turned(photo, plane, options, turn_deg)
        # So far turned nothing is measured: such a look can only raise a doubt, and need not convince for that.
        least_woven = WOVEN if far else WOVEN_WHEN_TURNED
        if look and _believed(look[2], least_woven) and (best is None or _clearness(look) > _clearness(best)):
            best = look
    return best or upright


def _look_turned(photo: Photo, plane: Plane, options: SettOptions, turn_deg: float) -> _Look | None:
    """Settle the pitches with the picture turned; None where too little of it is left."""
    sample = find_sample(
        photo, plane, warp=options.warp, area_px=options.area_px, all_cloth=True, turn_deg=turn_deg
    )
    patch = straighten(photo, plane, sample)
    if np.count_nonzero(patch.mask) < _LEAST_CLOTH_PX:
        return None
    return sample, patch, _settle(patch, sample, options.hints)


def _clearness(look: _Look) -> float:
    return look[2].lattice.woven_probability


def _tell_turn(sample: Sample) -> tuple[Notice, ...]:
    if not sample.turn_deg or abs(sample.turn_deg) > MOST_TURN_DEG:
        return ()
    text = (
        f"The cloth lies turned by about {abs(sample.turn_deg):.0f} degrees in the picture; the threads nearest to "
        "upright are taken for the ends."
    )
    return (Notice("turned", text),)


def _refuse_what_is_not_woven(patch: ClothPatch, lattice: Lattice, sample: Sample) -> None:
    if lattice.woven_probability >= NOT_WOVEN:
        return
    distance, upright = "from nearer", ""
    if sample.all_cloth:
        upright = " and one set of threads upright in the picture"
        rows, columns = patch.mask.shape
        if min(columns / lattice.ends.pitch_px, rows / lattice.picks.pitch_px) < CROP_THREADS:
            distance = f"so that at least {CROP_THREADS} threads show each way"
    raise SampleError(
        "not-woven",
        "What lies there does not look woven: no two sets of threads crossing each other were found.",
        f"Knits, felt, wood and paper cannot be measured. If it is woven, photograph it {distance}, sharply, "
        f"with light from the side{upright}.",
    )


def _check_fineness(patch: ClothPatch, plane: Plane, lattice: Lattice) -> tuple[Notice, ...]:
    """Refuse threads finer than the photo can show; advise where they are nearly so."""
    finest = min(lattice.ends.pitch_px, lattice.picks.pitch_px)
    if finest < FLOOR_PX:
        raise QualityError(
            "threads-too-fine",
            f"The threads are only {finest:.1f} pixels apart in the photo; about {FLOOR_PX:.0f} are the least.",
            _closer(plane, finest),
        )
    if finest < _EASY_PX:
        text = f"The finest threads are only {finest:.1f} pixels apart in the photo. {_closer(plane, finest)}"
        return (Notice("threads-fine", text),)
    return ()


def _closer(plane: Plane, finest_px: float) -> str:
    if plane.source == "scan":
        return f"Scan at {GOOD_PX / finest_px:.1f} times the resolution."
    if plane.camera_distance_mm is None:
        return f"Move {GOOD_PX / finest_px:.1f} times nearer."
    distance_cm = plane.camera_distance_mm * finest_px / GOOD_PX / 10
    return f"Move closer, to about {distance_cm:.0f} cm, and let the camera focus."


def _height(
    plane: Plane,
    options: SettOptions,
    sample: Sample,
    patch: ClothPatch,
    lattice: Lattice,
    weave: WeaveReading,
) -> HeightCorrection | None:
    if plane.source in ("none", "given", "scan"):
        return None  # nothing lies beside the cloth whose height could differ
    return estimate_height(
        pitch_mm=(lattice.ends.pitch_px / patch.px_per_mm, lattice.picks.pitch_px / patch.px_per_mm),
        face=weave.face,
        camera_distance_mm=plane.camera_distance_mm,
        bank_card=plane.source == "bank-card",
        card_on_cloth=options.card_on_cloth or _card_lies_on(plane, sample),
        thickness_mm=options.cloth_thickness_mm,
    )


def _card_lies_on(plane: Plane, sample: Sample) -> bool:
    """Tell whether the middle of a bank card lies inside the outline of the cloth."""
    if plane.source != "bank-card" or plane.card_outline_px is None:
        return False
    x, y = plane.to_mm(plane.card_outline_px).mean(axis=0)
    outline = sample.outline_mm.astype(np.float32).reshape(-1, 1, 2)
    return bool(cv2.pointPolygonTest(outline, (float(x), float(y)), False) > 0)


def _sample_reading(
    sample: Sample, plane: Plane, height: HeightCorrection | None, *, told: bool
) -> SampleReading:
    factor = 1.0 if height is None else height.length_factor
    scaled = plane.source != "none"
    whole_length = not ({"start", "end"} & sample.cut_off)
    width_mm = sample.width_mm * factor if scaled and sample.width_mm is not None else None
    edges_mm = sample.width_u95_mm if scaled else None
    return SampleReading(
        width_mm=width_mm,
        width_u95_mm=_with_scale(width_mm, edges_mm, plane, height),
        width_edges_u95_mm=edges_mm,
        length_mm=(sample.v_end_mm - sample.v_start_mm) * factor if scaled and whole_length else None,
        outline_px=plane.to_px(sample.outline_mm),
        warp_from=_warp_from(told, sample),
        warp_runs=_warp_runs(plane, sample),
    )


def _warp_from(told: bool, sample: Sample) -> Literal["told", "length", "fringe", "photo"]:
    if told:
        return "told"
    if sample.is_band:
        return "length"
    return "photo" if sample.fringe_tells is None else "fringe"


def _warp_runs(plane: Plane, sample: Sample) -> Literal["down", "across"]:
    x, y = np.abs(np.diff(plane.to_px(sample.frame.centre_mm[[0, -1]]), axis=0))[0]
    return "across" if x > y else "down"


def _with_scale(
    width_mm: float | None, edges_u95_mm: float | None, plane: Plane, height: HeightCorrection | None
) -> float | None:
    """Return the expanded uncertainty of a width from its edges, the scale and the height of the cloth."""
    if width_mm is None or edges_u95_mm is None:
        return None
    height_percent = 0.0 if height is None else COVERAGE_FACTOR * height.line.standard_percent
    return math.hypot(edges_u95_mm, width_mm * plane.u95_percent / 100.0, width_mm * height_percent / 100.0)
