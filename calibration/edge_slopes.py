"""Where along a profile across an edge the edge lies: by its slopes, in brightness or in colour alone."""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from .ranks import median

__all__ = [
    "FIRST_MARKED",
    "MOST_MARKED",
    "STEP_PX",
    "Marked",
    "beside_ground_colour",
    "first_slopes",
    "matched_slopes",
    "slopes_across",
]

STEP_PX = 0.25  # sampling across the edge
_TEMPLATE_PX = 3.0  # half width of the profile that is matched: the slope of a sharp edge and its feet
_LEAST_MATCH = 0.3  # a block with less of the side's profile is hidden or lies on something else
_LEAST_COLOUR_STEP = 2.0  # of the unrest on both sides; less would be noise of the camera
_SIDE_WANDER_PX = 2.0  # lens distortion bends a card's side by less


class Marked(NamedTuple):
    """What a slope must be to be taken for the edge: a share of the steepest one, and so many times the noise."""

    share_of_top: float
    over_noise: float


FIRST_MARKED = Marked(0.25, 5.0)  # a weaker slope before the steepest one is ringing of the sharpening
# Without shadow the steepest slope is the edge; a line through all blocks outvotes those that noise leads astray.
MOST_MARKED = Marked(0.8, 3.0)


def beside_ground_colour(profiles: NDArray[np.float32]) -> NDArray[np.float32] | None:
    """Take the ground's own colour out of the profiles (blocks, N, 3); None where nothing would be left.

    In linear light a matt ground under more or less light keeps its direction in colour space and changes only its
    length (the dichromatic model: Shafer, Color Research and Application 10, 1985). What lies beside that direction
    is the card.
    """
    rim = max(2, profiles.shape[1] // 8)
    outside = profiles[:, -rim:].reshape(-1, 3).mean(axis=0)
    ground = outside / max(float(np.linalg.norm(outside)), 1e-6)
    beside = profiles - (profiles @ ground)[..., None] * ground
    step = np.linalg.norm(beside[:, :rim].mean(axis=1) - beside[:, -rim:].mean(axis=1), axis=1)
    unrest = np.linalg.norm(beside[:, :rim].std(axis=1) + beside[:, -rim:].std(axis=1), axis=1)
    return beside if float(median(step / (unrest + 1e-6))) > _LEAST_COLOUR_STEP else None


def slopes_across(profiles: NDArray[np.float32]) -> NDArray[np.float64]:
    """Differentiate across the edge in the colour direction in which this side changes most, smoothed a little."""
    difference = np.gradient(profiles.astype(np.float64), axis=1)
    mean = difference.mean(axis=0)
    _, vectors = np.linalg.eigh(mean.T @ mean)
    scalar = difference @ vectors[:, -1]
    return np.asarray(
        cv2.GaussianBlur(scalar, (9, 1), 0.6 / STEP_PX, borderType=cv2.BORDER_REPLICATE), dtype=np.float64
    )


def matched_slopes(
    slopes: NDArray[np.float64], across: NDArray[np.float64], marked: Marked
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Offset of every block by matching it with the side's median profile, about that one's first marked slope.

    The steepest point of a single noisy block wanders over the whole width of a soft edge; the shift at which it
    agrees best with all of them (a matched filter) does not.
    """
    whole = median(slopes, axis=0)
    offset, _ = first_slopes(whole[None], across, marked)
    if not np.isfinite(offset[0]):
        return first_slopes(slopes, across, marked)
    half = round(_TEMPLATE_PX / STEP_PX)
    index = int(np.argmin(np.abs(across - offset[0])))
    template = whole[max(0, index - half) : index + half + 1]
    anchor = index - max(0, index - half)
    match = cv2.filter2D(
        slopes, cv2.CV_64F, template[None], anchor=(anchor, 0), borderType=cv2.BORDER_REPLICATE
    )
    reach = round(_SIDE_WANDER_PX / STEP_PX)
    low, high = max(1, index - reach), min(len(across) - 1, index + reach + 1)
    best = np.argmax(match[:, low:high], axis=1) + low
    rows = np.arange(len(match))
    before, at, after = match[rows, best - 1], match[rows, best], match[rows, best + 1]
    bend = before - 2 * at + after
    inner = (bend < 0) & (at > before) & (at >= after) & (at > _LEAST_MATCH * float(template @ template))
    shift = np.where(inner, 0.5 * (before - after) / np.where(inner, bend, 1.0), 0.0)
    offsets = np.where(inner, offset[0] + (best - index + shift) * STEP_PX, np.nan)
    size = np.abs(slopes)
    noise = median(size[:, : max(8, size.shape[1] // 5)], axis=1) * 1.4826 + 1e-6
    return offsets, size[rows, best] / noise


def first_slopes(
    slopes: NDArray[np.float64], across: NDArray[np.float64], marked: Marked
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Offset of the first marked slope in every block (NaN where none stands out), and its size over the noise."""
    size = np.abs(slopes)
    noise = median(size[:, : max(8, size.shape[1] // 5)], axis=1) * 1.4826 + 1e-6
    top = size.max(axis=1)
    floor = np.maximum(marked.share_of_top * top, marked.over_noise * noise)[:, None]
    middle = size[:, 1:-1]
    peak = (middle >= size[:, :-2]) & (middle > size[:, 2:]) & (middle >= floor)
    first = np.argmax(peak, axis=1) + 1
    rows = np.arange(len(size))
    before, at, after = size[rows, first - 1], size[rows, first], size[rows, first + 1]
    bend = before - 2 * at + after
    shift = np.where(bend < 0, 0.5 * (before - after) / np.where(bend < 0, bend, 1.0), 0.0)
    offsets = across[first] + np.clip(shift, -1, 1) * STEP_PX
    offsets[~peak.any(axis=1)] = np.nan
    return offsets, at / noise
