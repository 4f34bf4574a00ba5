"""Straight edges of a card to a fraction of a pixel."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from .edge_shape import has_strip, strip_shift
from .edge_slopes import (
    FIRST_MARKED,
    MOST_MARKED,
    STEP_PX,
    Marked,
    beside_ground_colour,
    first_slopes,
    matched_slopes,
    slopes_across,
)
from .ranks import median

__all__ = ["EdgePoints", "linear_light", "locate_edges", "srgb_to_linear_table"]

_AGREEMENT_PX = 0.6  # scatter of single blocks on a weak edge
# JPEG keeps colour at half the sampling of brightness (ITU-T T.81, usual 4:2:0), and a side face may show the
# card's colour too: edges of colour lie up to 1.3 px to either side, ±0.8 px (path-traced cards).
_COLOUR_EDGE_STD_PX = 0.8
_SHADOW_PX = 2.5  # an edge of colour lies so far inside the steepest slope in a shadow only
_COLOUR_COVERAGE = 0.8  # share of a side along which colour must tell the edge to overrule brightness


def srgb_to_linear_table() -> NDArray[np.float32]:
    """Return the 256 linear-light values of 8-bit sRGB (IEC 61966-2-1)."""
    code = np.arange(256) / 255.0
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4).astype(np.float32)


def linear_light(bgr: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Undo the sRGB tone curve, which would move a blurred edge towards its dark side."""
    return np.asarray(cv2.LUT(bgr, srgb_to_linear_table()), dtype=np.float32)


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgePoints:
    """Points found on the four sides of a quadrilateral.

    Attributes
    ----------
    points_px : ndarray of shape (N, 2)
        Where the edge was found.
    side : ndarray of shape (N,)
        0 to 3: from corner `side` to the next corner.
    std_px : ndarray of shape (N,)
        Scatter about the straight line of that side.
    corners_px : ndarray of shape (4, 2)
        Corners from the fitted lines.
    coverage : ndarray of shape (4,)
        Share of each side along which the edge was found.
    contrast : ndarray of shape (4,)
        Step across the edge over the noise.
    net_step : ndarray of shape (4,)
        Difference between inside and outside over the greatest difference on the way: near 1 for a plain step,
        near 0 for a drawn line with the same ground on both sides.
    strip_std_px : ndarray of shape (4,)
        Standard uncertainty of the correction for a shadow or side face along the edge, and of an edge seen by its
        colour alone; 0 where there is neither.
    """

    points_px: NDArray[np.float64]
    side: NDArray[np.intp]
    std_px: NDArray[np.float64]
    corners_px: NDArray[np.float64]
    coverage: NDArray[np.float64]
    contrast: NDArray[np.float64]
    net_step: NDArray[np.float64]
    strip_std_px: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _Side:
    points_px: NDArray[np.float64]
    std_px: float
    line: NDArray[np.float64]
    coverage: float
    contrast: float
    net_step: float
    strip_std_px: float
    offset_px: float  # outward of the middle of the side looked along


def locate_edges(
    linear: NDArray[np.float32],
    corners_px: NDArray[np.float64],
    *,
    reach_px: float,
    end_margin_px: float,
    blocks: int = 24,
    fine: bool = False,
) -> EdgePoints | None:
    """Find the edges near the sides of a convex quadrilateral.

    Every side is cut into blocks; each block's profile along the outward normal is averaged along the side, and
    the edge is the FIRST marked slope met on the way out of the plain inside. What follows further out (side
    face, contact shadow, soft shadow) is often steeper but is not the card. Where a shadow is as dark as the card
    itself, that slope is the shadow's; the edge is then where the ground's own colour begins.

    Parameters
    ----------
    linear : ndarray of float32, shape (M, N, 3)
        Linear light.
    corners_px : ndarray of shape (4, 2)
        Sharp corners, in order.
    reach_px : float
        How far to look on either side.
    end_margin_px : float
        Length left out at both ends of every side, where the corners are rounded.
    blocks : int
        Blocks per side.
    fine : bool
        Last pass, for sides already known to a fraction of a pixel: blocks follow the side's mean profile, and
        edges along which a shadow or side face runs are corrected.

    Returns
    -------
    EdgePoints or None
        None when one side shows no edge.
    """
    centre = corners_px.mean(axis=0)
    sides = []
    for i in range(4):
        end = corners_px[(i + 1) % 4]
        strip = _take_strip(linear, corners_px[i], end, centre, reach_px, end_margin_px, blocks)
        found = _locate_side(strip, fine)
        if found is None:
            return None
        sides.append(found)
    corners = np.array([_intersect(sides[i - 1].line, sides[i].line) for i in range(4)])
    if not np.all(np.isfinite(corners)):
        return None
    return EdgePoints(
        points_px=np.concatenate([side.points_px for side in sides]),
        side=np.concatenate([np.full(len(side.points_px), i) for i, side in enumerate(sides)]).astype(
            np.intp
        ),
        std_px=np.concatenate([np.full(len(side.points_px), side.std_px) for side in sides]),
        corners_px=corners,
        coverage=np.array([side.coverage for side in sides]),
        contrast=np.array([side.contrast for side in sides]),
        net_step=np.array([side.net_step for side in sides]),
        strip_std_px=np.array([side.strip_std_px for side in sides]),
    )


@dataclass(frozen=True, slots=True)
class _Strip:
    """What lies along one side: block profiles on the outward normal."""

    start: NDArray[np.float64]
    along: NDArray[np.float64]
    outward: NDArray[np.float64]
    length_px: float
    block_at_px: NDArray[np.float64]  # (blocks,), from the start
    across_px: NDArray[np.float64]  # (N,), outward
    profiles: NDArray[np.float32]  # (blocks, N, 3)
    in_frame: NDArray[np.bool_]  # (blocks,)


def _locate_side(strip: _Strip | None, fine: bool) -> _Side | None:
    """Find the edge by all that changes across it, or by colour alone where a shadow was taken for the edge."""
    if strip is None:
        return None
    side = _fit_side(strip, strip.profiles, FIRST_MARKED, fine)
    beside = beside_ground_colour(strip.profiles)
    if beside is None:
        return side
    coloured = _fit_side(strip, beside, MOST_MARKED, fine)
    if coloured is None or coloured.coverage < _COLOUR_COVERAGE:
        return side
    if (
        side is not None
        and side.coverage >= _COLOUR_COVERAGE / 2
        and side.offset_px - coloured.offset_px < _SHADOW_PX
    ):
        return side
    return replace(coloured, strip_std_px=math.hypot(coloured.strip_std_px, _COLOUR_EDGE_STD_PX))


def _take_strip(
    linear: NDArray[np.float32],
    start: NDArray[np.float64],
    end: NDArray[np.float64],
    centre: NDArray[np.float64],
    reach_px: float,
    end_margin_px: float,
    blocks: int,
) -> _Strip | None:
    length = float(np.linalg.norm(end - start))
    usable = length - 2 * end_margin_px
    if usable < 8:
        return None
    blocks = int(min(blocks, usable // 3))
    along = (end - start) / length
    outward = np.array([along[1], -along[0]])
    if outward @ (start - centre) < 0:
        outward = -outward
    per_block = max(2, min(48, round(usable / blocks)))
    count = blocks * per_block
    t = end_margin_px + (np.arange(count) + 0.5) * (usable / count)
    across = np.arange(-reach_px, reach_px + STEP_PX / 2, STEP_PX)
    base = start + t[:, None] * along
    grid = (base[:, None, :] + across[None, :, None] * outward).astype(np.float32)
    height, width = linear.shape[:2]
    inside_frame = (
        (base[:, 0] >= 0) & (base[:, 0] <= width - 1) & (base[:, 1] >= 0) & (base[:, 1] <= height - 1)
    )
    light = cv2.remap(linear, grid[..., 0], grid[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return _Strip(
        start,
        along,
        outward,
        length,
        t.reshape(blocks, per_block).mean(axis=1),
        across,
        light.reshape(blocks, per_block, len(across), 3).mean(axis=1),
        inside_frame.reshape(blocks, per_block).mean(axis=1) > 0.9,
    )


def _fit_side(strip: _Strip, profiles: NDArray[np.float32], marked: Marked, fine: bool) -> _Side | None:
    slopes = slopes_across(profiles)
    find = matched_slopes if fine else first_slopes
    offsets, strength = find(slopes, strip.across_px, marked)
    keep = np.isfinite(offsets) & strip.in_frame
    if keep.sum() < 5:
        return None
    at = strip.block_at_px[keep]
    weights = _robust_line_weights(at, offsets[keep])
    slope, intercept, scatter = _weighted_line(at, offsets[keep], weights)
    good = weights > 0.3
    if good.sum() < 5:
        return None
    profile = np.asarray(profiles[keep][good].mean(axis=0), dtype=np.float64)
    strip_std = 0.0
    if fine:
        from_slope = strip.across_px - float(np.average(offsets[keep], weights=weights))
        if has_strip(profile, from_slope):
            shift, strip_std = strip_shift(profile, from_slope)
            offsets, intercept = offsets + shift, intercept + shift
    points = strip.start + at[good, None] * strip.along + offsets[keep][good, None] * strip.outward
    reach = np.array([[0.0], [strip.length_px]])
    ends = strip.start + reach * strip.along + (intercept + slope * reach) * strip.outward
    line = np.cross([*ends[0], 1.0], [*ends[1], 1.0])
    return _Side(
        points,
        max(scatter, 0.03),
        line / np.linalg.norm(line[:2]),
        float(good.sum() / len(profiles)),
        float(median(strength[keep][good])),
        _net_step(median(profiles[keep][good], axis=0)),
        strip_std,
        intercept + slope * strip.length_px / 2,
    )


def _net_step(profile: NDArray[np.float64]) -> float:
    """Compare the difference between both ends of a profile with the greatest difference on the way."""
    rim = max(2, len(profile) // 8)
    inside, outside = profile[:rim].mean(axis=0), profile[-rim:].mean(axis=0)
    greatest = float(np.linalg.norm(profile - inside, axis=1).max())
    return float(np.linalg.norm(outside - inside)) / max(greatest, 1e-9)


def _robust_line_weights(t: NDArray[np.float64], offsets: NDArray[np.float64]) -> NDArray[np.float64]:
    """Tukey weights about the line on which most blocks agree.

    The start is the line through that pair of blocks which the greatest number of others supports, so that even
    a side half hidden by cloth is found from its clear half.
    """
    i, j = np.triu_indices(len(t), k=max(1, len(t) // 5))
    slopes = (offsets[j] - offsets[i]) / (t[j] - t[i])
    residuals = offsets[None, :] - offsets[i, None] - slopes[:, None] * (t[None, :] - t[i, None])
    support = np.exp(-0.5 * (residuals / _AGREEMENT_PX) ** 2).sum(axis=1)
    best = int(np.argmax(support))
    slope, intercept = float(slopes[best]), float(offsets[i[best]] - slopes[best] * t[i[best]])
    weights = np.ones_like(t)
    for _ in range(6):
        residual = np.abs(offsets - intercept - slope * t)
        near = residual[residual < 4 * _AGREEMENT_PX]
        scale = max(1.4826 * float(median(near)), 0.05) if len(near) else _AGREEMENT_PX
        weights = np.clip(1 - (residual / (4.7 * scale)) ** 2, 0, None) ** 2
        if np.count_nonzero(weights) < 3:
            break
        slope, intercept, _ = _weighted_line(t, offsets, weights)
    return weights


def _weighted_line(
    t: NDArray[np.float64], offsets: NDArray[np.float64], weights: NDArray[np.float64]
) -> tuple[float, float, float]:
    total = weights.sum()
    t_mean, o_mean = (weights @ t) / total, (weights @ offsets) / total
    spread = weights @ (t - t_mean) ** 2
    slope = float((weights * (t - t_mean)) @ (offsets - o_mean) / spread)
    intercept = float(o_mean - slope * t_mean)
    residual = offsets - intercept - slope * t
    scatter = float(np.sqrt(weights @ residual**2 / max(total - 2 * total / len(t), 1e-9)))
    return slope, intercept, scatter


def _intersect(first: NDArray[np.float64], second: NDArray[np.float64]) -> NDArray[np.float64]:
    point = np.cross(first, second)
    if abs(point[2]) < 1e-9:
        return np.array([np.nan, np.nan])
    return np.asarray(point[:2] / point[2])
