"""What would help the next photo most, each remedy worked out for the photo at hand.

It brings what a budget line would shrink by, pixels added to a thread, or contrast that blur has taken.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..calibration.budget import BudgetLine, combine_percent, rectangular_percent
from ..calibration.card_budget import LENS_ORIGINS
from ..calibration.card_choice import RULE_READING_MM
from ..calibration.card_design import CHECK_BAR_MM
from .height import estimate_height
from .sett import FLOOR_PX, GOOD_PX

if TYPE_CHECKING:
    from ..calibration.quality import PhotoLook
    from .photo_quality import PhotoQuality
    from .results import ThreadReading
    from .sett import SettMeasurement

__all__ = ["Advice", "Remedies"]

_PLENTY_PX = 12.0  # stepping back to this many costs nothing
_SHARP_KEPT = 0.75  # of the threads' contrast; blur that takes less is not worth a word
_LEVEL_DEG = 3.0  # what a hand holds without an aid (common practice)
_TILT_DEG = 8.0
_CLIPPED_SHARE = 0.02
_DIM_LEVEL = 110  # brightest hundredth of the picture, 8-bit sRGB: 16 % of full light
_FAINT_CONTRAST = 0.05  # of the cloth's brightness; a white thread on white in flat light has less
_FRAME_MARGIN = 1.05
_NEAREST_MM, _FARTHEST_MM = 120.0, 600.0  # main cameras of phones focus no nearer; arms reach no farther
_DOUBT_THAT_MATTERS_PERCENT = 1.5  # one end in 66; smaller doubts make advice less worth giving
_LENS_LEFT = (
    0.3  # of the line of lens and focal length once the lens is learned: 0.03 to 0.01, 0.015 to 0.002
)
_FOCAL_LEFT = 0.03 / 0.35  # doubt of a focal length read from the file over that of an unknown one


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """One thing to do otherwise, with what it would bring.

    Attributes
    ----------
    code : str
        Stable identifier.
    text : str
        What to do and what it would bring, in plain words.
    help_share : float
        0 (nothing) to 1 (everything); only for the order.
    doubt_now_percent, doubt_then_percent : float or None
        Expanded uncertainty of the less certain density, now and with this remedy alone; None where the gain is not
        one of uncertainty.
    """

    code: str
    text: str
    help_share: float
    doubt_now_percent: float | None = None
    doubt_then_percent: float | None = None


@dataclass(frozen=True, slots=True)
class Remedies:
    """Works out what each remedy would bring.

    Attributes
    ----------
    shape : tuple of int
        Shape of the photo's pixel array.
    look : PhotoLook
        Its light and sharpness as a whole.
    measurement : SettMeasurement
        What was measured in it.
    quality : PhotoQuality
        What the photo was like, its advice still empty.
    dpi : float or None
        Resolution of a scan.
    """

    shape: tuple[int, ...]
    look: PhotoLook
    measurement: SettMeasurement
    quality: PhotoQuality
    dpi: float | None

    def all(self) -> Iterable[Advice]:
        """Yield what could be done otherwise, in no order; much of it may bring next to nothing."""
        yield from self._nearer()
        yield from self._sharper()
        yield from self._light()
        yield from self._level()
        yield from self._card()
        yield from self._lens()
        yield from self._height()

    # What the eye needs

    def _nearer(self) -> Iterable[Advice]:
        finest = min(self.quality.px_per_end, self.quality.px_per_pick)
        if finest >= GOOD_PX:
            return
        short = min(1.0, (GOOD_PX - finest) / (GOOD_PX - FLOOR_PX))
        plane = self.measurement.plane
        if plane.source == "scan":
            at = (
                ""
                if self.dpi is None
                else f", at {math.ceil(self.dpi * GOOD_PX / finest / 50) * 50:.0f} dots per inch"
            )
            text = f"Scan it more finely{at}: threads are {finest:.1f} pixels apart, {GOOD_PX:.0f} would do."
            yield Advice(code="finer-scan", text=text, help_share=short)
            return
        distance = self.quality.camera_distance_mm
        if distance is None:
            text = (
                f"Move {GOOD_PX / finest:.1f} times nearer: threads are {finest:.1f} pixels apart, "
                f"{GOOD_PX:.0f} would do."
            )
            yield Advice(code="nearer", text=text, help_share=short)
            return
        wanted = max(distance * finest / GOOD_PX, _NEAREST_MM)
        fits = max(distance * self._filled() * _FRAME_MARGIN, _NEAREST_MM)
        target = max(wanted, fits)
        then = finest * distance / target
        text = f"Move to {_cm(target)}: threads are then {then:.0f} pixels apart instead of {finest:.1f}."
        if target > 0.93 * distance:
            text = (
                f"Photograph only a part of the cloth with the card, from {_cm(wanted)}: threads are then "
                f"{finest * distance / wanted:.0f} pixels apart instead of {finest:.1f}."
            )
        yield Advice(code="nearer", text=text, help_share=short)

    def _filled(self) -> float:
        """Return how much of the frame cloth and card fill, the fuller of width and height."""
        height, width = self.shape[:2]
        outlines = [self.measurement.result.sample.outline_px]
        card = self.measurement.plane.card_outline_px
        if card is not None and self.measurement.plane.source != "rail":
            outlines.append(card)
        points = np.clip(np.concatenate(outlines), 0.0, [width - 1.0, height - 1.0])
        # The photo is taken nearer about its centre.
        away = np.abs(points - [(width - 1) / 2.0, (height - 1) / 2.0]).max(axis=0)
        spread = points.max(axis=0) - points.min(axis=0)
        reach = np.minimum(2.0 * away, 0.5 * (2.0 * away + spread))  # the aim can be shifted a little
        return float(max(reach[0] / width, reach[1] / height))

    def _sharper(self) -> Iterable[Advice]:
        kept = self.quality.contrast_kept
        if kept is None or kept >= _SHARP_KEPT or self.measurement.plane.source == "scan":
            return
        text = (
            f"Tap on the cloth to focus and rest the phone on something: blur leaves {100 * kept:.0f} % of the finer "
            "threads' contrast."
        )
        yield Advice(code="sharper", text=text, help_share=1.0 - kept)

    def _light(self) -> Iterable[Advice]:
        share = self.quality.clipped_percent / 100.0
        if share > _CLIPPED_SHARE:
            text = (
                f"Turn the lamp so that it does not shine back, or tap on the cloth before shooting: {100 * share:.0f} % of "
                "the cloth is pure white and shows no threads."
            )
            yield Advice(code="glare", text=text, help_share=min(1.0, 3.0 * share))
        if self.look.bright_level < _DIM_LEVEL:
            text = "Take it in more light: even the brightest part of the photo is dim, and noise hides fine threads."
            yield Advice(code="more-light", text=text, help_share=0.3)
        contrast = self.quality.thread_contrast_percent / 100.0
        if contrast < _FAINT_CONTRAST:
            text = (
                "Turn the lamp, or the cloth, so that light falls low from the side: the threads differ from their gaps "
                f"by only {100 * contrast:.0f} % of the brightness."
            )
            yield Advice(code="side-light", text=text, help_share=0.8 * (1.0 - contrast / _FAINT_CONTRAST))

    # What the budget needs

    def _lines(self, reading: ThreadReading) -> list[BudgetLine]:
        own = [line for line in reading.budget if line.name != "scale"]
        return own + list(self.measurement.plane.budget)

    def _worse(self) -> tuple[str, ThreadReading]:
        result = self.measurement.result
        pairs = (("ends", result.ends), ("picks", result.picks))
        return max(pairs, key=lambda pair: combine_percent(self._lines(pair[1])))

    def _brings(self, changed: Mapping[str, float]) -> tuple[float, float, float, str]:
        """Return doubt now, doubt then, help and the words for it, with some lines changed to a new standard percent."""
        name, reading = self._worse()
        lines = self._lines(reading)
        now = combine_percent(lines)
        squares = math.fsum(
            min(changed.get(line.name, math.inf), line.standard_percent) ** 2 for line in lines
        )
        then = 2.0 * math.sqrt(squares)
        help_share = (now - then) / max(now, 1e-9) * min(1.0, now / _DOUBT_THAT_MATTERS_PERCENT)
        return now, then, help_share, f"the doubt of the {name} falls from {now:.1f} to {then:.1f} %"

    def _budgeted(self, code: str, what: str, changed: Mapping[str, float]) -> Iterable[Advice]:
        if self.measurement.result.ends.per_inch is None:
            return
        now, then, help_share, words = self._brings(changed)
        yield Advice(
            code=code,
            text=f"{what}: {words}.",
            help_share=help_share,
            doubt_now_percent=now,
            doubt_then_percent=then,
        )

    def _line(self, name: str) -> BudgetLine | None:
        _, reading = self._worse()
        return next((line for line in self._lines(reading) if line.name == name), None)

    def _level(self) -> Iterable[Advice]:
        tilt, plane = self.quality.tilt_deg, self.measurement.plane
        if tilt is None or tilt < _TILT_DEG:
            return
        scales = [plane.px_per_mm_at(point) for point in self.measurement.sample.outline_mm[::4]]
        lost = 1.0 - min(scales) / max(scales)
        text = (
            f"Hold the phone level: it was tilted by {tilt:.0f}°, and the far side of the cloth shows "
            f"{100 * lost:.0f} % fewer pixels than the near one"
        )
        line = self._line("focal length")
        left = math.tan(math.radians(_LEVEL_DEG)) / math.tan(math.radians(tilt))
        changed = {} if line is None else {"focal length": line.standard_percent * left}
        now, then, help_share, words = self._brings(changed)
        figures = now - then > 0.05
        yield Advice(
            code="level",
            text=f"{text}; {words}." if figures else f"{text}.",
            help_share=max(help_share, 0.5 * lost),
            doubt_now_percent=now if figures else None,
            doubt_then_percent=then if figures else None,
        )

    def _card(self) -> Iterable[Advice]:
        plane = self.measurement.plane
        codes = {notice.code for notice in plane.notices}
        if "card-unconfirmed" in codes:
            checked = rectangular_percent(100.0 * RULE_READING_MM / CHECK_BAR_MM)
            what = f"Measure the two bars of card {plane.card_code} and tell pickglass card"
            yield from self._budgeted("check-bars", what, {"print scale": checked})
        if self._line("curled paper") is not None:
            what = "Press the card flat or tape its corners down"
            yield from self._budgeted("flat-card", what, {"curled paper": 0.0})
        share = plane.card_seen
        if share is not None and share < 0.9:
            names = ("marker corners", "edge points", "focal length and lens distortion")
            found = ((name, self._line(name)) for name in names)
            changed = {
                name: line.standard_percent * math.sqrt(share) for name, line in found if line is not None
            }
            what = f"Leave the whole card in view, {100 * share:.0f} % of it could be used"
            yield from self._budgeted("whole-card", what, changed)

    def _lens(self) -> Iterable[Advice]:
        line = self._line("focal length and lens distortion")
        if line is not None and line.origin != LENS_ORIGINS["learned"]:
            what = "Let pickglass lens learn your phone's lens"
            yield from self._budgeted("learn-lens", what, {line.name: _LENS_LEFT * line.standard_percent})
        line = self._line("focal length")
        if line is not None and "focal-length-unknown" in {n.code for n in self.measurement.plane.notices}:
            what = "Use the photo as the phone saved it, which tells the focal length"
            yield from self._budgeted(
                "original-photo", what, {line.name: _FOCAL_LEFT * line.standard_percent}
            )

    def _height(self) -> Iterable[Advice]:
        height, distance = self.measurement.height, self.quality.camera_distance_mm
        if height is None:
            return
        line = height.line
        told = self._with_thickness_told()
        if told is not None:
            what = "Measure the cloth's thickness and give it with --cloth-thickness"
            yield from self._budgeted("tell-thickness", what, {line.name: told})
        finest = min(self.quality.px_per_end, self.quality.px_per_pick)
        if distance is None or finest <= _PLENTY_PX or self.measurement.plane.source == "rail":
            return
        target = min(distance * finest / _PLENTY_PX, _FARTHEST_MM)
        if target < 1.15 * distance:
            return
        what = (
            f"Photograph it from {_cm(target)}, where the cloth's height matters less and threads still show"
        )
        yield from self._budgeted("farther", what, {line.name: line.standard_percent * distance / target})

    def _with_thickness_told(self) -> float | None:
        """Return the standard percent of the line of height if the thickness were told; None when it was."""
        measurement = self.measurement
        height, plane, patch = measurement.height, measurement.plane, measurement.patch
        if height is None or "as given" in height.line.origin:
            return None
        result = measurement.result
        on_cloth = height.height_mm < 0 and plane.source == "bank-card" and height.height_mm < -0.76

        def estimate(thickness_mm: float | None) -> tuple[float, float]:
            again = estimate_height(
                pitch_mm=(result.ends.pitch_px / patch.px_per_mm, result.picks.pitch_px / patch.px_per_mm),
                face=result.weave.face,
                camera_distance_mm=plane.camera_distance_mm,
                bank_card=plane.source == "bank-card",
                card_on_cloth=on_cloth,
                thickness_mm=thickness_mm,
            )
            return again.height_mm, again.line.standard_percent

        # Heights grow by half the thickness: so the thickness that was estimated can be told from the height.
        thickness = 1.0 + 2.0 * abs(height.height_mm - estimate(1.0)[0])
        return estimate(thickness)[1]


def _cm(distance_mm: float) -> str:
    return f"{distance_mm / 10.0:.0f} cm"
