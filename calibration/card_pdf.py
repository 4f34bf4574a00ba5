"""Writing card sheets to an exact-size vector PDF and to a preview picture."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .card_sheets import MM_PER_POINT, Rectangles, Sheet, Stroke, Words
from .units import MM_PER_INCH

if TYPE_CHECKING:
    from PIL import ImageDraw

__all__ = ["card_pdf", "card_preview", "words_width_mm"]

_FACES = {"plain": ("Vera", "Vera.ttf"), "bold": ("VeraBd", "VeraBd.ttf")}
_POINTS_PER_MM = 72.0 / MM_PER_INCH


def _font_file(face: str) -> Path:
    """Return the font file that comes with reportlab (Bitstream Vera), so that every reader shows the same."""
    import reportlab

    return Path(reportlab.__file__).parent / "fonts" / _FACES[face][1]


def _register_fonts() -> None:
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    known = set(pdfmetrics.getRegisteredFontNames())
    for face, (name, _) in _FACES.items():
        if name not in known:
            pdfmetrics.registerFont(TTFont(name, str(_font_file(face))))


def words_width_mm(words: Words) -> float:
    """Return the printed width of a line of text."""
    from reportlab.pdfbase import pdfmetrics

    _register_fonts()
    return float(pdfmetrics.stringWidth(words.text, _FACES[words.face][0], words.size_pt)) * MM_PER_POINT


def card_pdf(sheets: Sequence[Sheet], *, title: str) -> bytes:
    """Return the sheets as a PDF file; equal sheets give equal bytes.

    Parameters
    ----------
    sheets : sequence of Sheet
        What to print.
    title : str
        Title in the document's properties.
    """
    from reportlab.pdfgen.canvas import Canvas

    _register_fonts()
    stream = io.BytesIO()
    canvas = Canvas(stream, invariant=1, pageCompression=1)
    canvas.setTitle(title)
    canvas.setCreator("pickglass")
    # Viewers that honour this open the print dialogue with "no scaling" chosen (ISO 32000-1, table 150).
    canvas.setViewerPreference("PrintScaling", "None")
    for sheet in sheets:
        canvas.setPageSize((sheet.width_mm * _POINTS_PER_MM, sheet.height_mm * _POINTS_PER_MM))
        for item in sheet.items:
            _paint_pdf(canvas, sheet.height_mm, item)
        canvas.showPage()
    canvas.save()
    return stream.getvalue()


def _paint_pdf(canvas: object, height_mm: float, item: Rectangles | Stroke | Words) -> None:
    from reportlab.pdfgen.canvas import Canvas

    assert isinstance(canvas, Canvas)
    scale = _POINTS_PER_MM
    if isinstance(item, Rectangles):
        canvas.setFillGray(item.lightness)
        path = canvas.beginPath()
        for x, y, width, height in item.boxes:
            path.rect(x * scale, (height_mm - y - height) * scale, width * scale, height * scale)
        canvas.drawPath(path, stroke=0, fill=1)
    elif isinstance(item, Stroke):
        canvas.setStrokeGray(item.lightness)
        canvas.setLineWidth(item.width * scale)
        canvas.setDash((1.5 * scale, 1.5 * scale) if item.dashed else ())
        canvas.line(
            item.x0 * scale, (height_mm - item.y0) * scale, item.x1 * scale, (height_mm - item.y1) * scale
        )
    else:
        canvas.saveState()
        canvas.translate(item.x * scale, (height_mm - item.y) * scale)
        canvas.rotate(item.turn_deg)
        canvas.setFillGray(0.0)
        canvas.setFont(_FACES[item.face][0], item.size_pt)
        draw = {
            "left": canvas.drawString,
            "centre": canvas.drawCentredString,
            "right": canvas.drawRightString,
        }
        draw[item.align](0.0, 0.0, item.text)
        canvas.restoreState()


def card_preview(sheets: Sequence[Sheet], *, dots_per_mm: float = 6.0) -> NDArray[np.uint8]:
    """Return a grey picture of the sheets, one under the other with a grey gap, shape (M, N).

    Only for looking at: pixels are rounded, so print the PDF.
    """
    from PIL import Image, ImageDraw

    over = 3  # painted at three times the size and averaged, for smooth lines
    scale = dots_per_mm * over
    pictures: list[NDArray[np.uint8]] = []
    for sheet in sheets:
        size = (round(sheet.width_mm * scale), round(sheet.height_mm * scale))
        canvas = Image.new("L", size, 255)
        draw = ImageDraw.Draw(canvas)
        for item in sheet.items:
            _paint_picture(canvas, draw, scale, item)
        small = canvas.resize((size[0] // over, size[1] // over), Image.Resampling.BOX)
        pictures.append(np.asarray(small, dtype=np.uint8))
        pictures.append(np.full((max(1, round(5 * dots_per_mm)), size[0] // over), 170, dtype=np.uint8))
    return np.concatenate(pictures[:-1], axis=0)


def _paint_picture(
    canvas: object, draw: ImageDraw.ImageDraw, scale: float, item: Rectangles | Stroke | Words
) -> None:
    from PIL import Image, ImageDraw, ImageFont

    assert isinstance(canvas, Image.Image)
    if isinstance(item, Rectangles):
        for x, y, width, height in item.boxes:
            far = (round((x + width) * scale) - 1, round((y + height) * scale) - 1)
            draw.rectangle(((round(x * scale), round(y * scale)), far), fill=round(255 * item.lightness))
    elif isinstance(item, Stroke):
        ink = round(255 * item.lightness)
        for start, stop in _dashes(item):
            points = [tuple(v * scale for v in start), tuple(v * scale for v in stop)]
            draw.line(points, fill=ink, width=max(1, round(item.width * scale)))
    else:
        size = item.size_pt * MM_PER_POINT * scale
        font = ImageFont.truetype(str(_font_file(item.face)), size)
        anchor = {"left": "ls", "centre": "ms", "right": "rs"}[item.align]
        reach = math.ceil(font.getlength(item.text)) + round(2 * size)
        patch = Image.new("L", (2 * reach, 2 * reach), 0)
        ImageDraw.Draw(patch).text((reach, reach), item.text, fill=255, font=font, anchor=anchor)
        patch = patch.rotate(item.turn_deg, resample=Image.Resampling.BICUBIC)
        corner = (round(item.x * scale) - reach, round(item.y * scale) - reach)
        canvas.paste(0, (*corner, corner[0] + 2 * reach, corner[1] + 2 * reach), patch)


def _dashes(line: Stroke) -> list[tuple[tuple[float, float], tuple[float, float]]]:
    """Return the painted stretches of a line."""
    ends = ((line.x0, line.y0), (line.x1, line.y1))
    if not line.dashed:
        return [ends]
    dash = 1.5
    length = math.hypot(line.x1 - line.x0, line.y1 - line.y0)
    along = ((line.x1 - line.x0) / length, (line.y1 - line.y0) / length)
    stretches = []
    at = 0.0
    while at < length:
        stop = min(at + dash, length)
        stretches.append(
            (
                (line.x0 + at * along[0], line.y0 + at * along[1]),
                (line.x0 + stop * along[0], line.y0 + stop * along[1]),
            )
        )
        at += 2 * dash
    return stretches
