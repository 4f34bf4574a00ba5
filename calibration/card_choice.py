"""Which camera model the markers of a photo call for: what is known beforehand, and what must be set free."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from .budget import rectangular_percent
from .camera_view import focal_px_from_35mm
from .card_design import CHECK_BAR_MM, RAIL_PART_MM
from .card_fit import CameraFit, CameraPrior, Extra, fit_camera
from .card_memory import LensRecord
from .card_sighting import CardSighting
from .photo import Photo

__all__ = ["ChosenFit", "FocalOrigin", "camera_prior", "choose_fit"]

FocalOrigin = Literal["learned", "exif", "unknown"]

FOCAL_LOG_U = (
    0.03  # 35 mm equivalents are rounded to whole millimetres (2 %) and refer to the lens at infinity
)
FOCAL_UNKNOWN = (0.75, 0.35)  # share of the diagonal: phones' main lenses 0.55-0.65, tele 1.2-1.8
CENTRE_U_DIAGONAL = 0.006  # lens shift by image stabilisation and mounting, as a share of the diagonal
K1_U = 0.015  # what phones leave after their own correction: about 1 % at the corner of the picture
K1_U_FREE = 0.08  # uncorrected lenses

# Reading a steel rule at both ends of a line to 0.2 mm in all: common practice.
RULE_READING_MM = 0.2
# Feed and scan direction of home printers differ by a few tenths of a percent: common practice.
STRETCH_U_UNCHECKED = 0.003

BEND_U_MM = 15.0  # how far a sheet may stand up at its corners
JOINT_U_MM = 0.6  # what joints glued by hand are good for: common practice

SIGNIFICANT_K1 = 12.0  # drop of chi square for one more unknown: 0.05 % by chance
SIGNIFICANT_CROP = 25.0  # the same for three unknowns set free
SIGNIFICANT_BEND = 25.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ChosenFit:
    """The fit that the photo calls for, and which liberties it needed.

    Attributes
    ----------
    fit : CameraFit
        Camera and card.
    spread : float
        By how much whole markers scatter more than their corners, as a variance ratio.
    rise_mm : float or None
        How far the card's corners stand off the plane that touches its middle; None for a flat card.
    joint_mm : float
        Largest misfit of a glued joint of a rail, along or across.
    cropped : bool
        Whether focal length and principal point had to be set free.
    """

    fit: CameraFit
    spread: float
    rise_mm: float | None
    joint_mm: float
    cropped: bool


def camera_prior(photo: Photo, lenses: Sequence[LensRecord]) -> tuple[CameraPrior, FocalOrigin]:
    """Return what is known of the camera, and where the focal length comes from: learned, exif or unknown."""
    height, width = photo.bgr.shape[:2]
    diagonal = math.hypot(width, height)
    origin: FocalOrigin
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


def choose_fit(sighting: CardSighting, prior: CameraPrior) -> ChosenFit | None:
    """Start from a flat card and a usual lens; allow more only where the residuals clearly call for it.

    Candidates are a lens that is not corrected, bent paper, and a photo that was cropped or zoomed after taking
    (focal length and principal point then mean nothing). The one that lowers chi square most joins, until
    none does significantly. All are compared with the noise of the freest fit.
    """
    kind = sighting.layout.code.kind
    stretch_u = STRETCH_U_UNCHECKED
    if sighting.confirmed:  # two bars, each with the doubt of reading a rule
        stretch_u = math.sqrt(2.0) * rectangular_percent(RULE_READING_MM / CHECK_BAR_MM)
    prior = replace(prior, stretch_u=stretch_u)
    markers = len(set(sighting.marker.tolist()))
    joints = _joints(sighting)
    bend = _both(joints, _bend_of_rail(sighting)) if kind == "rail" else _bend(sighting)
    data = (sighting.points_mm, sighting.corners_px, sighting.outward_px)
    diagonal = 2.0 * math.hypot(*prior.centre_px)
    limit = {"crop": SIGNIFICANT_CROP, "bend": SIGNIFICANT_BEND, "lens": SIGNIFICANT_K1}
    if kind == "pocket":
        del limit["lens"]  # too small a part of the picture to tell a lens from a tilt: bounded only
    if markers < 5:
        del limit["bend"]
    if markers < 3:
        limit = {}

    def attempt(freed: frozenset[str], noise: float | None, start: CameraFit | None) -> CameraFit | None:
        known = prior
        if "lens" in freed:
            known = replace(known, k1_u=K1_U_FREE)
        if "crop" in freed:
            known = replace(known, focal_log_u=max(0.4, known.focal_log_u), centre_u_px=0.2 * diagonal)
        return fit_camera(
            *data, known, extra=bend if "bend" in freed else joints, noise_px=noise, start=start
        )

    freed: frozenset[str] = frozenset()
    flat = attempt(freed, None, None)
    freest = attempt(frozenset(limit), None, flat)
    if flat is None or freest is None:
        return None
    # What paper, print and the simple lens model leave over moves whole markers: it is no reason to free anything.
    noise = min(flat.noise_px, freest.noise_px) * math.sqrt(_spread(sighting, freest))
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
    return ChosenFit(
        fit=best,
        spread=_spread(sighting, best),
        rise_mm=_rise_mm(sighting, best.extra_mm) if "bend" in freed else None,
        joint_mm=0.0 if joints is None else _joint_mm(best.extra_mm[: len(joints.std_mm)]),
        cropped="crop" in freed,
    )


def _bend(sighting: CardSighting) -> Extra:
    """Return bent paper as x², xy and y² about the card's middle, each 1 mm high at the card's corners.

    A sheet of paper bends to a developable surface, near its middle a parabolic cylinder; three terms allow any
    direction of its axis.
    """
    offset = (sighting.points_mm - sighting.middle_mm) / sighting.reach_mm
    moves = np.zeros((len(offset), 3, 3))
    moves[:, :, 2] = np.column_stack([offset[:, 0] ** 2, offset[:, 0] * offset[:, 1], offset[:, 1] ** 2])
    return Extra(moves=moves, std_mm=np.full(3, BEND_U_MM))


def _bend_of_rail(sighting: CardSighting) -> Extra:
    """Return a strip bent along its length as x² and x³ about the middle of what shows, 1 mm high at its ends.

    A strip is too narrow to tell how it bends across.
    """
    x = sighting.points_mm[:, 0]
    offset = (x - 0.5 * (x.min() + x.max())) / max(0.5 * float(np.ptp(x)), 1.0)
    moves = np.zeros((len(x), 2, 3))
    moves[:, :, 2] = np.column_stack([offset**2, offset**3])
    return Extra(moves=moves, std_mm=np.full(2, BEND_U_MM))


def _both(first: Extra | None, second: Extra) -> Extra:
    if first is None:
        return second
    return Extra(
        moves=np.concatenate([first.moves, second.moves], axis=1),
        std_mm=np.concatenate([first.std_mm, second.std_mm]),
    )


def _joint_mm(misfit: NDArray[np.float64]) -> float:
    return float(np.abs(misfit.reshape(-1, 3)[:, :2]).max())


def _rise_mm(sighting: CardSighting, extra: NDArray[np.float64]) -> float:
    """Return how far bent paper stands up: the steepest direction at the card's corners, of a rail the higher end."""
    if sighting.layout.code.kind == "rail":
        square, cube = extra[-2:]
        return float(max(abs(square + cube), abs(square - cube)))
    curvature = np.linalg.eigvalsh(np.array([[extra[0], extra[1] / 2.0], [extra[1] / 2.0, extra[2]]]))
    return float(np.abs(curvature).max())


def _joints(sighting: CardSighting) -> Extra | None:
    """Return the glued joints of a rail in view: along, across, and turned (millimetres at the part's far end)."""
    if not sighting.joints:
        return None
    x, y = sighting.points_mm[:, 0], sighting.points_mm[:, 1]
    part_mm = RAIL_PART_MM * sighting.print_scale[0]
    part = np.floor(x / part_mm)
    moves = np.zeros((len(x), 3 * sighting.joints, 3))
    for k in range(sighting.joints):
        edge = (part.min() + k + 1) * part_mm
        behind = x >= edge
        moves[behind, 3 * k, 0] = 1.0
        moves[behind, 3 * k + 1, 1] = 1.0
        moves[behind, 3 * k + 2, 1] = (x[behind] - edge) / part_mm
        moves[behind, 3 * k + 2, 0] = -y[behind] / part_mm
    return Extra(moves=moves, std_mm=np.full(3 * sighting.joints, JOINT_U_MM))


def _spread(sighting: CardSighting, fit: CameraFit) -> float:
    """Return by how much whole markers scatter more than their corners do (1 = not at all), as a variance ratio.

    Corner noise is independent from corner to corner; paper, print and what the lens model leaves out move a
    marker as a whole. Where whole markers scatter more, counting each corner would promise too much.
    """
    means, count = [], []
    within = 0.0
    freedom = 0
    for marker in sorted(set(sighting.marker.tolist())):
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
