"""The picture that lets a weaver check the count by eye: her photo with every tenth thread marked."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from .drawing import Label, Picture, dashes, footer, letter, stroke

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["Marks", "NumberedThread", "draw_marks", "encode", "enlarge_repeat"]

EVERY = 10
MAX_SIDE_PX = 4000  # a picture larger than this is a burden to open on a phone
MIN_SIDE_PX = 1400  # a smaller one has no room for numbers
LEAST_SHAPE = (
    0.4  # short side over long side: a long band gets table beside it, for the numbers and the words
)
JPEG_QUALITY = 90
REPEAT_SIDE_PX = 720.0
INSET_LINES = 8.0  # of text: as large is the repeat below the photo
LETTERS_SHARE = 0.011  # height of the numbers over height plus width of the picture


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberedThread:
    """One thread to mark: its number, counted from 1, and its course in photo pixels, shape (N, 2)."""

    number: int
    course_px: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Marks:
    """What is drawn on the photo; all positions in pixels of the upright photo."""

    outline_px: NDArray[np.float64]
    ends: Sequence[NumberedThread]
    picks: Sequence[NumberedThread]
    card_px: NDArray[np.float64] | None
    card_words: str
    caption: list[str]
    repeat_bgr: Picture | None


def draw_marks(photo_bgr: Picture, marks: Marks, *, letters_share: float = LETTERS_SHARE) -> Picture:
    """Return the part of the photo with sample and card, marked, captioned, with the averaged repeat below.

    `letters_share` is the height of the numbers over height plus width of the picture.
    """
    corner, size = _crop(photo_bgr, marks)
    scale = _scale(max(size))
    x, y = corner
    width, height = size
    view = np.ascontiguousarray(photo_bgr[y : y + height, x : x + width])
    if scale != 1.0:
        way = cv2.INTER_AREA if scale < 1.0 else cv2.INTER_CUBIC
        view = np.asarray(cv2.resize(view, None, fx=scale, fy=scale, interpolation=way), dtype=np.uint8)

    def place(points_px: NDArray[np.float64]) -> NDArray[np.float64]:
        # pixel centres lie at integers, so scaling moves them by half a pixel
        return (points_px - corner + 0.5) * scale - 0.5

    letters_px = max(18, round(letters_share * (view.shape[0] + view.shape[1])))
    line_px = max(1, round(letters_px / 14))
    stroke(view, place(marks.outline_px), thickness=line_px, closed=True)
    labels: list[Label] = []
    for thread in (*marks.ends, *marks.picks):
        labels += _mark_thread(view, thread, place(thread.course_px), letters_px=letters_px, line_px=line_px)
    if marks.card_px is not None:
        card = place(marks.card_px)
        stroke(view, card, thickness=line_px, closed=True)
        labels.append((marks.card_words, (float(card[:, 0].mean()), float(card[:, 1].mean()))))
    view = letter(view, _inside(labels, view, letters_px), size_px=letters_px)
    inset = None if marks.repeat_bgr is None else enlarge_repeat(marks.repeat_bgr, INSET_LINES * letters_px)
    return footer(view, marks.caption, size_px=letters_px, inset=inset, inset_text="averaged repeat")


def encode(picture: Picture, path: Path) -> bytes:
    """Return the bytes of `picture` in the format that the name of `path` asks for."""
    if path.suffix.lower() == ".png":
        done, data = cv2.imencode(".png", picture, [cv2.IMWRITE_PNG_COMPRESSION, 4])
    else:
        done, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    if not done:
        raise ValueError(f"OpenCV could not encode a picture of shape {picture.shape}")
    return bytes(data)


def _crop(photo_bgr: Picture, marks: Marks) -> tuple[NDArray[np.int64], tuple[int, int]]:
    """Return the top-left corner and the size of the part to show: sample, card and room for the numbers."""
    shown = [marks.outline_px] if marks.card_px is None else [marks.outline_px, marks.card_px]
    points = np.vstack(shown)
    span = np.ptp(points, axis=0)
    room = np.maximum(0.07 * span.max(), 0.5 * (LEAST_SHAPE * span.max() - span))
    limit = np.array([photo_bgr.shape[1], photo_bgr.shape[0]])
    low = np.clip(np.floor(points.min(axis=0) - room), 0, limit - 1).astype(np.int64)
    high = np.clip(np.ceil(points.max(axis=0) + room), low + 1, limit).astype(np.int64)
    width, height = (high - low).tolist()
    return low, (width, height)


def _scale(longest_px: int) -> float:
    if longest_px > MAX_SIDE_PX:
        return MAX_SIDE_PX / longest_px
    return float(max(1, -(-MIN_SIDE_PX // longest_px)))  # whole steps keep the threads crisp


def _mark_thread(
    view: Picture, thread: NumberedThread, course: NDArray[np.float64], *, letters_px: int, line_px: int
) -> list[Label]:
    """Draw one thread's course and a tick beyond each end of it; return its number for both ticks."""
    dashes(view, course, thickness=line_px, dash_px=0.6 * letters_px)
    labels: list[Label] = []
    for tip, inner in (
        (course[0], course[min(5, len(course) - 1)]),
        (course[-1], course[max(-6, -len(course))]),
    ):
        outward = tip - inner
        length = float(np.hypot(*outward))
        if length == 0.0:
            continue
        outward = outward / length
        stroke(view, np.stack([tip, tip + 0.9 * letters_px * outward]), thickness=line_px)
        at = tip + 1.8 * letters_px * outward
        labels.append((str(thread.number), (float(at[0]), float(at[1]))))
    return labels


def _inside(labels: list[Label], view: Picture, letters_px: int) -> list[Label]:
    """Move labels that would be cut by the picture's edge back into it."""
    height, width = view.shape[:2]
    moved = []
    for text, (x, y) in labels:
        half = 0.35 * letters_px * len(text) + 4
        moved.append((text, (min(max(x, half), width - half), min(max(y, letters_px), height - letters_px))))
    return moved


def enlarge_repeat(repeat_bgr: Picture, side_px: float = REPEAT_SIDE_PX) -> Picture:
    """Return the averaged repeat, a few dozen pixels wide, as large as it can be looked at."""
    factor = side_px / max(repeat_bgr.shape[:2])
    return np.asarray(
        cv2.resize(repeat_bgr, None, fx=factor, fy=factor, interpolation=cv2.INTER_CUBIC), dtype=np.uint8
    )
