"""The pictures inside a report: sizes bounded, so that the file can be sent from a phone."""

from __future__ import annotations

import base64
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from .drawing import DARK, LIGHT, PAPER, Label, Picture
from .marks import marks_of
from .overlay import EVERY, draw_marks

if TYPE_CHECKING:
    from ..calibration.photo import Photo
    from ..measure.sett import SettMeasurement
    from ..measure.tracks import SystemTrack

__all__ = [
    "Inlay",
    "PhotoView",
    "bare_thumbnail",
    "close_view",
    "drawn_inlay",
    "flat_pieces",
    "inlay_of",
    "is_long",
    "marked_photo",
    "photo_view",
    "repeat_picture",
    "ribbon",
    "thumbnail",
]

MARKED_SIDE_PX = 1700
LETTERS_SHARE = 0.013  # larger than in the picture on its own: a report is read on a phone
MARKED_BYTES, FLAT_BYTES, CLOSE_BYTES = 750_000, 1_000_000, 220_000  # together under 3 MB once in base64
THUMBNAIL_SIDE_PX, THUMBNAIL_BYTES = 480, 36_000
FLAT_PIXELS = 4_500_000
GOOD_PITCH_PX = 11.0  # room for a line on every thread with the thread still to be seen
MOST_ENLARGED = 3.0
LONG = 1.7  # length over width from which the flat picture is laid on its side
PIECE_SHAPE = 2.6  # length over width of one piece of a long band
CLOSE_THREADS = 12
LEAST_CLOSE = 5
CLOSE_SIDE_PX = 900
ENDS_BGR, PICKS_BGR = (
    (96, 222, 255),
    (255, 214, 120),
)  # warm for ends, cool for picks; direction tells them too


@dataclass(frozen=True, slots=True, kw_only=True)
class Inlay:
    """A picture in a page: its data URI, its size for the layout, and what it shows in words."""

    uri: str
    width: int
    height: int
    alt: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoView:
    """What a report keeps of a photo: the marked picture, and the size and camera of the original."""

    marked: Inlay
    rows: int
    columns: int
    camera: str | None


def photo_view(photo: Photo, measurement: SettMeasurement) -> PhotoView:
    """Return what a report keeps of a photo, so that the photo itself need not be."""
    rows, columns = photo.bgr.shape[:2]
    return PhotoView(marked=marked_photo(photo, measurement), rows=rows, columns=columns, camera=photo.camera)


def inlay_of(picture: Picture, alt: str, *, most_bytes: int = CLOSE_BYTES) -> Inlay:
    """Return any picture, its size bounded."""
    return _jpeg(np.ascontiguousarray(picture), alt, most_bytes=most_bytes)


def drawn_inlay(png: bytes, alt: str) -> Inlay:
    """Return a drawing that is a PNG already."""
    picture = cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_COLOR)
    if picture is None:
        raise ValueError("not a PNG")
    uri = f"data:image/png;base64,{base64.b64encode(png).decode('ascii')}"
    return Inlay(uri=uri, width=picture.shape[1], height=picture.shape[0], alt=alt)


def marked_photo(photo: Photo, measurement: SettMeasurement) -> Inlay:
    """Return the photo with outline, card and every tenth thread."""
    marks = replace(marks_of(measurement), caption=[], repeat_bgr=None)
    picture = draw_marks(photo.bgr, marks, letters_share=LETTERS_SHARE)
    picture = _within(_without_strip(picture), MARKED_SIDE_PX)
    alt = (
        "The photo with the outline of the sample, the card, and every tenth end and pick marked and numbered"
    )
    return _jpeg(picture, alt, most_bytes=MARKED_BYTES)


def thumbnail(photo: Photo, measurement: SettMeasurement) -> Inlay:
    """Return the marked photo as small as it can still be recognised."""
    marks = replace(marks_of(measurement), caption=[], repeat_bgr=None, card_words="")
    picture = _within(_without_strip(draw_marks(photo.bgr, marks)), THUMBNAIL_SIDE_PX)
    return _jpeg(picture, "The photo with every tenth end and pick marked", most_bytes=THUMBNAIL_BYTES)


def bare_thumbnail(photo: Photo) -> Inlay:
    """Return a photo that could not be measured, small, without a mark."""
    return _jpeg(_within(photo.bgr, THUMBNAIL_SIDE_PX), "The photo as it is", most_bytes=THUMBNAIL_BYTES)


def flat_pieces(measurement: SettMeasurement) -> list[Inlay]:
    """Return the straightened cloth with every end and pick drawn; a long band in several pieces, laid sideways."""
    scale = _flat_scale(measurement)
    bgr = measurement.patch.bgr
    way = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    view = np.asarray(cv2.resize(bgr, None, fx=scale, fy=scale, interpolation=way), dtype=np.uint8)
    _lines(view, measurement, scale, np.zeros(2), width_px=1)
    height, width = view.shape[:2]
    sideways = is_long(measurement)
    pieces = max(1, round(height / width / PIECE_SHAPE)) if sideways else 1
    cuts = np.linspace(0, height, pieces + 1).round().astype(int)
    letters_px = int(np.clip(0.028 * max(width, height / pieces), 15, 60))
    inlays = []
    for low, high in pairwise(cuts):
        numbered = _number_piece(view, (int(low), int(high)), measurement, scale, letters_px, sideways)
        shown = _picks_between(measurement, low / scale, high / scale) if pieces > 1 else ""
        alt = f"The cloth laid flat with a line on every end and every pick, each tenth numbered{shown}"
        inlays.append(_jpeg(numbered, alt, most_bytes=FLAT_BYTES // pieces))
    return inlays


def is_long(measurement: SettMeasurement) -> bool:
    """Tell whether the sample is a band that is shown lying on its side, the warp from left to right."""
    rows, columns = measurement.patch.bgr.shape[:2]
    return bool(rows > LONG * columns)


def close_view(measurement: SettMeasurement) -> Inlay | None:
    """Return some threads from the middle enlarged: once bare, once with a line on each."""
    tracks, patch = measurement.tracks, measurement.patch
    if min(tracks.ends.count, tracks.picks.count) < LEAST_CLOSE:
        return None
    fine, coarse = sorted((tracks.ends.pitch_px, tracks.picks.pitch_px))
    # A square in which the finer threads can still be told apart and the coarser ones make more than one repeat.
    side = max(CLOSE_THREADS * np.sqrt(fine * coarse), LEAST_CLOSE * coarse)
    side = min(side, 2.5 * CLOSE_THREADS * fine, *patch.bgr.shape[:2])
    centre = np.array([np.median(tracks.ends.positions_px), np.median(tracks.picks.positions_px)])
    limit = np.array([patch.bgr.shape[1], patch.bgr.shape[0]]) - side
    low = np.clip(centre - side / 2, 0, limit).astype(int)
    high = low + int(side)
    part = np.ascontiguousarray(patch.bgr[low[1] : high[1], low[0] : high[0]])
    factor = min(CLOSE_SIDE_PX / side, 12.0)
    way = cv2.INTER_CUBIC if factor > 1 else cv2.INTER_AREA
    view = np.asarray(cv2.resize(part, None, fx=factor, fy=factor, interpolation=way), dtype=np.uint8)
    bare = view.copy()
    _lines(view, measurement, factor, low.astype(np.float64), width_px=3)
    if is_long(measurement):
        bare, view = np.rot90(bare), np.rot90(view)
    gap = np.full((view.shape[0], max(8, view.shape[1] // 40), 3), PAPER, np.uint8)
    alt = (
        "Ends and picks from the middle of the sample, enlarged: left as they are, right with a line on each"
    )
    return _jpeg(np.ascontiguousarray(np.hstack([bare, gap, view])), alt, most_bytes=CLOSE_BYTES)


def repeat_picture(measurement: SettMeasurement) -> Inlay:
    """Return the averaged repeat, shown twice each way so that the eye sees the weave."""
    repeat = measurement.repeat
    tiled = np.tile(repeat.bgr, (2, 2, 1))
    factor = max(1.0, 360 / max(tiled.shape[:2]))
    picture = np.asarray(
        cv2.resize(tiled, None, fx=factor, fy=factor, interpolation=cv2.INTER_CUBIC), dtype=np.uint8
    )
    words = f"The averaged repeat of {repeat.ends} ends and {repeat.picks} picks, shown twice each way"
    return _jpeg(picture, words, most_bytes=60_000)


def ribbon(measurement: SettMeasurement) -> str:
    """Return the averaged repeat as a data URI to run along the head of the page."""
    bgr = measurement.repeat.bgr
    rows = 40
    factor = rows / bgr.shape[0]
    small = cv2.resize(bgr, (max(1, round(bgr.shape[1] * factor)), rows), interpolation=cv2.INTER_AREA)
    return _uri(".png", np.asarray(small, dtype=np.uint8), [])


def _flat_scale(measurement: SettMeasurement) -> float:
    rows, columns = measurement.patch.bgr.shape[:2]
    finest = min(measurement.result.ends.pitch_px, measurement.result.picks.pitch_px)
    wanted = min(max(GOOD_PITCH_PX / finest, 1.0), MOST_ENLARGED)
    return float(min(wanted, np.sqrt(FLAT_PIXELS / (rows * columns))))


def _number_piece(
    view: Picture,
    rows: tuple[int, int],
    measurement: SettMeasurement,
    scale: float,
    letters_px: int,
    sideways: bool,
) -> Picture:
    """Return rows of the drawn patch, turned if asked, in a paper margin with the numbers of the threads."""
    part = view[rows[0] : rows[1]]
    if sideways:
        part = np.rot90(part)
    margin = int(2.1 * letters_px)
    framed = cv2.copyMakeBorder(
        np.ascontiguousarray(part), *(margin,) * 4, cv2.BORDER_CONSTANT, value=[float(c) for c in PAPER]
    ).astype(np.uint8, copy=False)
    columns = view.shape[1]
    labels: list[Label] = []
    for track, along in ((measurement.tracks.ends, 0), (measurement.tracks.picks, 1)):
        for number in _numbers(track, 2.6 * letters_px / scale):
            line, stations = track.lines_px[number - 1], track.stations_px[number - 1]
            for low_side in (True, False):
                if along == 0:
                    row = rows[0] if low_side else rows[1]
                    at = float(np.interp(row / scale, stations, line)) * scale
                    x, y = at, -margin / 2 if low_side else rows[1] - rows[0] + margin / 2
                else:
                    at = float(line[0 if low_side else -1]) * scale - rows[0]
                    if not 0 <= at < rows[1] - rows[0]:
                        continue
                    x, y = -margin / 2 if low_side else columns + margin / 2, at
                if sideways:
                    x, y = y, columns - x
                labels.append((str(number), (x + margin, y + margin)))
    return _written(framed, labels, letters_px)


def _written(picture: Picture, labels: list[Label], size_px: int) -> Picture:
    """Return the picture with dark numbers on its paper margin."""
    from PIL import Image, ImageDraw, ImageFont

    canvas = Image.fromarray(picture)
    pen = ImageDraw.Draw(canvas)
    font = ImageFont.load_default(size_px)
    for text, middle in labels:
        pen.text(middle, text, font=font, fill=DARK, anchor="mm")
    return np.asarray(canvas)


def _picks_between(measurement: SettMeasurement, low_px: float, high_px: float) -> str:
    at = measurement.tracks.picks.positions_px
    inside = np.flatnonzero((at >= low_px) & (at < high_px)) + 1
    return f", picks {inside[0]} to {inside[-1]}" if len(inside) else ""


def _numbers(track: SystemTrack, room_px: float) -> list[int]:
    """Return which threads get a number: the first and every tenth, fewer where they would touch."""
    if track.count == 0:
        return []
    every = EVERY
    while every * track.pitch_px < room_px:
        every *= 2
    first = [1] if (every - 1) * track.pitch_px >= 0.6 * room_px else []
    return [*first, *range(every, track.count + 1, every)]


def _lines(
    view: Picture, measurement: SettMeasurement, scale: float, corner: NDArray[np.float64], *, width_px: int
) -> None:
    """Draw a half-transparent line on every thread, tens stronger."""
    layer = view.copy()
    for track, colour, along in (
        (measurement.tracks.ends, ENDS_BGR, 0),
        (measurement.tracks.picks, PICKS_BGR, 1),
    ):
        for index in range(track.count):
            across, length = track.lines_px[index], track.stations_px[index]
            points = np.column_stack([across, length] if along == 0 else [length, across])
            fixed = np.round(((points - corner + 0.5) * scale - 0.5) * 16).astype(np.int32).reshape(-1, 1, 2)
            ten = (index + 1) % EVERY == 0
            if ten:
                cv2.polylines(layer, [fixed], False, DARK, 2 * width_px + 3, cv2.LINE_AA, 4)
            cv2.polylines(layer, [fixed], False, LIGHT if ten else colour, width_px + ten, cv2.LINE_AA, 4)
    cv2.addWeighted(layer, 0.72, view, 0.28, 0.0, dst=view)


def _without_strip(picture: Picture) -> Picture:
    """Return the marked picture without the empty strip for its caption; the page has words of its own."""
    paper = np.all(picture == np.array(PAPER, np.uint8), axis=(1, 2))
    return picture[: len(paper) - int(np.argmin(paper[::-1]))]


def _within(picture: Picture, side_px: int) -> Picture:
    longest = max(picture.shape[:2])
    if longest <= side_px:
        return picture
    factor = side_px / longest
    return np.asarray(
        cv2.resize(picture, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA), dtype=np.uint8
    )


def _jpeg(picture: Picture, alt: str, *, most_bytes: int) -> Inlay:
    """Encode as JPEG of at most `most_bytes`: less quality first, then fewer pixels."""
    quality = 84
    while True:
        uri = _uri(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, quality])
        if len(uri) * 3 // 4 <= most_bytes or max(picture.shape[:2]) < 400:
            return Inlay(uri=uri, width=picture.shape[1], height=picture.shape[0], alt=alt)
        if quality > 64:
            quality -= 10
        else:
            picture = _within(picture, int(max(picture.shape[:2]) * 0.85))


def _uri(suffix: str, picture: Picture, settings: list[int]) -> str:
    done, data = cv2.imencode(suffix, picture, settings)
    if not done:
        raise ValueError(f"OpenCV could not encode a picture of shape {picture.shape}")
    kind = "png" if suffix == ".png" else "jpeg"
    return f"data:image/{kind};base64,{base64.b64encode(bytes(data)).decode('ascii')}"
