"""The cards as drawn: ids, sizes, white zones, and the PDF measured on its raster."""

from __future__ import annotations

import cv2
import numpy as np
import pypdfium2
import pytest

from pickglass.calibration.card_design import (
    CHECK_BAR_MM,
    MARKER_MODULES,
    PAPER_SIZE_MM,
    RAIL_PITCH_MM,
    CardCode,
    Paper,
    card_code,
    card_layout,
    code_of_marker,
    parse_card_code,
)
from pickglass.calibration.card_pdf import card_pdf, card_preview, words_width_mm
from pickglass.calibration.card_sheets import MM_PER_POINT, Rectangles, Sheet, Stroke, Words, card_sheets
from pickglass.calibration.errors import UsageError

ALL_CODES = [
    *(card_code("page", paper=paper, copy=copy) for paper in ("a4", "letter") for copy in (1, 2, 3, 4)),
    *(card_code("pocket", copy=copy) for copy in range(1, 9)),
    *(card_code("rail", copy=copy) for copy in (1, 2)),
]
# (code, paper): every sheet that can come out of a printer, first copies
PRINTS: list[tuple[str, Paper]] = [
    ("A4-1", "a4"),
    ("LETTER-1", "letter"),
    ("POCKET-1", "a4"),
    ("POCKET-1", "letter"),
    ("RAIL-1", "a4"),
    ("RAIL-1", "letter"),
]


def sheets_of(code: str, paper: Paper) -> tuple[Sheet, ...]:
    return card_sheets(parse_card_code(code), paper=paper, length_mm=960.0)


def test_every_marker_tells_one_card():
    seen: dict[int, CardCode] = {}
    for code in ALL_CODES:
        for marker_id in card_layout(code).markers:
            assert marker_id not in seen
            seen[marker_id] = code
            assert code_of_marker(marker_id) == code
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    assert max(seen) < len(family.bytesList)
    assert code_of_marker(max(seen) + 1) is None


@pytest.mark.parametrize("code", ALL_CODES, ids=str)
def test_a_printed_code_reads_back(code: CardCode):
    assert parse_card_code(str(code)) == code
    assert parse_card_code(f" {str(code).lower()} ") == code


@pytest.mark.parametrize("text", ["", "A5-1", "A4", "A4-0", "A4-5", "POCKET-9", "RAIL-3", "A4-1-2", "A4-１"])
def test_other_words_are_no_code(text: str):
    with pytest.raises(UsageError):
        parse_card_code(text)


def test_rail_markers_tell_the_position():
    layout = card_layout(card_code("rail"), length_mm=960)
    first = min(layout.markers)
    assert len(layout.markers) == 960 / RAIL_PITCH_MM
    for marker_id, corners in layout.markers.items():
        assert corners[:, 0].mean() == pytest.approx((marker_id - first + 0.5) * RAIL_PITCH_MM)


@pytest.mark.parametrize("length", [0.0, -5.0, 119.0, 4321.0, float("nan"), float("inf")])
def test_absurd_rails_are_refused(length: float):
    with pytest.raises(UsageError, match="from 120 to 4320 mm"):
        card_sheets(card_code("rail"), length_mm=length)


def box_of(item: Rectangles | Stroke | Words) -> tuple[float, float, float, float]:
    """Left, top, right, bottom of the ink in mm (of words from their width and type size)."""
    if isinstance(item, Rectangles):
        boxes = np.array(item.boxes)
        far = boxes[:, :2] + boxes[:, 2:]
        return (*boxes[:, :2].min(axis=0), *far.max(axis=0))
    if isinstance(item, Stroke):
        half = item.width / 2
        xs, ys = sorted((item.x0, item.x1)), sorted((item.y0, item.y1))
        return xs[0] - half, ys[0] - half, xs[1] + half, ys[1] + half
    wide, tall = words_width_mm(item), item.size_pt * MM_PER_POINT
    start = {"left": 0.0, "centre": -wide / 2, "right": -wide}[item.align]
    if item.turn_deg == 90:
        return item.x - 0.8 * tall, item.y - start - wide, item.x + 0.25 * tall, item.y - start
    return item.x + start, item.y - 0.8 * tall, item.x + start + wide, item.y + 0.25 * tall


@pytest.mark.parametrize(("code", "paper"), PRINTS)
def test_white_zone_of_one_module_and_a_half_round_every_marker(code: str, paper: Paper):
    for sheet in sheets_of(code, paper):
        markers = [i for i in sheet.items if isinstance(i, Rectangles) and len(i.boxes) > 1]
        assert markers
        for marker in markers:
            left, top, right, bottom = box_of(marker)
            zone = 1.5 * (right - left) / MARKER_MODULES
            for other in sheet.items:
                if other is marker:
                    continue
                x0, y0, x1, y1 = box_of(other)
                apart = x1 <= left - zone or x0 >= right + zone or y1 <= top - zone or y0 >= bottom + zone
                assert apart, (marker, other)


@pytest.mark.parametrize(("code", "paper"), PRINTS)
def test_nothing_is_small_cut_off_or_on_top_of_something(code: str, paper: Paper):
    for sheet in sheets_of(code, paper):
        words = [i for i in sheet.items if isinstance(i, Words)]
        assert words
        assert all(i.size_pt >= 10.0 for i in words)  # readable without glasses
        boxes = [box_of(i) for i in sheet.items]
        # Home printers leave up to 6 mm white; the gluing tab of a rail's last part on a sheet may come nearer.
        assert min(b[0] for b in boxes) >= 6.0
        assert min(b[1] for b in boxes) >= 6.0
        assert max(b[2] for b in boxes) <= sheet.width_mm - 6.0
        assert max(b[3] for b in boxes) <= sheet.height_mm - 6.0
        for item in words:
            x0, y0, x1, y1 = box_of(item)
            for other in sheet.items:
                if other is item or (isinstance(other, Stroke) and other.dashed):
                    continue
                u0, v0, u1, v1 = box_of(other)
                assert x1 <= u0 or x0 >= u1 or y1 <= v0 or y0 >= v1, (item, other)


@pytest.mark.parametrize("code", ["A4-1", "LETTER-1"])
def test_middle_of_the_page_card_is_empty(code: str):
    blank = card_layout(parse_card_code(code)).blank
    assert blank is not None
    (left, top), (right, bottom) = blank.min(axis=0), blank.max(axis=0)
    assert right - left >= 145.0
    assert bottom - top >= 215.0
    (sheet,) = card_sheets(parse_card_code(code))
    corner = 6.5  # the four small angles
    for item in sheet.items:
        x0, y0, x1, y1 = box_of(item)
        outside = x1 < left or x0 > right or y1 < top or y0 > bottom
        at_corner = (x1 < left + corner or x0 > right - corner) and (
            y1 < top + corner or y0 > bottom - corner
        )
        assert outside or at_corner


@pytest.mark.parametrize(
    ("paper", "size"),
    [
        ("a4", (210.0, 297.0)),  # ISO 216:2007, table of the A series (from memory)
        ("letter", (8.5 * 25.4, 11.0 * 25.4)),  # ANSI/ASME Y14.1, size A (from memory)
    ],
)
def test_paper_sizes(paper: Paper, size: tuple[float, float]):
    assert PAPER_SIZE_MM[paper] == pytest.approx(size, abs=1e-9)


PX_PER_MM = 20.0  # A4 and Letter are whole numbers of pixels at this sampling


def rasterise(code: str, paper: Paper) -> np.ndarray:
    """The first page as pypdfium2 draws it, at exactly 20 px per mm."""
    sheet = sheets_of(code, paper)[0]
    document = pypdfium2.PdfDocument(card_pdf([sheet], title="test"))
    page = document[0]
    # The page's own size: PDF points are 1/72 in (ISO 32000-1, 8.3.2.3).
    assert np.array(page.get_size()) / 72.0 * 25.4 == pytest.approx(
        [sheet.width_mm, sheet.height_mm], abs=0.02
    )
    picture = page.render(scale=PX_PER_MM * 25.4 / 72.0 * (1 - 1e-6), grayscale=True).to_numpy()
    picture = np.array(picture).reshape(picture.shape[:2])
    document.close()
    assert picture.shape == (round(sheet.height_mm * PX_PER_MM), round(sheet.width_mm * PX_PER_MM))
    return picture


def edges_mm(line: np.ndarray) -> np.ndarray:
    """Places along a row of pixels where ink begins or ends, from the shares of grey at the edges."""
    ink = 1.0 - line.astype(float) / 255.0
    found = []
    for k in np.flatnonzero((ink[:-1] < 0.5) != (ink[1:] < 0.5)):
        share = (0.5 - ink[k]) / (ink[k + 1] - ink[k])
        found.append((k + 0.5 + share) / PX_PER_MM)
    return np.array(found)


@pytest.mark.parametrize(("code", "paper"), PRINTS)
def test_printed_markers_and_bars_measure_true(code: str, paper: Paper):
    """Everything that carries the scale lies within 0.02 mm of its drawing on the rasterised PDF."""
    picture = rasterise(code, paper)
    sheet = sheets_of(code, paper)[0]
    markers = [i for i in sheet.items if isinstance(i, Rectangles) and len(i.boxes) > 1]
    for marker in markers:
        left, top, right, bottom = box_of(marker)
        middle_y = round((top + (bottom - top) / 16) * PX_PER_MM)  # through the upper black border
        middle_x = round((left + (right - left) / 16) * PX_PER_MM)
        lo, hi = round((left - 1) * PX_PER_MM), round((right + 1) * PX_PER_MM)
        assert edges_mm(picture[middle_y, lo:hi]) + lo / PX_PER_MM == pytest.approx([left, right], abs=0.02)
        lo, hi = round((top - 1) * PX_PER_MM), round((bottom + 1) * PX_PER_MM)
        assert edges_mm(picture[lo:hi, middle_x]) + lo / PX_PER_MM == pytest.approx([top, bottom], abs=0.02)
    for across in (True, False):
        ends = [
            i
            for i in sheet.items
            if isinstance(i, Stroke)
            and i.width == 0.25
            and i.lightness == 0.0
            and (i.x0 == i.x1 if across else i.y0 == i.y1)
        ]
        assert len(ends) == 2
        places = []
        for end in ends:
            if across:
                row, at = round((end.y0 + 0.6) * PX_PER_MM), end.x0
                strip = picture[row, round((at - 1.5) * PX_PER_MM) : round((at + 1.5) * PX_PER_MM)]
            else:
                column, at = round((end.x0 + 0.6) * PX_PER_MM), end.y0
                strip = picture[round((at - 1.5) * PX_PER_MM) : round((at + 1.5) * PX_PER_MM), column]
            places.append(edges_mm(strip).mean() + round((at - 1.5) * PX_PER_MM) / PX_PER_MM)
        assert abs(places[1] - places[0]) == pytest.approx(CHECK_BAR_MM, abs=0.02)


def test_raster_shows_the_same_markers_to_another_reader():
    """OpenCV's own reader, on the raster, finds every id where the layout has it."""
    picture = rasterise("A4-1", "a4")
    small = cv2.resize(picture, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    quads, ids, _ = cv2.aruco.ArucoDetector(family, parameters).detectMarkers(small)
    layout = card_layout(parse_card_code("A4-1"))
    assert sorted(np.ravel(ids)) == sorted(layout.markers)
    for marker_id, quad in zip(np.ravel(ids), quads, strict=True):
        mm = (np.reshape(quad, (4, 2)) + 0.5) / (0.5 * PX_PER_MM)
        assert mm == pytest.approx(layout.markers[int(marker_id)], abs=0.06)  # half a pixel of its 10 per mm


def test_equal_cards_give_equal_files():
    sheets = sheets_of("POCKET-2", "a4")
    assert card_pdf(sheets, title="t") == card_pdf(sheets, title="t")


def test_preview_looks_like_the_pdf():
    sheet = sheets_of("RAIL-1", "letter")[:1]
    preview = card_preview(sheet, dots_per_mm=5.0)
    real = cv2.resize(rasterise("RAIL-1", "letter"), preview.shape[::-1], interpolation=cv2.INTER_AREA)
    difference = cv2.blur(preview.astype(np.float32), (9, 9)) - cv2.blur(real.astype(np.float32), (9, 9))
    assert np.abs(difference).mean() < 1.0
    assert np.abs(difference).max() < 110.0  # a missing marker, patch or word would give more
