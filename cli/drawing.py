"""Strokes and letters that stay readable on any cloth, in grey print and to every eye.

No mark relies on its hue: each line is a light core on a dark border, each number light with a dark rim.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from PIL.ImageFont import FreeTypeFont, ImageFont

__all__ = ["DARK", "LIGHT", "PAPER", "Label", "dashes", "footer", "letter", "stroke"]

Picture = NDArray[np.uint8]
Label = tuple[str, tuple[float, float]]  # text and the (x, y) of its middle

DARK = (38, 22, 12)  # BGR
LIGHT = (236, 250, 255)
PAPER = (240, 246, 248)


def stroke(picture: Picture, points: NDArray[np.float64], *, thickness: int, closed: bool = False) -> None:
    """Draw a polyline of shape (N, 2) in place: dark border, light core."""
    fixed = _fixed_point(points)
    cv2.polylines(picture, [fixed], closed, DARK, thickness * 3, cv2.LINE_AA, _SHIFT)
    cv2.polylines(picture, [fixed], closed, LIGHT, thickness, cv2.LINE_AA, _SHIFT)


def dashes(picture: Picture, points: NDArray[np.float64], *, thickness: int, dash_px: float) -> None:
    """Draw a polyline in place as dark and light dashes in turn, so that the thread beneath stays to be seen.

    One dash in three is left out altogether.
    """
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    if length[-1] < dash_px:
        return
    steps = np.arange(0.0, length[-1], dash_px)
    ends = np.minimum(steps + dash_px, length[-1])
    for turn, (start, end) in enumerate(zip(steps, ends, strict=True)):
        if turn % 3 == 2:
            continue
        at = np.concatenate([[start], length[(length > start) & (length < end)], [end]])
        piece = np.column_stack([np.interp(at, length, points[:, axis]) for axis in (0, 1)])
        colour = DARK if turn % 3 == 0 else LIGHT
        cv2.polylines(picture, [_fixed_point(piece)], False, colour, thickness, cv2.LINE_AA, _SHIFT)


def letter(picture: Picture, labels: Iterable[Label], *, size_px: int) -> Picture:
    """Return the picture with each text written around its middle, light with a dark rim."""
    from PIL import Image, ImageDraw

    canvas = Image.fromarray(picture)
    pen = ImageDraw.Draw(canvas)
    font = _font(size_px)
    for text, middle in labels:
        pen.text(
            middle,
            _drawable(text),
            font=font,
            fill=LIGHT,
            anchor="mm",
            align="center",
            stroke_width=max(2, size_px // 8),
            stroke_fill=DARK,
        )
    return np.asarray(canvas)


def footer(
    picture: Picture, lines: list[str], *, size_px: int, inset: Picture | None, inset_text: str
) -> Picture:
    """Return the picture with a paper strip below it: the averaged repeat on the left, words on the right."""
    from PIL import Image, ImageDraw

    font = _font(size_px)
    measure = ImageDraw.Draw(Image.new("L", (1, 1))).textlength
    gap, line_px = size_px, int(1.5 * size_px)
    left, inset_height = gap, 0
    if inset is not None:
        left += max(inset.shape[1], int(measure(inset_text, font=font))) + 2 * gap
        inset_height = inset.shape[0] + line_px
    room = max(picture.shape[1] - left - gap, 8 * size_px)
    wrapped = [
        part for line in lines for part in _wrap(line, lambda text: measure(_drawable(text), font=font), room)
    ]
    height = max(len(wrapped) * line_px, inset_height) + 2 * gap
    strip = np.full((height, picture.shape[1], 3), PAPER, np.uint8)
    if inset is not None:
        strip[gap : gap + inset.shape[0], gap : gap + inset.shape[1]] = inset
        cv2.rectangle(
            strip, (gap - 2, gap - 2), (gap + inset.shape[1] + 1, gap + inset.shape[0] + 1), DARK, 2
        )
    canvas = Image.fromarray(strip)
    pen = ImageDraw.Draw(canvas)
    if inset is not None:
        pen.text((gap, gap + inset.shape[0] + size_px // 3), inset_text, font=font, fill=DARK)
    for row, line in enumerate(wrapped):
        pen.text((left, gap + row * line_px), _drawable(line), font=font, fill=DARK)
    return np.vstack([picture, np.asarray(canvas)])


def _wrap(line: str, length_px: Callable[[str], float], room_px: float) -> Iterator[str]:
    """Yield `line` broken between words so that each piece fits into `room_px`."""
    piece = ""
    for word in line.split(" "):
        longer = f"{piece} {word}" if piece else word
        if piece and length_px(longer) > room_px:
            yield piece
            piece = word
        else:
            piece = longer
    yield piece


_SHIFT = 4  # fractional bits of cv2's sub-pixel drawing


def _fixed_point(points: NDArray[np.float64]) -> NDArray[np.int32]:
    return np.round(points * (1 << _SHIFT)).astype(np.int32).reshape(-1, 1, 2)


def _drawable(text: str) -> str:
    """Return `text` in the letters that Pillow's own font has; a file name may hold any others."""
    text = text.translate({ord("×"): "x", ord("–"): "-", ord("…"): "...", 0xA0: " "})
    return "".join(c if c in "±°\n" or " " <= c <= "~" else "?" for c in text)


def _font(size_px: int) -> FreeTypeFont | ImageFont:
    from PIL import ImageFont

    return ImageFont.load_default(size_px)
