"""From the markers of printed cards to the plane of the card, with its uncertainty budget."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .budget import BudgetLine, rectangular_percent
from .card_design import (
    CHECK_BAR_MM,
    PAPER_SIZE_MM,
    RAIL_HEIGHT_MM,
    RAIL_PART_MM,
    CardCode,
    CardLayout,
    card_layout,
    parse_card_code,
    rectangle,
)
from .card_fit import CameraFit, CameraPrior, bend_basis, fit_camera
from .card_markers import Marker, find_markers
from .card_memory import CheckBars, LensRecord
from .notices import Notice
from .photo import Photo
from .plane import Plane, ScaleSource
from .pose import align_with_photo, focal_px_from_35mm, tilt_and_distance

__all__ = [
    "CardSighting",
    "find_printed_cards",
    "neutral_patches_px",
    "rail_position_mm",
    "see_printed_cards",
]

# "Fit to page" leaves the unprintable rim of a home printer, commonly 4.2 mm: 2 x 4.2 mm of 210 mm are 4 %.
UNCONFIRMED_HALF_WIDTH_PERCENT = 100.0 * 2 * 4.2 / PAPER_SIZE_MM["a4"][0]
# Reading a steel rule at both ends of a line to 0.2 mm in all: common practice.
RULE_READING_MM = 0.2
# Paper lying on a table stands up by half a millimetre here and there: common practice.
PAPER_FLATNESS_MM = 0.5
# Half a millimetre is what hand-glued joints of the rail are good for: common practice.
JOINT_MM = 0.5

FOCAL_LOG_U = (
    0.03  # 35 mm equivalents are rounded to whole millimetres (2 %) and refer to the lens at infinity
)
FOCAL_UNKNOWN = (0.75, 0.35)  # share of the diagonal: phones' main lenses 0.55-0.65, tele 1.2-1.8
CENTRE_U_DIAGONAL = 0.006  # lens shift by image stabilisation and mounting, as a share of the diagonal
K1_U = 0.015  # what phones leave after their own correction: about 1 % at the corner of the picture
K1_U_FREE = 0.08  # uncorrected lenses

SIGNIFICANT_K1 = 12.0  # drop of chi square for one more unknown: 0.05 % by chance
SIGNIFICANT_CROP = 25.0  # the same for three unknowns set free
SIGNIFICANT_BEND = 25.0
CURLED_MM = 1.0  # smallest rise of the paper that is called curled

_SOURCES: dict[str, ScaleSource] = {"page": "page-card", "pocket": "pocket-card", "rail": "rail"}


@dataclass(frozen=True, slots=True, kw_only=True)
class CardSighting:
    """The markers of one card in one photo, as point pairs.

    Attributes
    ----------
    layout : CardLayout
        The card.
    points_mm : ndarray of shape (N, 2)
        Corners on the card in true millimetres (check bars taken into account).
    corners_px, outward_px : ndarray of shape (N, 2)
        The corners in the photo, and how they move when all edges move outward by one pixel.
    marker : ndarray of shape (N,)
        Id of the marker of each corner.
    quads_px : ndarray of shape (K, 4, 2)
        All four corners of each marker.
    confirmed : bool
        Whether the check bars were measured.
    print_scale : tuple of float
        Printed size over drawn size, horizontally and vertically.
    """

    layout: CardLayout
    points_mm: NDArray[np.float64]
    corners_px: NDArray[np.float64]
    outward_px: NDArray[np.float64]
    marker: NDArray[np.intp]
    quads_px: NDArray[np.float64]
    confirmed: bool
    print_scale: tuple[float, float]


def find_printed_cards(
    photo: Photo, checks: Mapping[str, CheckBars], *, lenses: Sequence[LensRecord] = ()
) -> tuple[Plane, ...]:
    """Find every printed card in a photo.

    Parameters
    ----------
    photo : Photo
        Upright photo.
    checks : mapping of str to CheckBars
        Measured check bars by card code.
    lenses : sequence of LensRecord, optional
        Learned lenses; the one that fits the photo is used.

    Returns
    -------
    tuple of Plane
        One for each card, the one with the most markers first; empty when there is none.
    """
    sightings = see_printed_cards(photo.bgr, checks)
    planes = []
    for sighting in sightings:
        plane = _plane_of(photo, sighting, lenses)
        if plane is not None:
            planes.append(plane)
    return tuple(planes)


def see_printed_cards(
    picture: NDArray[np.uint8], checks: Mapping[str, CheckBars]
) -> tuple[CardSighting, ...]:
    """Find the markers of every printed card and pair their corners with the card's; most markers first."""
    gray = np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
    known = {str(parse_card_code(code)): bars for code, bars in checks.items()}
    sightings = []
    for code, markers in find_markers(gray).items():
        sighting = _sighting(code, markers, known.get(str(code)))
        if sighting is not None:
            sightings.append(sighting)
    return tuple(sorted(sightings, key=lambda s: -len(s.quads_px)))


def rail_position_mm(plane: Plane, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the position along the rail of points of shape (..., 2) given in plane millimetres.

    Raises
    ------
    ValueError
        If the plane does not come from a rail.
    """
    if plane.source != "rail" or plane.card_from_mm is None:
        raise ValueError("the plane does not come from a rail")
    position: NDArray[np.float64] = (
        np.asarray(points_mm) @ plane.card_from_mm[0, :2] + plane.card_from_mm[0, 2]
    )
    return position


def neutral_patches_px(plane: Plane, shape: tuple[int, ...]) -> dict[str, NDArray[np.float64]]:
    """Return the neutral patches of the card that lie in the photo, ``"grey"`` and ``"white"``.

    Parameters
    ----------
    plane : Plane
        Plane of a printed card.
    shape : tuple of int
        Shape of the photo's pixel array.

    Returns
    -------
    dict of str to ndarray of shape (K, 4, 2)
        Inner three quarters of each patch in photo pixels; a patch may still be covered.
    """
    if plane.card_code is None or plane.card_from_mm is None:
        return {}
    turn, move = plane.card_from_mm[:, :2], plane.card_from_mm[:, 2]
    found = {}
    for name, quads in card_layout(parse_card_code(plane.card_code)).patches.items():
        middle = quads.mean(axis=1, keepdims=True)
        inner = middle + 0.75 * (quads - middle)
        px = plane.to_px((inner - move) @ np.linalg.inv(turn).T)
        inside = (px >= 0).all(axis=(1, 2)) & (px[..., 0] < shape[1]).all(1) & (px[..., 1] < shape[0]).all(1)
        if inside.any():
            found[name] = px[inside]
    return found


def _sighting(code: CardCode, markers: Sequence[Marker], bars: CheckBars | None) -> CardSighting | None:
    """Pair corners and leave out markers that do not lie where the card has them."""
    layout = card_layout(code)
    scale = (1.0, 1.0) if bars is None else bars.scale
    nominal = np.stack([layout.markers[m.id] for m in markers])
    quads = np.stack([m.corners_px for m in markers])
    seen = np.stack([m.seen for m in markers])
    true_mm = nominal * np.array(scale)
    side_px = float(np.median(np.linalg.norm(quads[:, 1] - quads[:, 0], axis=1)))
    # Curled paper and lens distortion bend the grid by less than a tenth of a marker; a misread one is far off.
    homography, inlier = cv2.findHomography(
        true_mm.reshape(-1, 2), quads.reshape(-1, 2), cv2.RANSAC, max(0.12 * side_px, 2.0)
    )
    if homography is None or inlier is None:
        return None
    whole = np.asarray(inlier).reshape(-1, 4).astype(bool).sum(axis=1) >= 3
    if int(whole.sum()) < 2 or np.linalg.det(np.asarray(homography)[:2, :2]) <= 0:
        return None
    outward = _outward(quads)
    keep = seen & whole[:, None]
    ids = np.repeat(np.array([m.id for m in markers])[:, None], 4, axis=1)
    if int(keep.sum()) < 6:
        return None
    return CardSighting(
        layout=layout,
        points_mm=true_mm[keep],
        corners_px=quads[keep],
        outward_px=outward[keep],
        marker=ids[keep],
        quads_px=quads[whole],
        confirmed=bars is not None,
        print_scale=scale,
    )


def _outward(quads: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how each corner moves when both its sides move outward by one pixel, shape (K, 4, 2)."""
    along = np.roll(quads, -1, axis=1) - quads
    along = along / np.linalg.norm(along, axis=2, keepdims=True)
    normal = np.stack([along[..., 1], -along[..., 0]], axis=-1)
    before = np.roll(normal, 1, axis=1)
    both = np.stack([before, normal], axis=-2)  # rows: the two side normals; solve normals @ move = (1, 1)
    moves: NDArray[np.float64] = np.linalg.solve(both, np.ones((*both.shape[:2], 2, 1)))[..., 0]
    return moves


def _camera_prior(photo: Photo, lenses: Sequence[LensRecord]) -> tuple[CameraPrior, str]:
    """Return what is known of the camera, and where the focal length comes from: learned, exif or unknown."""
    height, width = photo.bgr.shape[:2]
    diagonal = math.hypot(width, height)
    centre = ((width - 1) / 2.0, (height - 1) / 2.0)
    for lens in lenses:
        if photo.focal_length_mm is not None and lens.key == (photo.camera, round(photo.focal_length_mm, 1)):
            return CameraPrior(
                focal_px=lens.focal_per_diagonal * diagonal,
                focal_log_u=max(lens.focal_per_diagonal_u / lens.focal_per_diagonal, 0.01),
                centre_px=centre,
                centre_u_px=CENTRE_U_DIAGONAL * diagonal,
                k1=lens.k1,
                k1_u=max(lens.k1_u, 0.002),
            ), "learned"
    if photo.focal_length_35mm is not None and 8.0 <= photo.focal_length_35mm <= 400.0:
        focal, log_u, origin = focal_px_from_35mm(photo.focal_length_35mm, width, height), FOCAL_LOG_U, "exif"
    else:
        focal, log_u, origin = FOCAL_UNKNOWN[0] * diagonal, FOCAL_UNKNOWN[1], "unknown"
    return CameraPrior(
        focal_px=focal,
        focal_log_u=log_u,
        centre_px=centre,
        centre_u_px=CENTRE_U_DIAGONAL * diagonal,
        k1=0.0,
        k1_u=K1_U,
    ), origin


@dataclass(frozen=True, slots=True, kw_only=True)
class _Chosen:
    """The fit that the photo calls for, and which liberties it needed."""

    fit: CameraFit
    spread: float
    bent: bool
    cropped: bool


def _plane_of(photo: Photo, sighting: CardSighting, lenses: Sequence[LensRecord]) -> Plane | None:
    prior, origin = _camera_prior(photo, lenses)
    chosen = _choose_fit(sighting, prior)
    if chosen is None:
        return None
    fit, code = chosen.fit, sighting.layout.code
    lens = fit.lens
    aligned, card_from_plane = align_with_photo(fit.px_from_card_mm, photo.bgr.shape)
    tilt_deg, distance_mm = tilt_and_distance(aligned, lens.focal_px, lens.centre_px)
    focal_known = math.sqrt(fit.covariance[7, 7]) < 0.08
    plane_from_card = np.linalg.inv(card_from_plane)
    plane = Plane(
        px_from_mm=aligned,
        source=_SOURCES[code.kind],
        tilt_deg=tilt_deg,
        camera_distance_mm=distance_mm if focal_known else None,
        lens=lens,
        card_code=str(code),
        card_from_mm=card_from_plane[:2],
        marker_quads_px=sighting.quads_px,
    )
    scale = np.array(sighting.print_scale)
    outline = _dense(_outline_mm(sighting)) * scale
    blank = sighting.layout.blank
    return _with(
        plane,
        budget=_budget(photo, sighting, chosen, distance_mm, origin),
        card_outline_px=plane.to_px(_move(plane_from_card, outline)),
        blank_region_mm=None if blank is None else _move(plane_from_card, blank * scale),
        notices=_notices(sighting, chosen),
    )


def _choose_fit(sighting: CardSighting, prior: CameraPrior) -> _Chosen | None:
    """Start from a flat card and a usual lens; allow more only where the residuals clearly call for it.

    Candidates are a lens that is not corrected, bent paper, and a photo that was cropped or zoomed after taking
    (focal length and principal point then mean nothing). The one that lowers chi square most joins, until
    none does significantly. All are compared with the noise of the freest fit.
    """
    kind = sighting.layout.code.kind
    markers = len(np.unique(sighting.marker))
    middle, reach = _middle_and_reach(sighting)
    basis = bend_basis(sighting.points_mm, middle, reach)
    data = (sighting.points_mm, sighting.corners_px, sighting.outward_px)
    diagonal = 2.0 * math.hypot(*prior.centre_px)
    limit = {"crop": SIGNIFICANT_CROP, "bend": SIGNIFICANT_BEND, "lens": SIGNIFICANT_K1}
    if kind == "pocket":
        del limit["lens"]  # too small a part of the picture to tell a lens from a tilt: bounded only
    if markers < 5 or kind == "rail":
        del limit["bend"]
    if markers < 3:
        limit = {}

    def attempt(freed: frozenset[str], noise: float | None, start: CameraFit | None) -> CameraFit | None:
        known = prior
        if "lens" in freed:
            known = _replace_prior(known, k1_u=K1_U_FREE)
        if "crop" in freed:
            known = _replace_prior(known, focal_log_u=max(0.4, known.focal_log_u), centre_u_px=0.2 * diagonal)
        return fit_camera(*data, known, bend=basis if "bend" in freed else None, noise_px=noise, start=start)

    freed: frozenset[str] = frozenset()
    flat = attempt(freed, None, None)
    freest = attempt(frozenset(limit), None, flat)
    if flat is None or freest is None:
        return None
    noise = min(flat.noise_px, freest.noise_px)
    best = attempt(freed, noise, flat)
    while best is not None:
        trials = {name: attempt(freed | {name}, noise, best) for name in sorted(set(limit) - freed)}
        gains = {
            name: (best.chi_square - fit.chi_square) / limit[name]
            for name, fit in trials.items()
            if fit is not None
        }
        winner = max(gains, key=lambda name: gains[name], default=None)
        if winner is None or gains[winner] < 1.0:
            break
        best, freed = trials[winner], freed | {winner}
    if best is None:
        return None
    return _Chosen(fit=best, spread=_spread(sighting, best), bent="bend" in freed, cropped="crop" in freed)


def _replace_prior(prior: CameraPrior, **changes: float) -> CameraPrior:
    from dataclasses import replace

    return replace(prior, **changes)  # type: ignore[arg-type]


def _with(plane: Plane, **changes: object) -> Plane:
    from dataclasses import replace

    return replace(plane, **changes)  # type: ignore[arg-type]


def _spread(sighting: CardSighting, fit: CameraFit) -> float:
    """Return by how much whole markers scatter more than their corners do (1 = not at all), as a variance ratio.

    Corner noise is independent from corner to corner; paper, print and what the lens model leaves out move a
    marker as a whole. Where whole markers scatter more, counting each corner would promise too much.
    """
    means, count = [], []
    within = 0.0
    freedom = 0
    for marker in np.unique(sighting.marker):
        own = fit.residual_px[sighting.marker == marker]
        means.append(own.mean(axis=0))
        count.append(len(own))
        within += float(np.sum((own - own.mean(axis=0)) ** 2))
        freedom += 2 * (len(own) - 1)
    if len(means) < 4 or freedom < 6:
        return 1.0
    between = float(np.sum(np.array(count)[:, None] * np.array(means) ** 2)) / max(2 * len(means) - 7, 2)
    noise = max(within / freedom, fit.noise_px**2 / 4.0)
    return max(1.0, between / noise, between / fit.noise_px**2)


def _middle_and_reach(sighting: CardSighting) -> tuple[NDArray[np.float64], float]:
    outline = _outline_mm(sighting) * np.array(sighting.print_scale)
    middle = outline.mean(axis=0)
    return middle, float(np.linalg.norm(outline[0] - middle))


def _outline_mm(sighting: CardSighting) -> NDArray[np.float64]:
    """Return the card's edge in nominal millimetres; of a rail only the parts that show."""
    if sighting.layout.code.kind != "rail":
        return sighting.layout.outline
    x = sighting.points_mm[:, 0] / sighting.print_scale[0]
    first = math.floor(float(x.min()) / RAIL_PART_MM) * RAIL_PART_MM
    last = math.ceil(float(x.max()) / RAIL_PART_MM) * RAIL_PART_MM
    return rectangle(first, 0.0, last - first, RAIL_HEIGHT_MM)


def _dense(quad: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the outline with points along its sides, so that lens distortion can bend them."""
    share = np.linspace(0.0, 1.0, 12, endpoint=False)[:, None]
    sides = [a + share * (b - a) for a, b in zip(quad, np.roll(quad, -1, axis=0), strict=True)]
    return np.concatenate(sides)


def _move(motion: NDArray[np.float64], points: NDArray[np.float64]) -> NDArray[np.float64]:
    moved: NDArray[np.float64] = points @ motion[:2, :2].T + motion[:2, 2]
    return moved


def _where_wanted_mm(photo: Photo, sighting: CardSighting, fit: CameraFit) -> NDArray[np.float64]:
    """Return points on the card's plane where the scale will be used: the empty middle, or all over the photo."""
    share = np.array([[x, y] for x in (-0.25, 0.0, 0.25) for y in (-0.25, 0.0, 0.25)])
    blank = sighting.layout.blank
    if blank is not None:
        low, high = blank.min(axis=0), blank.max(axis=0)
        points: NDArray[np.float64] = ((low + high) / 2 + share * (high - low)) * np.array(
            sighting.print_scale
        )
        return points
    height, width = photo.bgr.shape[:2]
    size = np.array([width - 1.0, height - 1.0])
    plane = Plane(px_from_mm=fit.px_from_card_mm, source="pocket-card", lens=fit.lens)
    return plane.to_mm(size / 2 + share * size)


def _budget(
    photo: Photo, sighting: CardSighting, chosen: _Chosen, distance_mm: float, origin: str
) -> tuple[BudgetLine, ...]:
    fit = chosen.fit
    corners, lens = fit.scale_u_percent(_where_wanted_mm(photo, sighting, fit))
    markers = len(sighting.quads_px)
    lens_origin = {
        "learned": "lens learned from photos of the page card",
        "exif": "35 mm equivalent in the file, rounded; distortion that phones leave, common practice",
        "unknown": "no focal length in the file; lenses of phones and cameras, common practice",
    }[origin]
    lines = [
        BudgetLine(
            name="marker corners",
            standard_percent=corners * math.sqrt(chosen.spread),
            kind="A",
            origin=f"residuals of {len(sighting.points_mm)} corners of {markers} markers in this photo",
        ),
        BudgetLine(
            name="focal length and lens distortion", standard_percent=lens, kind="B", origin=lens_origin
        ),
        BudgetLine(
            name="paper flatness",
            standard_percent=rectangular_percent(100.0 * PAPER_FLATNESS_MM / distance_mm),
            kind="B",
            origin=f"paper stands up by {PAPER_FLATNESS_MM:g} mm here and there, common practice",
        ),
        _print_line(sighting.confirmed),
    ]
    if chosen.bent:
        lines.append(_bend_line(sighting, fit, distance_mm))
    joints = _joints(sighting)
    if joints:
        x = sighting.points_mm[:, 0]
        lines.append(
            BudgetLine(
                name="rail joints",
                standard_percent=rectangular_percent(
                    100.0 * JOINT_MM * math.sqrt(joints) / float(x.max() - x.min())
                ),
                kind="B",
                origin=f"{joints} glued joint(s) in view, each within {JOINT_MM:g} mm, common practice",
            )
        )
    return tuple(lines)


def _print_line(confirmed: bool) -> BudgetLine:
    if confirmed:
        return BudgetLine(
            name="print scale",
            standard_percent=rectangular_percent(100.0 * RULE_READING_MM / CHECK_BAR_MM),
            kind="B",
            origin=f"check bars measured with a rule, read within {RULE_READING_MM:g} mm, common practice",
        )
    return BudgetLine(
        name="print scale",
        standard_percent=rectangular_percent(UNCONFIRMED_HALF_WIDTH_PERCENT),
        kind="B",
        origin="check bars not measured; “fit to page” for a rim of 4.2 mm shrinks A4 by 4 %, common practice",
    )


def _rise_mm(fit: CameraFit) -> float:
    """Return how far the edge of the paper stands off the plane that touches its middle."""
    bend = fit.bend_mm
    if bend is None:
        return 0.0
    return float(np.abs(np.linalg.eigvalsh([[bend[0], bend[1] / 2], [bend[1] / 2, bend[2]]])).max())


def _bend_line(sighting: CardSighting, fit: CameraFit, distance_mm: float) -> BudgetLine:
    """Uncertainty left by bent paper: the scale holds where the plane touches, in the middle of the card."""
    rise = _rise_mm(fit)
    share = 1.0
    blank = sighting.layout.blank
    if blank is not None:
        _, reach = _middle_and_reach(sighting)
        share = (float(np.linalg.norm(blank[0] - blank[2])) / 2.0 / reach) ** 2
    return BudgetLine(
        name="curled paper",
        standard_percent=rectangular_percent(100.0 * rise * share / distance_mm),
        kind="A",
        origin=f"the card's edge stands about {rise:.1f} mm off its middle, from the markers in this photo",
    )


def _joints(sighting: CardSighting) -> int:
    """Return how many glued joints of a rail lie between the markers seen."""
    if sighting.layout.code.kind != "rail":
        return 0
    part = np.floor(sighting.points_mm[:, 0] / sighting.print_scale[0] / RAIL_PART_MM)
    return int(part.max() - part.min())


def _notices(sighting: CardSighting, chosen: _Chosen) -> tuple[Notice, ...]:
    code = sighting.layout.code
    notices = []
    if not sighting.confirmed:
        notices.append(
            Notice(
                "card-unconfirmed",
                f"Card {code} has not been checked: the printer may have changed its size by up to 4 %. Measure its "
                f"two {CHECK_BAR_MM:g} mm bars with a rule and type: pickglass card --code {code} --measured 100.0x100.0 "
                "(with your figures).",
            )
        )
    rise = _rise_mm(chosen.fit)
    if chosen.bent and rise >= CURLED_MM:
        notices.append(
            Notice(
                "card-curled",
                f"Card {code} does not lie flat: its edge stands about {rise:.0f} mm off. The scale is less certain; "
                "press the card flat or tape its corners down and take the photo again.",
            )
        )
    if chosen.cropped:
        notices.append(
            Notice(
                "photo-cropped",
                "The perspective does not fit the focal length in the file: the photo seems cropped or changed after "
                "it was taken. The scale was found without the focal length; use the original photo if you have it.",
            )
        )
    drawn, seen = len(sighting.layout.markers), len(sighting.quads_px)
    if code.kind != "rail" and seen < 0.6 * drawn:
        notices.append(
            Notice(
                "card-partly-seen",
                f"Only {seen} of the {drawn} markers of card {code} could be used. Leave the markers uncovered, "
                "all inside the photo and out of glare.",
            )
        )
    return tuple(notices)
