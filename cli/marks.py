"""From a measurement to what is drawn on the photo: courses of threads in photo pixels, and the words below."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .overlay import EVERY, Marks, NumberedThread
from .sett_text import caption_lines

if TYPE_CHECKING:
    from collections.abc import Callable

    from ..measure.sett import SettMeasurement

__all__ = ["marks_of", "numbers_to_mark"]

POINTS_PER_COURSE = 80
_CARD_WORDS = {
    "bank-card": "bank card\n85.60 × 53.98 mm",
    "page-card": "page card",
    "pocket-card": "pocket card",
    "rail": "rail",
}


def marks_of(measurement: SettMeasurement) -> Marks:
    """Return the marks for the picture of one measurement."""
    tracks, plane = measurement.tracks, measurement.plane
    ends = tracks.ends.centres_index
    picks = measurement.woven_picks.centres_index

    def course(end_index: NDArray[np.float64], pick_index: NDArray[np.float64]) -> NDArray[np.float64]:
        x_px, y_px = tracks.threads.to_patch(
            end_index + tracks.threads.first_end, pick_index + tracks.threads.first_pick
        )
        patch = measurement.patch
        uv_mm = np.column_stack([patch.u0_mm + x_px / patch.px_per_mm, patch.v0_mm + y_px / patch.px_per_mm])
        return plane.to_px(patch.frame.to_plane(uv_mm))

    outline_known = plane.card_outline_px is not None and plane.blank_region_mm is None
    code = f" {plane.card_code}" if plane.card_code else ""
    return Marks(
        outline_px=measurement.result.sample.outline_px,
        ends=_threads(ends, picks, course),
        picks=_threads(picks, ends, lambda pick, end: course(end, pick)),
        card_px=plane.card_outline_px,
        card_words=_CARD_WORDS.get(plane.source, "") + code if outline_known else "",
        caption=caption_lines(measurement.result, plane),
        repeat_bgr=measurement.repeat.bgr,
    )


def numbers_to_mark(count: int) -> list[int]:
    """Return the numbers to show of `count` threads: the first, every tenth, the last where there is room."""
    numbers = [1, *range(EVERY, count + 1, EVERY)]
    if count - numbers[-1] >= EVERY // 2:
        numbers.append(count)
    return numbers


def _threads(
    own_index: NDArray[np.float64],
    other_index: NDArray[np.float64],
    course: Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]],
) -> list[NumberedThread]:
    """Return the threads to mark, each followed from half a thread before the first crossing one to behind the last."""
    if len(own_index) == 0 or len(other_index) == 0:
        return []  # one system could not be followed, so there is no grid to place a thread on
    along = np.linspace(other_index[0] - 0.5, other_index[-1] + 0.5, POINTS_PER_COURSE)
    return [
        NumberedThread(number=number, course_px=course(np.full_like(along, own_index[number - 1]), along))
        for number in numbers_to_mark(len(own_index))
    ]
