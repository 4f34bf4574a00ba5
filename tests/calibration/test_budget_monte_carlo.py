"""Monte Carlo check of the whole budget of a scale (JCGM 101:2008): draw every source, photograph, measure, compare.

The spread of the errors must be what the budget, propagated to first order (JCGM 100:2008, 5.1.2), says.
"""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
from bank_card_scene import card_homography
from card_scene import Shot, as_photo

from pickglass.calibration.budget import combine_percent
from pickglass.calibration.camera_view import tilt_and_distance
from pickglass.calibration.card_budget import PAPER_FLATNESS_MM, card_budget
from pickglass.calibration.card_choice import (
    CENTRE_U_DIAGONAL,
    K1_U,
    RULE_READING_MM,
    camera_prior,
    choose_fit,
)
from pickglass.calibration.card_design import CHECK_BAR_MM, card_layout, parse_card_code
from pickglass.calibration.card_sighting import CardSighting
from pickglass.calibration.plane import Plane
from pickglass.calibration.pose import PosePrior, fit_pose
from pickglass.calibration.pose_model import SeenEdges

CORNER_NOISE_PX = 0.12
SHOT = Shot(width_px=2000, height_px=1500, aim_mm=(105.0, 148.5), distance_mm=400.0, tilt_deg=9.0)


def spread(errors: list[float], stated: list[float]) -> tuple[float, float]:
    """Return the root mean square of errors over stated standard uncertainties, and the share inside two of them."""
    ratio = np.array(errors) / np.array(stated)
    return float(np.sqrt(np.mean(ratio**2))), float(np.mean(np.abs(ratio) <= 2.0))


def page_trial(rng: np.random.Generator) -> tuple[float, float]:
    """Return the error of the scale in the middle of one page card, and its standard uncertainty, in percent."""
    diagonal = math.hypot(SHOT.width_px, SHOT.height_px)
    shot = replace(
        SHOT,
        focal_35mm=26.0 * math.exp(rng.normal(0, 0.03)),
        k1=rng.normal(0, K1_U),
        tilt_towards_deg=rng.uniform(0, 360),
    )
    axis = rng.normal(0, CENTRE_U_DIAGONAL * diagonal, 2)  # the optical axis beside the picture's centre
    layout = card_layout(parse_card_code("A4-1"))
    true_mm = np.concatenate(list(layout.markers.values()))
    seen = shot.project(true_mm) + axis + rng.normal(0, CORNER_NOISE_PX, (len(true_mm), 2))
    told = (
        1.0 + rng.uniform(-RULE_READING_MM, RULE_READING_MM, 2) / CHECK_BAR_MM
    )  # the bars as read with a rule
    sighting = CardSighting(
        layout=layout,
        points_mm=true_mm * told,
        corners_px=seen,
        outward_px=np.zeros_like(seen),
        marker=np.repeat(list(layout.markers), 4),
        quads_px=seen.reshape(-1, 4, 2),
        confirmed=True,
        print_scale=(float(told[0]), float(told[1])),
    )
    photo = as_photo(np.zeros((shot.height_px, shot.width_px, 3), np.uint8), replace(shot, focal_35mm=26.0))
    prior, origin = camera_prior(photo, ())
    chosen = choose_fit(sighting, prior)
    assert chosen is not None
    fit = chosen.fit
    _, distance_mm = tilt_and_distance(fit.px_from_card_mm, fit.lens.focal_px, fit.lens.centre_px)
    lines = card_budget(photo, sighting, chosen, distance_mm, origin)
    plane = Plane(px_from_mm=fit.px_from_card_mm, source="page-card", lens=fit.lens)
    # What is measured lies on paper that stands up here and there: nearer to the lens, so it looks larger.
    rise = rng.uniform(-PAPER_FLATNESS_MM, PAPER_FLATNESS_MM)
    place = np.array(shot.aim_mm) + rng.uniform(-35, 35, 2)
    ends = place + np.array([[-1.0, 0], [1.0, 0], [0, -1.0], [0, 1.0]])
    looks = shot.project(place + (ends - place) * distance_mm / (distance_mm - rise)) + axis
    found = plane.to_mm(looks)
    lengths = np.linalg.norm(found[1::2] - found[::2], axis=1) / 2.0
    return 100.0 * math.log(float(np.sqrt(lengths.prod()))), combine_percent(lines) / 2.0


def test_page_card() -> None:
    rng = np.random.default_rng(11)
    errors, stated = zip(*(page_trial(rng) for _ in range(120)), strict=True)
    ratio, inside = spread(list(errors), list(stated))
    assert 0.7 < ratio < 1.15
    assert inside >= 0.93


def bank_trial(rng: np.random.Generator) -> tuple[float, float]:
    """The same for a bank card: edges jittered, shifted and bent, card made and worn to its limits."""
    shape, centre = (1500, 2000), (999.5, 749.5)
    focal = 26.0 / 43.267 * math.hypot(*shape)
    prior = PosePrior(focal_px=focal, focal_log_std=0.03)
    true_focal = focal * math.exp(rng.normal(0, 0.03))
    k1 = rng.normal(0, prior.k1_std)
    homography = card_homography(
        shape=shape,
        focal_px=true_focal,
        distance_mm=280.0,
        tilt_deg=9.0,
        tilt_towards_deg=float(rng.uniform(0, 360)),
        turn_deg=float(rng.uniform(0, 360)),
        shift_mm=(55.0, 25.0),
    )

    def seen(points_mm: np.ndarray) -> np.ndarray:
        px = cv2.perspectiveTransform(points_mm[None], homography)[0]
        offset = (px - centre) / true_focal
        return np.asarray(centre + offset * (1.0 + k1 * (offset**2).sum(axis=1, keepdims=True)) * true_focal)

    half = np.array([85.60, 53.98]) / 2 + rng.normal(0, 1, 2) * np.array(prior.size_std_mm) / 2
    corners = np.array([[-1.0, -1], [1, -1], [1, 1], [-1, 1]]) * half
    points, sides = [], []
    swelling = rng.normal(0, prior.spread_std_px)  # tone curve: all edges outward together
    for side in range(4):
        start, end = corners[side], corners[(side + 1) % 4]
        share = np.linspace(0.08, 0.92, 50)[:, None]
        outward = np.array([[0, -1], [1, 0], [0, 1], [-1, 0]], dtype=np.float64)[side]
        shift = swelling + rng.normal(0, prior.edge_std_px[side]) + rng.normal(0, 0.15, (50, 1))
        on_edge = start + share * (end - start)
        direction = seen(on_edge + 0.1 * outward) - seen(on_edge)
        direction /= np.linalg.norm(direction, axis=1, keepdims=True)
        points.append(seen(on_edge) + shift * direction)
        sides += [side] * 50
    edges = SeenEdges(
        points_px=np.concatenate(points),
        side=np.array(sides),
        std_px=np.full(200, 0.15),
        size_mm=(85.60, 53.98),
        thickness_mm=1e-6,
        centre_px=centre,
    )
    found = fit_pose(edges, seen(np.array([[-1.0, -1], [1, -1], [1, 1], [-1, 1]]) * half), prior)
    assert found is not None
    plane = Plane(px_from_mm=found.px_from_card_mm, source="bank-card", lens=found.lens)
    place = np.array([-55.0, -25.0]) + rng.uniform(-10, 10, 2)  # on the axis, where the cloth lies
    ends = seen(place + np.array([[-1.0, 0], [1.0, 0], [0, -1.0], [0, 1.0]]))
    length = plane.to_mm(ends)
    lengths = np.linalg.norm(length[1::2] - length[::2], axis=1) / 2.0
    shares = found.scale_budget_percent(seen(place[None]))
    stated = math.sqrt(math.fsum(share**2 for share in shares.values()))
    return 100.0 * math.log(float(np.sqrt(lengths.prod()))), stated


def test_bank_card() -> None:
    rng = np.random.default_rng(12)
    errors, stated = zip(*(bank_trial(rng) for _ in range(200)), strict=True)
    ratio, inside = spread(list(errors), list(stated))
    assert 0.8 < ratio < 1.2
    assert inside >= 0.93
