"""Printed reference cards as drawings: sheets of plain shapes and words, in millimetres.

The drawing knows nothing of PDF or pixels, so that the file writer and the preview show the same thing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from .card_design import (
    CHECK_BAR_MM,
    MARKER_MODULES,
    PAGE_MARGIN_MM,
    PAGE_MARKER_MM,
    PAGE_QUIET_MM,
    PAPER_SIZE_MM,
    POCKET_SIZE_MM,
    RAIL_HEIGHT_MM,
    RAIL_PART_MM,
    RAIL_PITCH_MM,
    RAIL_ROW_TOP_MM,
    CardCode,
    CardLayout,
    Paper,
    card_layout,
    rail_parts,
)
from .units import MM_PER_INCH

__all__ = ["Rectangles", "Sheet", "Stroke", "Words", "card_sheets"]

GREY_PATCH = 0.5  # lightness of the grey patch in the printer's own scale, 0 black to 1 white
MM_PER_POINT = MM_PER_INCH / 72.0
SMALL_PT = 10.0  # the smallest size on any card: readable without glasses


Face = Literal["plain", "bold"]

POCKET_STEPS: tuple[tuple[str, Face], ...] = (
    ("1.  Print at 100 % (actual size) on matt paper.", "plain"),
    ("2.  Measure both bars with a rule,", "plain"),
    ("     from line to line, in millimetres.", "plain"),
    ("3.  Type what you measured:", "plain"),
    ("     pickglass card --code {code}", "bold"),
    ("            --measured …x…", "bold"),
    ("4.  Cut along the dashed line", "plain"),
    ("     and glue the card on stiff board.", "plain"),
)


@dataclass(frozen=True, slots=True)
class Rectangles:
    """Filled rectangles (x, y, width, height) of one lightness, painted as one shape."""

    boxes: tuple[tuple[float, float, float, float], ...]
    lightness: float = 0.0


@dataclass(frozen=True, slots=True)
class Stroke:
    """A straight line."""

    x0: float
    y0: float
    x1: float
    y1: float
    width: float = 0.25
    lightness: float = 0.0
    dashed: bool = False


@dataclass(frozen=True, slots=True)
class Words:
    """A line of text; (x, y) is on its base line, `turn_deg` is counted anticlockwise on the sheet."""

    x: float
    y: float
    text: str
    size_pt: float = SMALL_PT
    face: Face = "plain"
    align: Literal["left", "centre", "right"] = "left"
    turn_deg: int = 0


@dataclass(frozen=True, slots=True)
class Sheet:
    """One sheet of paper; the origin is its top left corner, y runs down."""

    width_mm: float
    height_mm: float
    items: tuple[Rectangles | Stroke | Words, ...]


def card_sheets(code: CardCode, *, paper: Paper = "a4", length_mm: float = 960.0) -> tuple[Sheet, ...]:
    """Return the sheets to print for one card.

    Parameters
    ----------
    code : CardCode
        The card; a page card brings its own paper.
    paper : str
        Sheet for a pocket card or a rail.
    length_mm : float
        Length of a rail; rounded up to whole parts.
    """
    if code.kind == "page":
        return (_page_sheet(code),)
    if code.kind == "pocket":
        return (_pocket_sheet(code, paper),)
    return _rail_sheets(code, paper, rail_parts(length_mm))


def _marker_boxes(marker_id: int, corners: NDArray[np.float64]) -> Rectangles:
    """Return a marker as rectangles: runs of black modules, row by row."""
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    modules = cv2.aruco.generateImageMarker(family, marker_id, MARKER_MODULES, borderBits=1) < 128
    (x0, y0), side = corners[0], float(corners[1, 0] - corners[0, 0])
    step = side / MARKER_MODULES
    boxes: list[tuple[float, float, float, float]] = []
    for row in range(MARKER_MODULES):
        edges = np.flatnonzero(np.diff(np.concatenate([[0], modules[row].astype(np.int8), [0]])))
        for start, stop in edges.reshape(-1, 2):
            boxes.append((x0 + start * step, y0 + row * step, (stop - start) * step, step))
    return Rectangles(tuple((float(x), float(y), float(w), float(h)) for x, y, w, h in boxes))


def _patches(layout: CardLayout) -> list[Rectangles | Stroke | Words]:
    """Return the neutral patches with their thin frames; the white one is bare paper."""
    items: list[Rectangles | Stroke | Words] = []
    for name, quads in layout.patches.items():
        for quad in quads:
            (x, y), side = quad[0], float(quad[1, 0] - quad[0, 0])
            if name == "grey":
                items.append(Rectangles(((float(x), float(y), side, side),), GREY_PATCH))
            else:
                items += _frame(float(x), float(y), side, side)
    return items


def _frame(x: float, y: float, width: float, height: float, *, dashed: bool = False) -> list[Stroke]:
    """Return the outline of a rectangle."""
    right, bottom = x + width, y + height
    line = 0.2
    return [
        Stroke(x, y, right, y, line, dashed=dashed),
        Stroke(right, y, right, bottom, line, dashed=dashed),
        Stroke(right, bottom, x, bottom, line, dashed=dashed),
        Stroke(x, bottom, x, y, line, dashed=dashed),
    ]


def _across_bar(x: float, y: float) -> list[Rectangles | Stroke | Words]:
    """Return the horizontal check bar: two end lines whose middles are 100 mm apart, and its label."""
    middle, gap, reach = x + CHECK_BAR_MM / 2.0, 10.0, 2.5
    return [
        Stroke(x, y - reach, x, y + reach),
        Stroke(x + CHECK_BAR_MM, y - reach, x + CHECK_BAR_MM, y + reach),
        Stroke(x, y, middle - gap, y, 0.8),
        Stroke(middle + gap, y, x + CHECK_BAR_MM, y, 0.8),
        Words(middle, y + 1.3, f"{CHECK_BAR_MM:g} mm", SMALL_PT, "bold", "centre"),
    ]


def _upright_bar(x: float, y: float) -> list[Rectangles | Stroke | Words]:
    """Return the vertical check bar."""
    middle, gap, reach = y + CHECK_BAR_MM / 2.0, 10.0, 2.5
    return [
        Stroke(x - reach, y, x + reach, y),
        Stroke(x - reach, y + CHECK_BAR_MM, x + reach, y + CHECK_BAR_MM),
        Stroke(x, y, x, middle - gap, 0.8),
        Stroke(x, middle + gap, x, y + CHECK_BAR_MM, 0.8),
        Words(x + 1.3, middle, f"{CHECK_BAR_MM:g} mm", SMALL_PT, "bold", "centre", turn_deg=90),
    ]


def _page_sheet(code: CardCode) -> Sheet:
    layout = card_layout(code)
    width, height = PAPER_SIZE_MM[code.paper or "a4"]
    items: list[Rectangles | Stroke | Words] = [
        _marker_boxes(marker_id, corners) for marker_id, corners in layout.markers.items()
    ]
    items += _patches(layout)
    bar_x = (width - CHECK_BAR_MM) / 2.0
    inner = PAGE_MARGIN_MM + PAGE_MARKER_MM + PAGE_QUIET_MM
    items += [
        Words(inner, 17.8, str(code), 22.0, "bold"),
        Words(width - inner, 13.0, "Measure both bars with a rule, then type", align="right"),
        Words(width - inner, 17.8, f"pickglass card --code {code} --measured …x…", align="right"),
    ]
    items += _across_bar(bar_x, 24.0)
    items += _upright_bar(width - PAGE_MARGIN_MM - 8.0, (height - CHECK_BAR_MM) / 2.0)
    for k, line in enumerate(("Print at 100 %.", "Sample flat in the middle,", "corners in the photo.")):
        items.append(Words(width / 2.0, height - 21.5 + 5.0 * k, line, 11.0, align="centre"))
    blank = layout.blank
    if blank is not None:
        items += _corner_angles(blank)
    return Sheet(width, height, tuple(items))


def _corner_angles(quad: NDArray[np.float64]) -> list[Stroke]:
    """Return small angles that mark the corners of the empty middle without a line beside the sample."""
    strokes = []
    centre = quad.mean(axis=0)
    for x, y in quad:
        dx, dy = math.copysign(6.0, centre[0] - x), math.copysign(6.0, centre[1] - y)
        strokes.append(Stroke(float(x), float(y), float(x) + dx, float(y), 0.25, 0.6))
        strokes.append(Stroke(float(x), float(y), float(x), float(y) + dy, 0.25, 0.6))
    return strokes


def _moved(
    items: list[Rectangles | Stroke | Words], dx: float, dy: float
) -> list[Rectangles | Stroke | Words]:
    """Return the items shifted."""
    moved: list[Rectangles | Stroke | Words] = []
    for item in items:
        if isinstance(item, Rectangles):
            boxes = tuple((x + dx, y + dy, w, h) for x, y, w, h in item.boxes)
            moved.append(Rectangles(boxes, item.lightness))
        elif isinstance(item, Stroke):
            moved.append(
                Stroke(
                    item.x0 + dx, item.y0 + dy, item.x1 + dx, item.y1 + dy,
                    item.width, item.lightness, item.dashed,
                )
            )  # fmt: skip
        else:
            moved.append(
                Words(item.x + dx, item.y + dy, item.text, item.size_pt, item.face, item.align, item.turn_deg)
            )
    return moved


def _pocket_sheet(code: CardCode, paper: Paper) -> Sheet:
    layout = card_layout(code)
    width, height = PAPER_SIZE_MM[paper]
    card_width, card_height = POCKET_SIZE_MM
    items: list[Rectangles | Stroke | Words] = [
        _marker_boxes(marker_id, corners) for marker_id, corners in layout.markers.items()
    ]
    items += _patches(layout)
    items += _frame(0.0, 0.0, card_width, card_height, dashed=True)
    items += [
        Words(card_width / 2.0, card_height / 2.0 - 1.0, str(code), 24.0, "bold", "centre"),
        Words(card_width / 2.0, card_height / 2.0 + 6.0, "flat beside the sample", 11.0, align="centre"),
    ]
    left, top = (width - card_width) / 2.0, 38.0
    items = _moved(items, left, top)
    items.append(Words(left, 26.0, f"pickglass pocket card {code}", 18.0, "bold"))
    bar_y = top + card_height + 18.0
    items += _across_bar(left, bar_y)
    items += _upright_bar(left + 3.0, bar_y + 10.0)
    for k, (line, face) in enumerate(POCKET_STEPS):
        items.append(Words(left + 18.0, bar_y + 26.0 + 8.0 * k, line.format(code=code), 12.0, face))
    return Sheet(width, height, tuple(items))


def _rail_sheets(code: CardCode, paper: Paper, parts: int) -> tuple[Sheet, ...]:
    height, width = PAPER_SIZE_MM[paper]
    layout = card_layout(code, length_mm=parts * RAIL_PART_MM)
    left, top, step, per_sheet = 11.0, 33.0, RAIL_HEIGHT_MM + 6.0, 3
    sheets = []
    for first in range(0, parts, per_sheet):
        items: list[Rectangles | Stroke | Words] = [
            Words(left, 16.0, f"pickglass rail {code}", 18.0, "bold"),
            Words(
                left,
                22.0,
                f"Print at 100 %. Measure both bars, then type  pickglass card --code {code} --measured …x…",
            ),
            Words(
                left,
                27.0,
                "Cut out, glue each part on the tab of the one before, lay the ruler edge along the band.",
            ),
        ]
        items += _across_bar(left + RAIL_PART_MM - CHECK_BAR_MM, 13.5)
        items += _upright_bar(width - 13.0 if paper == "a4" else width - 9.0, top + 22.0)
        for k in range(first, min(first + per_sheet, parts)):
            items += _moved(_rail_part(layout, k, parts), left, top + (k - first) * step)
        sheets.append(Sheet(width, height, tuple(items)))
    return tuple(sheets)


def _rail_part(layout: CardLayout, part: int, parts: int) -> list[Rectangles | Stroke | Words]:
    """Return one part of the rail with its ruler, numbers, glue tab and cutting lines."""
    start = part * RAIL_PART_MM
    items: list[Rectangles | Stroke | Words] = []
    for marker_id, corners in layout.markers.items():
        if start <= corners[0, 0] < start + RAIL_PART_MM:
            items.append(_marker_boxes(marker_id, corners - [start, 0.0]))
    for quads, lightness in ((layout.patches["grey"], GREY_PATCH), (layout.patches["white"], None)):
        x, y = quads[part][0] - [start, 0.0]
        side = float(quads[part][1, 0] - quads[part][0, 0])
        if lightness is None:
            items += _frame(float(x), float(y), side, side)
        else:
            items.append(Rectangles(((float(x), float(y), side, side),), lightness))
    for mm in range(1, round(RAIL_PART_MM)):
        reach = 4.5 if mm % 10 == 0 else 3.2 if mm % 5 == 0 else 2.0
        items.append(Stroke(mm, 0.0, mm, reach, 0.3 if mm % 10 == 0 else 0.18))
    for k in range(1, round(RAIL_PART_MM / RAIL_PITCH_MM)):
        at = k * RAIL_PITCH_MM
        items.append(Words(at, 8.8, f"{start + at:.0f}", 12.0, "bold", "centre"))
    below = RAIL_ROW_TOP_MM[1] + 9.0
    items.append(Words(50.0, below, f"{part + 1} / {parts}", 14.0, "bold", "centre"))
    items.append(Words(90.0, below, str(layout.code), 12.0, "bold", "centre"))
    items += _frame(0.0, 0.0, RAIL_PART_MM, RAIL_HEIGHT_MM, dashed=True)[1:]
    items.append(Stroke(0.0, 0.0, RAIL_PART_MM, 0.0, 0.3))  # the ruler's edge; dashes would look like ticks
    if part + 1 < parts:
        items += _frame(RAIL_PART_MM, 0.0, 8.0, RAIL_HEIGHT_MM, dashed=True)
        items.append(
            Words(
                RAIL_PART_MM + 5.2, RAIL_HEIGHT_MM / 2.0, f"glue {part + 2} here", align="centre", turn_deg=90
            )
        )
    return items
