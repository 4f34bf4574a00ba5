"""From the markers of printed cards to the plane of the card, with its uncertainty budget."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from .camera_view import align_with_photo, tilt_and_distance
from .card_budget import card_budget, card_notices
from .card_choice import camera_prior, choose_fit
from .card_design import RAIL_PITCH_MM, card_layout, parse_card_code
from .card_memory import CheckBars, LensRecord
from .card_sighting import CardSighting, see_printed_cards
from .photo import Photo
from .plane import Plane, ScaleSource

__all__ = ["find_printed_cards", "neutral_patches_px", "rail_position_mm"]

FOCAL_KNOWN_LOG_U = 0.08  # a distance that is off by more than 8 % is not worth stating

_SOURCES: dict[str, ScaleSource] = {"page": "page-card", "pocket": "pocket-card", "rail": "rail"}


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
        inner = (middle + 0.75 * (quads - middle)) * np.array(plane.print_scale)
        px = plane.to_px((inner - move) @ np.linalg.inv(turn).T)
        inside = (px >= 0).all(axis=(1, 2)) & (px[..., 0] < shape[1]).all(1) & (px[..., 1] < shape[0]).all(1)
        if inside.any():
            found[name] = px[inside]
    return found


def _plane_of(photo: Photo, sighting: CardSighting, lenses: Sequence[LensRecord]) -> Plane | None:
    prior, origin = camera_prior(photo, lenses)
    chosen = choose_fit(sighting, prior)
    if chosen is None:
        return None
    fit, code = chosen.fit, sighting.layout.code
    lens = fit.lens
    aligned, card_from_plane = align_with_photo(fit.px_from_card_mm, photo.bgr.shape)
    tilt_deg, distance_mm = tilt_and_distance(aligned, lens.focal_px, lens.centre_px)
    stretch = np.array(fit.stretch)
    scale = np.array(sighting.print_scale) * stretch
    plane_from_card = np.asarray(np.linalg.inv(card_from_plane), dtype=np.float64)
    plane = Plane(
        px_from_mm=aligned,
        source=_SOURCES[code.kind],
        budget=card_budget(photo, sighting, chosen, distance_mm, origin),
        tilt_deg=tilt_deg,
        camera_distance_mm=distance_mm if fit.focal_log_u < FOCAL_KNOWN_LOG_U else None,
        lens=lens,
        card_code=str(code),
        card_from_mm=card_from_plane[:2],
        print_scale=(float(scale[0]), float(scale[1])),
        marker_quads_px=sighting.quads_px,
        notices=card_notices(sighting, chosen),
    )
    blank = sighting.blank_mm
    return replace(
        plane,
        card_seen=_seen_share(plane, sighting, photo.bgr.shape),
        card_outline_px=plane.to_px(_move(plane_from_card, _dense(sighting.outline_mm * stretch))),
        blank_region_mm=None if blank is None else _move(plane_from_card, blank * stretch),
    )


def _seen_share(plane: Plane, sighting: CardSighting, shape: tuple[int, ...]) -> float:
    """Share of the markers that could be used; a rail goes on beyond the photo, so there only those inside count."""
    drawn = len(sighting.layout.markers)
    if sighting.layout.code.kind == "rail" and plane.card_from_mm is not None:
        turn, move = plane.card_from_mm[:, :2], plane.card_from_mm[:, 2]
        x = sighting.points_mm[:, 0]
        pitch_mm = RAIL_PITCH_MM * sighting.print_scale[0]
        near = [
            quad * np.array(plane.print_scale)
            for quad in sighting.layout.markers.values()
            if x.min() - 20 * pitch_mm < quad[0, 0] < x.max() + 20 * pitch_mm
        ]
        px = plane.to_px((np.array(near) - move) @ np.linalg.inv(turn).T)
        inside = (px >= 0).all(axis=(1, 2)) & (px[..., 0] < shape[1]).all(1) & (px[..., 1] < shape[0]).all(1)
        drawn = int(inside.sum())
    return min(1.0, len(sighting.quads_px) / max(1, drawn))


def _dense(quad: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the outline with points along its sides, so that lens distortion can bend them."""
    share = np.linspace(0.0, 1.0, 12, endpoint=False)[:, None]
    sides = [a + share * (b - a) for a, b in zip(quad, np.roll(quad, -1, axis=0), strict=True)]
    return np.concatenate(sides)


def _move(motion: NDArray[np.float64], points: NDArray[np.float64]) -> NDArray[np.float64]:
    moved: NDArray[np.float64] = points @ motion[:2, :2].T + motion[:2, 2]
    return moved
