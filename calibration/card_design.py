"""Printed reference cards: where every marker, bar and patch lies, in millimetres.

Three cards share one family of square markers (AprilTag 36h11, an open design of the University of Michigan that
OpenCV reads), and the number of a marker tells card, copy and place:

* page card: a whole sheet with markers round an empty middle where the sample lies,
* pocket card: a small card to cut out and lay beside the sample,
* rail: a ruler in parts, joined to any length, laid along a band.

A copy number (1, 2, …) gives a print from another printer a code of its own, so that each print keeps its own
measured check bars.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from .errors import UsageError

__all__ = [
    "CHECK_BAR_MM",
    "MARKER_MODULES",
    "PAPER_SIZE_MM",
    "RAIL_PART_MM",
    "RAIL_PITCH_MM",
    "CardCode",
    "CardKind",
    "CardLayout",
    "Paper",
    "card_code",
    "card_layout",
    "code_of_marker",
    "parse_card_code",
]

CardKind = Literal["page", "pocket", "rail"]
Paper = Literal["a4", "letter"]

# A4: ISO 216; Letter: ANSI/ASME Y14.1 size A, 8.5 x 11 in. (width, height), portrait.
PAPER_SIZE_MM: dict[Paper, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}

CHECK_BAR_MM = 100.0
MARKER_MODULES = 8  # 6 x 6 bits and a black border of one module

PATCH_MM = 12.0

PAGE_MARGIN_MM = 10.0  # home printers leave up to 6 mm white
PAGE_MARKER_MM = 16.0
PAGE_QUIET_MM = 4.0
PAGE_MARKERS = 12
PAGE_COPIES = 4

POCKET_SIZE_MM = (120.0, 80.0)
POCKET_MARKER_MM = 20.0
POCKET_EDGE_MM = 5.0
POCKET_MARKERS = 6
POCKET_COPIES = 8

RAIL_PITCH_MM = 20.0
RAIL_PART_MM = 240.0
RAIL_HEIGHT_MM = 47.0
RAIL_MARKER_MM = 14.0
RAIL_ROW_TOP_MM = (12.5, 29.5)
RAIL_MARKERS = 216
RAIL_COPIES = 2

_FIRST_PAGE_ID: dict[Paper, int] = {"a4": 0, "letter": PAGE_COPIES * PAGE_MARKERS}
_FIRST_POCKET_ID = 2 * PAGE_COPIES * PAGE_MARKERS
_FIRST_RAIL_ID = _FIRST_POCKET_ID + POCKET_COPIES * POCKET_MARKERS
_LAST_ID = _FIRST_RAIL_ID + RAIL_COPIES * RAIL_MARKERS - 1  # 575; the family has 587


@dataclass(frozen=True, slots=True, kw_only=True)
class CardCode:
    """What a card is: its kind, its paper (page card only) and its copy number."""

    kind: CardKind
    copy: int
    paper: Paper | None = None

    def __str__(self) -> str:
        if self.kind == "page":
            return f"{'A4' if self.paper == 'a4' else 'LETTER'}-{self.copy}"
        return f"{self.kind.upper()}-{self.copy}"


@dataclass(frozen=True, slots=True, kw_only=True)
class CardLayout:
    """A card as the finder needs it: nominal millimetres, x right and y down, origin at the card's top left.

    Attributes
    ----------
    code : CardCode
        Which card.
    markers : dict of int to ndarray of shape (4, 2)
        Marker id to its corners, clockwise from the marker's own top left.
    outline : ndarray of shape (4, 2)
        Edge of the card.
    blank : ndarray of shape (4, 2) or None
        The empty middle (page card).
    patches : dict of str to ndarray of shape (K, 4, 2)
        Neutral patches, ``"grey"`` and ``"white"``.
    """

    code: CardCode
    markers: dict[int, NDArray[np.float64]]
    outline: NDArray[np.float64]
    blank: NDArray[np.float64] | None
    patches: dict[str, NDArray[np.float64]]


def rectangle(x: float, y: float, width: float, height: float) -> NDArray[np.float64]:
    """Return the four corners of a rectangle, clockwise from the top left."""
    return np.array([[x, y], [x + width, y], [x + width, y + height], [x, y + height]])


def card_code(kind: CardKind, *, copy: int = 1, paper: Paper = "a4") -> CardCode:
    """Return the code of a card, checking the copy number.

    Raises
    ------
    UsageError
        If the copy number does not exist.
    """
    copies = {"page": PAGE_COPIES, "pocket": POCKET_COPIES, "rail": RAIL_COPIES}[kind]
    if not 1 <= copy <= copies:
        raise UsageError(
            "card-copy", f"There is no {kind} card number {copy}.", f"Choose a number from 1 to {copies}."
        )
    return CardCode(kind=kind, copy=copy, paper=paper if kind == "page" else None)


def parse_card_code(text: str) -> CardCode:
    """Read a card code as printed on a card, such as ``A4-1`` or ``rail-2``.

    Raises
    ------
    UsageError
        If it is no code of a card.
    """
    match = re.fullmatch(r"(A4|LETTER|POCKET|RAIL)\s*-\s*([0-9]{1,3})", text.strip().upper())
    if match is None:
        raise UsageError(
            "card-code",
            f"“{text}” is not a card code.",
            "Type the large code printed on the card, for example A4-1, LETTER-1, POCKET-1 or RAIL-1.",
        )
    name, copy = match[1], int(match[2])
    if name == "POCKET":
        return card_code("pocket", copy=copy)
    if name == "RAIL":
        return card_code("rail", copy=copy)
    return card_code("page", copy=copy, paper="a4" if name == "A4" else "letter")


def code_of_marker(marker_id: int) -> CardCode | None:
    """Return the card that a marker belongs to, or None for an id that no card uses."""
    if not 0 <= marker_id <= _LAST_ID:
        return None
    if marker_id >= _FIRST_RAIL_ID:
        return CardCode(kind="rail", copy=1 + (marker_id - _FIRST_RAIL_ID) // RAIL_MARKERS)
    if marker_id >= _FIRST_POCKET_ID:
        return CardCode(kind="pocket", copy=1 + (marker_id - _FIRST_POCKET_ID) // POCKET_MARKERS)
    paper: Paper = "a4" if marker_id < _FIRST_PAGE_ID["letter"] else "letter"
    return CardCode(kind="page", copy=1 + (marker_id - _FIRST_PAGE_ID[paper]) // PAGE_MARKERS, paper=paper)


def card_layout(code: CardCode, *, length_mm: float | None = None) -> CardLayout:
    """Return where everything lies on a card.

    Parameters
    ----------
    code : CardCode
        The card.
    length_mm : float, optional
        Length of a rail, rounded up to whole parts; by default the longest there can be.
    """
    if code.kind == "page":
        return _page_layout(code)
    if code.kind == "pocket":
        return _pocket_layout(code)
    return _rail_layout(code, length_mm)


def rail_parts(length_mm: float) -> int:
    """Return how many parts a rail of this length needs.

    Raises
    ------
    UsageError
        If the length is not possible.
    """
    longest = RAIL_MARKERS * RAIL_PITCH_MM
    if not (math.isfinite(length_mm) and RAIL_PART_MM / 2 <= length_mm <= longest):
        raise UsageError(
            "rail-length",
            f"A rail of {length_mm:g} mm cannot be drawn.",
            f"Give a length from {RAIL_PART_MM / 2:g} to {longest:g} mm.",
        )
    return math.ceil(round(length_mm / RAIL_PART_MM, 9))


def _page_layout(code: CardCode) -> CardLayout:
    paper = code.paper or "a4"
    width, height = PAPER_SIZE_MM[paper]
    side, margin = PAGE_MARKER_MM, PAGE_MARGIN_MM
    right, bottom = width - margin - side, height - margin - side
    left_pitch = (bottom - margin) / 5.0
    # The right-hand side leaves the room of the vertical check bar free, the top that of the horizontal one and,
    # with the bottom, a way through for a band that is longer than the sheet.
    upper = (height - CHECK_BAR_MM) / 2.0 - PAGE_QUIET_MM - side
    aside = margin + side + 26.0
    places = [(margin, margin), (right, margin)]
    places += [(margin, margin + k * left_pitch) for k in (1, 2, 3, 4)]
    places += [(right, upper), (right, height - upper - side)]
    places += [(margin, bottom), (aside, bottom), (width - aside - side, bottom), (right, bottom)]
    first = _FIRST_PAGE_ID[paper] + (code.copy - 1) * PAGE_MARKERS
    inner = margin + side + PAGE_QUIET_MM
    patch_x = margin + (side - PATCH_MM) / 2.0
    grey_y = margin + 1.5 * left_pitch + (side - PATCH_MM) / 2.0
    white_y = grey_y + 2 * left_pitch
    return CardLayout(
        code=code,
        markers={first + k: rectangle(x, y, side, side) for k, (x, y) in enumerate(places)},
        outline=rectangle(0.0, 0.0, width, height),
        blank=rectangle(inner, inner, width - 2 * inner, height - 2 * inner),
        patches={
            "grey": rectangle(patch_x, grey_y, PATCH_MM, PATCH_MM)[None],
            "white": rectangle(patch_x, white_y, PATCH_MM, PATCH_MM)[None],
        },
    )


def _pocket_layout(code: CardCode) -> CardLayout:
    width, height = POCKET_SIZE_MM
    side, edge = POCKET_MARKER_MM, POCKET_EDGE_MM
    first = _FIRST_POCKET_ID + (code.copy - 1) * POCKET_MARKERS
    columns = (edge, (width - side) / 2.0, width - edge - side)
    places = [(x, y) for y in (edge, height - edge - side) for x in columns]
    middle = (height - PATCH_MM) / 2.0
    return CardLayout(
        code=code,
        markers={first + k: rectangle(x, y, side, side) for k, (x, y) in enumerate(places)},
        outline=rectangle(0.0, 0.0, width, height),
        blank=None,
        patches={
            "grey": rectangle(edge + 4.0, middle, PATCH_MM, PATCH_MM)[None],
            "white": rectangle(width - edge - 16.0, middle, PATCH_MM, PATCH_MM)[None],
        },
    )


def _rail_layout(code: CardCode, length_mm: float | None) -> CardLayout:
    parts = RAIL_MARKERS * RAIL_PITCH_MM / RAIL_PART_MM if length_mm is None else rail_parts(length_mm)
    length = parts * RAIL_PART_MM
    first = _FIRST_RAIL_ID + (code.copy - 1) * RAIL_MARKERS
    inset = (RAIL_PITCH_MM - RAIL_MARKER_MM) / 2.0
    count = round(length / RAIL_PITCH_MM)
    markers = {
        first + k: rectangle(
            k * RAIL_PITCH_MM + inset, RAIL_ROW_TOP_MM[k % 2], RAIL_MARKER_MM, RAIL_MARKER_MM
        )
        for k in range(count)
    }
    return CardLayout(
        code=code,
        markers=markers,
        outline=rectangle(0.0, 0.0, length, RAIL_HEIGHT_MM),
        blank=None,
        patches={
            name: np.stack(
                [
                    rectangle(k * RAIL_PART_MM + at, RAIL_ROW_TOP_MM[0] + 1.0, PATCH_MM, PATCH_MM)
                    for k in range(round(parts))
                ]
            )
            for name, at in (("grey", RAIL_PART_MM - 16.0), ("white", RAIL_PART_MM - 56.0))
        },
    )
