"""The scale from a rule lying in the photo: which mark is which, and how the camera stood over it.

Marks are told apart by their lengths, never counted on trust: on a metric rule every fifth is longer and every tenth
longest; on an inch rule every halving of the inch has its own length.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal, get_args

import cv2
import numpy as np
from numpy.typing import NDArray

from .budget import BudgetLine, rectangular_percent
from .camera_view import align_with_photo, focal_px_from_35mm, tilt_and_distance
from .card_choice import FOCAL_LOG_U, FOCAL_UNKNOWN, K1_U
from .errors import ScaleError
from .notices import Notice
from .photo import Photo
from .plane import Lens, Plane
from .rule_ticks import FEWEST_MARKS, TickRow, find_tick_rows

__all__ = ["RuleKind", "find_rule"]

RuleKind = Literal["mm", "inch16"]

MM_PER_INCH = 25.4
# Steel rules keep their marks to about a tenth of a millimetre over their length: common practice.
GRADUATION_HALF_WIDTH_MM = 0.1
# Rules are half a millimetre to a millimetre thick, tapes stand up a little: the height of the marks over the table.
HEIGHT_MM, HEIGHT_HALF_WIDTH_MM = 0.7, 0.7
TILT_U_DEG = 10.0  # how far a hand tilts a phone about the rule's own direction, where marks do not show it
_NEAREST_MM, _FARTHEST_MM = 90.0, 1500.0  # beyond, marks were misread or the phone could not have focused
_LEAST_RIGHT = 0.85
_LEAST_LEAD = 0.12
_LEAST_SHOWN = 0.85  # of the marks between the first and the last; threads of two kinds skip every other one
_LEAST_OF_RANK = 0.7
_LEAST_NEAR = 0.8  # of the marks of one period
_CLEAR_STEP = 0.12  # ranks differ at least so much in length, relative
_WIDEST_MM, _USUAL_WIDTH_MM, _DEPTH_STEP_MM = 60.0, 30.0, 0.25  # of rules and tapes
_LEVELS_OFF_BODY, _EDGE_RUN_MM = 14.0, 1.5  # 8-bit levels by which table or cloth differ from the rule's body
_RULE_END_MM = 8.0  # rules go on a little beyond their first and last mark
_MARK_NOISE_PX = 0.1  # of marks that show well
_ROW_NOISE_PX = 0.3  # ends are found to whole pixels: 1 / sqrt(12)
_RUN = 10  # neighbouring marks
_FEWEST_LONG = 2  # marks of the longest rank that must show

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Graduation:
    """A known graduation: the rank of each mark over one period, and what the period measures."""

    name: str
    ranks: tuple[int, ...]
    period_mm: float


def _halvings(parts: int) -> tuple[int, ...]:
    ranks = []
    for k in range(parts):
        rank, step = 0, 2
        while step <= parts and k % step == 0:
            rank, step = rank + 1, 2 * step
        ranks.append(rank)
    return tuple(ranks)


_METRIC = (
    _Graduation(name="millimetres", ranks=(2, 0, 0, 0, 0, 1, 0, 0, 0, 0), period_mm=10.0),
    _Graduation(name="half millimetres", ranks=(3, *(0, 1) * 4, 0, 2, *(0, 1) * 4, 0), period_mm=10.0),
)
_INCH = (
    _Graduation(name="sixteenths of an inch", ranks=_halvings(16), period_mm=MM_PER_INCH),
    _Graduation(name="thirty-seconds of an inch", ranks=_halvings(32), period_mm=MM_PER_INCH),
)
_WORDS = {"mm": "millimetres", "inch16": "sixteenths of an inch"}


@dataclass(frozen=True, slots=True)
class _Reading:
    """A row of marks, read: place of every mark along the rule."""

    row: TickRow
    graduation: _Graduation
    places_mm: Array
    right: float


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
    wanted, other = (_METRIC, _INCH) if kind == "mm" else (_INCH, _METRIC)
    read = [reading for row in rows if (reading := _read(row)) is not None]
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


def _unread(photo: Photo, kind: RuleKind, rows: list[TickRow], others: list[_Reading]) -> ScaleError:
    if others:
        name = others[0].graduation.name
        instead = "mm" if others[0].graduation in _METRIC else "inch16"
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


def _read(row: TickRow) -> _Reading | None:
    """Find the graduation whose pattern of long and short marks this row shows, if exactly one does.

    A pattern that only leaves out a distinction of another (sixteenths, whose inches are not told from half inches,
    in thirty-seconds) is no rival of it: the one that explains more is right.
    """
    trials: list[tuple[float, NDArray[np.int_], int, _Graduation]] = []
    for graduation in (*_METRIC, *_INCH):
        period = len(graduation.ranks)
        for phase in range(period):
            rank = np.array(graduation.ranks)[(row.number + phase) % period]
            trials.append((_agreement(row, rank), rank, phase, graduation))
    top = max(trial[0] for trial in trials)
    if top < _LEAST_RIGHT:
        return None
    near = [trial for trial in trials if trial[0] > top - _LEAST_LEAD]
    right, rank, phase, graduation = max(near, key=lambda trial: (int(trial[1].max()), trial[0]))
    if any(not np.array_equal(other[1], np.minimum(rank, other[1].max())) for other in near):
        return None
    stretch = _well_read(row, rank, len(graduation.ranks))
    if stretch is None:
        return None
    row, rank = _part(row, stretch), rank[stretch]
    if _agreement(row, rank) < _LEAST_RIGHT:
        return None
    if np.count_nonzero(rank == rank.max()) < _FEWEST_LONG or len(row.number) < FEWEST_MARKS:
        return None
    step_mm = graduation.period_mm / len(graduation.ranks)
    places_mm = np.asarray((row.number + phase) * step_mm, dtype=np.float64)
    return _Reading(row=row, graduation=graduation, places_mm=places_mm, right=right)


def _part(row: TickRow, stretch: slice) -> TickRow:
    return TickRow(
        number=row.number[stretch],
        foot_px=row.foot_px[stretch],
        tip_px=row.tip_px[stretch],
        length_px=row.length_px[stretch],
        spacing_px=row.spacing_px,
        foot_scatter_px=row.foot_scatter_px,
    )


def _agreement(row: TickRow, rank: NDArray[np.int_]) -> float:
    """Return the share of marks whose length is that of their rank, averaged over the ranks (0 if ranks do not differ)."""
    fitting = _fitting(row, rank)
    if fitting is None or len(row.number) < _LEAST_SHOWN * (int(np.ptp(row.number)) + 1):
        return 0.0
    if min(float(np.mean(fitting[rank == k])) for k in range(int(rank.max()) + 1)) < _LEAST_OF_RANK:
        return 0.0
    return float(np.mean([np.mean(fitting[rank == k]) for k in range(int(rank.max()) + 1)]))


def _fitting(row: TickRow, rank: NDArray[np.int_]) -> NDArray[np.bool_] | None:
    """Tell of every mark whether its length is that of its rank; None if the ranks do not differ in length.

    Lengths are compared with those nearby, for perspective shortens marks toward one end of the rule.
    """
    highest = int(rank.max())
    if set(range(highest + 1)) != set(rank.tolist()) or np.count_nonzero(rank == highest) < _FEWEST_LONG:
        return None
    lengths = row.length_px / _local_unit(row, rank)
    usual = [float(np.median(lengths[rank == k])) for k in range(highest + 1)]
    if any(longer < shorter * (1.0 + _CLEAR_STEP) for shorter, longer in itertools.pairwise(usual)):
        return None
    limits = [0.5 * (a + b) for a, b in itertools.pairwise(usual)]
    return np.asarray(np.searchsorted(np.array(limits), lengths) == rank)


def _well_read(row: TickRow, rank: NDArray[np.int_], period: int) -> slice | None:
    """Return the longest stretch in which marks fit their ranks everywhere: beside it a mark may have been counted twice."""
    fitting = _fitting(row, rank)
    if fitting is None:
        return None
    width = min(period, 16)
    near = np.convolve(fitting.astype(np.float64), np.ones(width), mode="same")
    near /= np.convolve(np.ones(len(fitting)), np.ones(width), mode="same")
    good = np.concatenate([[False], near >= _LEAST_NEAR, [False]])
    edges = np.flatnonzero(np.diff(good.astype(int)))
    if not len(edges):
        return None
    first, last = max(zip(edges[::2], edges[1::2], strict=True), key=lambda ends: int(ends[1] - ends[0]))
    return slice(int(first), int(last))


def _local_unit(row: TickRow, rank: NDArray[np.int_]) -> Array:
    """Return how long the shortest marks are at every mark, a straight line fitted to them."""
    short = rank == 0
    line = (
        np.polyfit(row.number[short], row.length_px[short], 1) if np.count_nonzero(short) > 3 else [0.0, 1.0]
    )
    return np.asarray(np.maximum(np.polyval(line, row.number), 0.3 * float(np.median(row.length_px[short]))))


# Order of the unknowns: rotation vector (3), translation (3), log focal length, k1.
_LOG_FOCAL, _K1 = 6, 7


def _plane(photo: Photo, gray: NDArray[np.uint8], reading: _Reading) -> Plane:
    """Fit the camera to the marks and turn it into the photo's plane."""
    height, width = photo.bgr.shape[:2]
    centre = np.array([(width - 1) / 2.0, (height - 1) / 2.0])
    known = photo.focal_length_35mm is not None
    focal, focal_u = FOCAL_UNKNOWN[0] * math.hypot(width, height), FOCAL_UNKNOWN[1]
    if photo.focal_length_35mm is not None:
        focal, focal_u = focal_px_from_35mm(photo.focal_length_35mm, width, height), FOCAL_LOG_U
    fit = _fit(reading, centre, focal, focal_u)
    unknowns, covariance, information, scatter_px = fit
    homography = _homography(unknowns, centre)
    lens = Lens(
        focal_px=math.exp(unknowns[_LOG_FOCAL]), centre_px=(centre[0], centre[1]), k1=float(unknowns[_K1])
    )
    aligned, _ = align_with_photo(homography, photo.bgr.shape)
    tilt_deg, distance_mm = tilt_and_distance(aligned, lens.focal_px, lens.centre_px)
    span_mm = float(np.ptp(reading.places_mm))
    if known and not _NEAREST_MM <= distance_mm <= _FARTHEST_MM:
        raise ScaleError(
            "rule-implausible",
            f"Read as {reading.graduation.name}, the rule would put the camera {distance_mm / 10:.0f} cm away.",
            "Say which marks it has (--rule mm or --rule inch16), or use --points.",
        )
    marks, others = _shares(unknowns, covariance, information, centre)
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
                origin=f"{len(reading.row.number)} marks over {span_mm:.0f} mm, off by {scatter_px:.2f} px",
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


def _span_words(reading: _Reading) -> str:
    span_mm = float(np.ptp(reading.places_mm))
    if reading.graduation in _INCH:
        return f"{span_mm / MM_PER_INCH:.1f} inches"
    return f"{span_mm:.0f} mm"


def _outline(gray: NDArray[np.uint8], aligned: Plane, reading: _Reading) -> Array:
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


def _fit(
    reading: _Reading, centre: Array, focal_px: float, focal_u: float
) -> tuple[Array, Array, Array, float]:
    """Fit a pinhole camera so that all marks stand at their places, at right angles to the line of their feet.

    Returns
    -------
    unknowns, covariance, information : ndarray
        As fitted; the information is what the marks alone say.
    noise_px : float
        Robust scatter of the marks.
    """
    row, places = reading.row, reading.places_mm - reading.places_mm.mean()
    step_mm = float(np.median(np.diff(places) / np.maximum(np.diff(row.number), 1)))
    px_per_mm = row.spacing_px / step_mm
    # Where a mark begins is seen far less well than where it stands, and blurred together with its neighbours.
    line_weight = _MARK_NOISE_PX / (2.0 * max(row.foot_scatter_px, _ROW_NOISE_PX))

    def off_px(unknowns: Array) -> Array:
        plane = _plane_of(unknowns, centre)
        foot, tip = plane.to_mm(row.foot_px), plane.to_mm(row.tip_px)
        return np.concatenate([foot[:, 0] - places, tip[:, 0] - places, line_weight * foot[:, 1]]) * px_per_mm

    def known(unknowns: Array) -> Array:
        turn = cv2.Rodrigues(unknowns[:3])[0]
        lean = math.radians(TILT_U_DEG)
        return np.array(
            [
                turn[2, 0] / lean,
                turn[2, 1] / lean,
                (unknowns[_LOG_FOCAL] - math.log(focal_px)) / focal_u,
                unknowns[_K1] / K1_U,
            ]
        )

    unknowns, noise = _start(row, places, centre, focal_px), 0.25
    damping = 1e-3
    for _ in range(40):
        off, prior = off_px(unknowns), known(unknowns)
        noise = max(0.05, 1.4826 * float(np.median(np.abs(off))))
        weight = np.minimum(1.0, 2.0 * noise / np.maximum(np.abs(off), 1e-9)) / noise**2
        slope, pull = _jacobian(off_px, unknowns), _jacobian(known, unknowns)
        normal = slope.T @ (slope * weight[:, None]) + pull.T @ pull
        gradient = slope.T @ (weight * off) + pull.T @ prior
        move = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), -gradient)
        now = float(np.sum(weight * off**2) + np.sum(prior**2))
        then = float(np.sum(weight * off_px(unknowns + move) ** 2) + np.sum(known(unknowns + move) ** 2))
        if then <= now:
            unknowns, damping = unknowns + move, max(damping / 10.0, 1e-9)
            if now - then < 1e-7 * max(now, 1.0):
                break
        else:
            damping *= 10.0
            if damping > 1e8:
                break
    # Foot, tip and the mark's own place on the rule share their errors: a mark counts once, not three times.
    wander = _wander(off_px(unknowns), len(places), noise)
    slope, pull = _jacobian(off_px, unknowns) / (noise * math.sqrt(3.0 * wander)), _jacobian(known, unknowns)
    information = slope.T @ slope
    return unknowns, np.asarray(np.linalg.inv(information + pull.T @ pull)), information, noise


def _wander(off_px: Array, marks: int, noise_px: float) -> float:
    """Return by how much runs of neighbouring marks stray together more than marks by themselves would, as a variance ratio.

    Blur, numbers and finer marks beside them pull neighbours the same way: then fewer marks are worth counting.
    """
    if marks < 3 * _RUN:
        return 1.0
    ratios = []
    for part in (off_px[:marks], off_px[marks : 2 * marks]):
        kept = np.clip(part, -3.0 * noise_px, 3.0 * noise_px)
        runs = kept[: marks // _RUN * _RUN].reshape(-1, _RUN).mean(axis=1)
        ratios.append(_RUN * float(np.mean(runs**2)) / max(float(np.mean(kept**2)), 1e-9))
    # The fit has bent itself to the slowest part of the wandering, which therefore does not show: as much again.
    return 2.0 * max(1.0, *ratios)


def _plane_of(unknowns: Array, centre: Array) -> Plane:
    lens = Lens(
        focal_px=math.exp(unknowns[_LOG_FOCAL]),
        centre_px=(float(centre[0]), float(centre[1])),
        k1=float(unknowns[_K1]),
    )
    return Plane(px_from_mm=_homography(unknowns, centre), source="rule", lens=lens)


def _jacobian(function: Callable[[Array], Array], at: Array) -> Array:
    steps = np.array([1e-6, 1e-6, 1e-6, 1e-4, 1e-4, 1e-4, 1e-6, 1e-6])
    columns = []
    for k, step in enumerate(steps):
        shift = np.zeros(len(at))
        shift[k] = step
        columns.append((function(at + shift) - function(at - shift)) / (2 * step))
    return np.column_stack(columns)


def _start(row: TickRow, places: Array, centre: Array, focal_px: float) -> Array:
    """Return the camera square on over the rule, at the distance that gives its spacing."""
    along = row.foot_px[-1] - row.foot_px[0]
    px_per_mm = float(np.linalg.norm(along)) / float(np.ptp(places))
    unit = along / np.linalg.norm(along)
    turn = np.array([[unit[0], -unit[1], 0.0], [unit[1], unit[0], 0.0], [0.0, 0.0, 1.0]])
    distance = focal_px / px_per_mm
    middle = row.foot_px.mean(axis=0)
    move = np.array([*((middle - centre) / focal_px * distance), distance])
    return np.concatenate([cv2.Rodrigues(turn)[0].ravel(), move, [math.log(focal_px), 0.0]])


def _homography(unknowns: Array, centre: Array) -> Array:
    focal = math.exp(unknowns[_LOG_FOCAL])
    camera = np.array([[focal, 0, centre[0]], [0, focal, centre[1]], [0, 0, 1.0]])
    turn = np.asarray(cv2.Rodrigues(unknowns[:3])[0])
    homography = camera @ np.column_stack([turn[:, 0], turn[:, 1], unknowns[3:6]])
    return np.asarray(homography / homography[2, 2], dtype=np.float64)


def _shares(unknowns: Array, covariance: Array, information: Array, centre: Array) -> tuple[float, float]:
    """Return the standard uncertainty of the scale over the middle of the photo in percent: from the marks, from the rest.

    The middle of the photo is where the cloth lies. First order (GUM 5.1.2), mean of the variance over places.
    """
    x, y = np.meshgrid([0.5, 1.0, 1.5], [0.5, 1.0, 1.5])
    points_px = np.column_stack([x.ravel() * centre[0], y.ravel() * centre[1]])

    def log_scale(values: Array) -> Array:
        plane = _plane_of(values, centre)
        return np.array([math.log(plane.px_per_mm_at(point)) for point in plane.to_mm(points_px)])

    gradient = _jacobian(log_scale, unknowns)
    reach = gradient @ covariance
    total = float(np.mean(np.einsum("ki,ki->k", reach, gradient)))
    marks = float(np.mean(np.einsum("ki,ij,kj->k", reach, information, reach)))
    return 100.0 * math.sqrt(max(marks, 0.0)), 100.0 * math.sqrt(max(total - marks, 0.0))
