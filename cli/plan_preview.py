"""The face of the planned cloth in plain weave, drawn from the colour order."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from PIL.Image import Image
    from PIL.ImageDraw import ImageDraw

    from .plan_colours import Rgb

__all__ = ["draw_face", "face_png"]

_OVERSAMPLE = 3
_MAX_WIDTH_PX = 2400


def face_png(
    ends: Sequence[str], weft: Sequence[str], paints: Mapping[str, Rgb], *, band: bool, picks: int = 24
) -> bytes:
    """Return the face as a PNG file."""
    out = io.BytesIO()
    draw_face(ends, weft, paints, band=band, picks=picks).save(out, format="PNG", optimize=True)
    return out.getvalue()


def draw_face(
    ends: Sequence[str], weft: Sequence[str], paints: Mapping[str, Rgb], *, band: bool, picks: int = 24
) -> Image:
    """Draw ends from left to right, picks from bottom to top.

    In a warp-faced band an end's float reaches over its neighbours' dips, and no weft shows but at the selvedges; in
    balanced cloth floats of warp and weft take turns.
    """
    from PIL import Image, ImageDraw

    pitch = max(2, min(14, _MAX_WIDTH_PX // (len(ends) + 2)))
    step = round(pitch * (2.2 if band else 1.0))
    size = ((len(ends) + 1) * pitch, (picks + 1) * step)
    k = _OVERSAMPLE
    picture = Image.new("RGB", (size[0] * k, size[1] * k), (255, 255, 255))
    draw = ImageDraw.Draw(picture)
    for row in range(picks):
        middle_y = (picks - row) * step * k
        _pick(draw, middle_y, step * k, pitch * k, len(ends), paints[weft[row % len(weft)]], band=band)
    for row in range(picks):
        middle_y = (picks - row) * step * k
        for i in range(len(ends)):
            if (i + row) % 2 == 0:
                reach, fullness = ((0.98, 0.86), 0.62) if band else ((0.5, 0.8), 0.78)
                at = ((i + 1) * pitch * k, middle_y)
                _float(draw, at, (reach[0] * pitch * k, reach[1] * step * k), fullness, paints[ends[i]])
    return picture.resize(size, Image.Resampling.LANCZOS)


def _pick(draw: ImageDraw, y: float, step: float, pitch: float, ends: int, paint: Rgb, *, band: bool) -> None:
    half = (0.2 if band else 0.42) * step
    left, right = 0.45 * pitch, (ends + 0.55) * pitch
    draw.rounded_rectangle((left, y - half, right, y + half), half, fill=paint, outline=_darker(paint))


def _float(
    draw: ImageDraw, at: tuple[float, float], reach: tuple[float, float], fullness: float, paint: Rgb
) -> None:
    # A float is fullest in the middle and slips under the next picks at its ends.
    right = [(fullness, -fullness), (1.0, 0.0), (fullness, fullness)]
    shape = [(0.0, -1.0), *right, (0.0, 1.0), *((-x, y) for x, y in right[::-1])]
    points = [(at[0] + reach[0] * x, at[1] + reach[1] * y) for x, y in shape]
    draw.polygon(points, fill=paint, outline=_darker(paint))


def _darker(paint: Rgb) -> Rgb:
    red, green, blue = (round(c * 0.6) if sum(paint) > 120 else c + 45 for c in paint)
    return red, green, blue
