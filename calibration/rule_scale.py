"""The scale from a rule lying in the photo: its marks found, read, and the camera's plane fitted to them."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Literal, get_args

import cv2
import numpy as np
from numpy.typing import NDArray

from .budget import BudgetLine, rectangular_percent
from .camera_view import align_with_photo, focal_px_from_35mm, tilt_and_distance
from .card_choice import FOCAL_LOG_U, FOCAL_UNKNOWN
from .errors import ScaleError
from .notices import Notice
from .photo import Photo
from .plane import Plane
from .rule_camera import fit_camera, scale_doubt
from .rule_reading import INCH, METRIC, Reading, read_marks
from .rule_ticks import TickRow, find_tick_rows
from .units import MM_PER_INCH

__all__ = ["RuleKind", "find_rule"]

RuleKind = Literal["mm", "inch16"]

# Steel rules keep their marks to about a tenth of a millimetre over their length: common practice.
GRADUATION_HALF_WIDTH_MM = 0.1
# Rules are half a millimetre to a millimetre thick, tapes stand up a little: the height of the marks over the table.
HEIGHT_MM, HEIGHT_HALF_WIDTH_MM = 0.7, 0.7
_NEAREST_MM, _FARTHEST_MM = 90.0, 1500.0  # beyond, marks were misread or the phone could not have focused
_WIDEST_MM, _USUAL_WIDTH_MM, _DEPTH_STEP_MM = 60.0, 30.0, 0.25  # of rules and tapes
_LEVELS_OFF_BODY, _EDGE_RUN_MM = 14.0, 1.5  # 8-bit levels by which table or cloth differ from the rule's body
_RULE_END_MM = 8.0  # rules go on a little beyond their first and last mark
_WORDS = {"mm": "millimetres", "inch16": "sixteenths of an inch"}

Array = NDArray[np.float64]


def find_rule(photo: Photo, kind: RuleKind) -> Plane:
    """Take the scale from a rule or tape that lies flat beside the cloth.

    Parameters
    ----------
    photo : Photo
        Upright photo.
    kind : {"mm", "inch16"}
        The graduation to read: millimetres, or sixteenths (or thirty-seconds) of an inch.

    Raises
    ------
    ScaleError
        ``no-rule``: no row of marks was found; ``rule-unread``: marks were found, but their lengths do not tell which
        is which; ``rule-other``: it is another graduation than asked for; ``rule-implausible``: it would put the
        camera too near or too far.
    ValueError
        If `kind` is none of the two words.
    """
    if kind not in get_args(RuleKind):
        raise ValueError(f"a rule is read as one of {get_args(RuleKind)}, not {kind!r}")
    gray = np.asarray(cv2.cvtColor(photo.bgr, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
    rows = find_tick_rows(gray)
    wanted, other = (METRIC, INCH) if kind == "mm" else (INCH, METRIC)
    read = [reading for row in rows if (reading := read_marks(row)) is not None]
    good = [reading for reading in read if reading.graduation in wanted]
    if not good:
        raise _unread(photo, kind, rows, [reading for reading in read if reading.graduation in other])
    # A finer graduation explains more: sixteenths may be thirty-seconds whose inches were not told from half inches.
    best = max(good, key=lambda reading: (len(reading.row.number), max(reading.graduation.ranks)))
    rivals = [other for other in good if _beside(other.row, best.row)]
    finest = max(rivals, key=lambda reading: (max(reading.graduation.ranks), len(reading.row.number)))
    return _plane(photo, gray, finest)


def _beside(row: TickRow, other: TickRow) -> bool:
    """Tell whether two rows are readings of the same marks."""
    apart = np.abs(row.foot_px[:, None] - other.foot_px[None]).max(axis=2).min(axis=1)
    return float(np.median(apart)) < max(row.spacing_px, other.spacing_px)


def _unread(photo: Photo, kind: RuleKind, rows: list[TickRow], others: list[Reading]) -> ScaleError:
    if others:
        name = others[0].graduation.name
        instead = "mm" if others[0].graduation in METRIC else "inch16"
        return ScaleError(
            "rule-other",
            f"The rule in {photo.name} shows {name}, not {_WORDS[kind]}.",
            f"Use --rule {instead}, or turn the rule so that the edge with {_WORDS[kind]} shows.",
        )
    if rows:
        return ScaleError(
            "rule-unread",
            f"Marks of a rule were found in {photo.name}, but their lengths do not tell which is which.",
            f"Show the finest marks ({_WORDS[kind]}) sharply, with at least "
            f"{'3 cm' if kind == 'mm' else '3 inches'} of them clear of cloth and glare, from nearer if need be; "
            "or use --points.",
        )
    return ScaleError(
        "no-rule",
        f"No rule was found in {photo.name}.",
        "Lay it flat beside the cloth, its marks sharp and clear of glare, at least a third of the photo long; or "
        "give two points and their distance with --points.",
    )


def _plane(photo: Photo, gray: NDArray[np.uint8], reading: Reading) -> Plane:
    """Fit the camera to the marks and turn it into the photo's plane."""
    height, width = photo.bgr.shape[:2]
    centre = np.array([(width - 1) / 2.0, (height - 1) / 2.0])
    known = photo.focal_length_35mm is not None
    focal, focal_u = FOCAL_UNKNOWN[0] * math.hypot(width, height), FOCAL_UNKNOWN[1]
    if photo.focal_length_35mm is not None:
        focal, focal_u = focal_px_from_35mm(photo.focal_length_35mm, width, height), FOCAL_LOG_U
    camera = fit_camera(reading, centre, focal, focal_u)
    lens = camera.lens
    aligned, _ = align_with_photo(camera.px_from_mm, photo.bgr.shape)
    tilt_deg, distance_mm = tilt_and_distance(aligned, lens.focal_px, lens.centre_px)
    span_mm = float(np.ptp(reading.places_mm))
    if known and not _NEAREST_MM <= distance_mm <= _FARTHEST_MM:
        raise ScaleError(
            "rule-implausible",
            f"Read as {reading.graduation.name}, the rule would put the camera {distance_mm / 10:.0f} cm away.",
            "Say which marks it has (--rule mm or --rule inch16), or use --points.",
        )
    marks, others = scale_doubt(camera)
    plane = Plane(
        px_from_mm=aligned,
        source="rule",
        tilt_deg=tilt_deg,
        camera_distance_mm=distance_mm if known else None,
        lens=lens,
        budget=(
            BudgetLine(
                name="marks of the rule",
                standard_percent=marks,
                kind="A",
                origin=f"{len(reading.row.number)} marks over {span_mm:.0f} mm, off by {camera.noise_px:.2f} px",
            ),
            BudgetLine(
                name="tilt, focal length and lens",
                standard_percent=others,
                kind="B",
                origin="what marks on one line leave open; phones held by hand, common practice",
            ),
            BudgetLine(
                name="graduation of the rule",
                standard_percent=rectangular_percent(100.0 * GRADUATION_HALF_WIDTH_MM / span_mm),
                kind="B",
                origin=f"marks kept to {GRADUATION_HALF_WIDTH_MM:g} mm, common practice",
            ),
            BudgetLine(
                name="thickness of the rule",
                standard_percent=rectangular_percent(100.0 * HEIGHT_HALF_WIDTH_MM / distance_mm),
                kind="B",
                origin=f"marks {HEIGHT_MM:g} mm over the table, give or take as much",
            ),
        ),
        notices=(
            Notice(
                "scale-rule",
                f"The rule was read as {reading.graduation.name}: {_span_words(reading)} of it show without a gap. Check "
                "that against its numbers.",
            ),
        ),
    )
    return replace(plane, card_outline_px=_outline(gray, plane, reading))


def _span_words(reading: Reading) -> str:
    span_mm = float(np.ptp(reading.places_mm))
    if reading.graduation in INCH:
        return f"{span_mm / MM_PER_INCH:.1f} inches"
    return f"{span_mm:.0f} mm"


def _outline(gray: NDArray[np.uint8], aligned: Plane, reading: Reading) -> Array:
    """Return the rule's own outline in photo pixels: it is no cloth.

    From the line at which the marks begin to where the brightness, median along the rule, leaves that of its body.
    """
    foot, tip = aligned.to_mm(reading.row.foot_px), aligned.to_mm(reading.row.tip_px)
    along = (foot[-1] - foot[0]) / np.linalg.norm(foot[-1] - foot[0])
    inward = np.array([-along[1], along[0]])
    if float(np.median((tip - foot) @ inward)) < 0:
        inward = -inward
    depths = np.arange(0.0, _WIDEST_MM, _DEPTH_STEP_MM)
    places = np.linspace(0.0, float((foot[-1] - foot[0]) @ along), 80)
    grid = foot[0] + places[None, :, None] * along + depths[:, None, None] * inward
    px = aligned.to_px(grid).astype(np.float32)
    levels = cv2.remap(gray, px[..., 0], px[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    middle = np.median(levels.astype(np.float64), axis=1)
    first = int(1.5 * float(np.percentile(np.abs((tip - foot) @ inward), 95)) / _DEPTH_STEP_MM)
    body = float(np.median(middle[: max(first, 8)]))
    left = np.abs(middle - body) > _LEVELS_OFF_BODY
    run = round(_EDGE_RUN_MM / _DEPTH_STEP_MM)
    width_mm = _USUAL_WIDTH_MM
    for k in range(max(first, 8), len(left) - run):
        if left[k : k + run].all():
            width_mm = float(depths[k])
            break
    start, end = foot[0] - _RULE_END_MM * along, foot[-1] + _RULE_END_MM * along
    rim = -1.0 * inward  # the soft edge
    corners = np.array([start + rim, end + rim, end + width_mm * inward, start + width_mm * inward])
    return aligned.to_px(corners)
