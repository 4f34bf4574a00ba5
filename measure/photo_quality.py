"""How good a photo was for counting threads, and what would help most the next time.

Remedies that would change next to nothing are not offered (`photo_advice` works them out).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import cv2
import numpy as np

from .lightness import cloth_lightness
from .photo_advice import Advice, Remedies

if TYPE_CHECKING:
    from ..calibration.quality import PhotoLook
    from .frame import ClothPatch
    from .results import ThreadReading
    from .sett import SettMeasurement

__all__ = ["PhotoQuality", "judge_photo"]

_THREAD_LIKE = 0.25  # of the spacing; a sine wave's slopes are 0.32 of its length wide
_CLIPPED_LEVEL = 252
_WORTH_SAYING = 0.04


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoQuality:
    """What the photo was like.

    Attributes
    ----------
    px_per_end, px_per_pick : float
        Photo pixels from thread to thread.
    edge_width_px : float or None
        Width of the card's edges from 10 to 90 %, else of the sharpest edges; None when threads are the sharpest.
    blur_per_pitch : float or None
        That width over the finer spacing.
    contrast_kept : float or None
        Share of the finer threads' contrast that this blur leaves, 0 to 1.
    clipped_percent : float
        Share of the cloth that is pure white.
    thread_contrast_percent : float
        Standard deviation of the brightness from thread to thread over the mean brightness.
    tilt_deg, camera_distance_mm : float or None
        Stand of the camera as the card shows it.
    card_seen_percent : float or None
        How much of the card could be used.
    advice : tuple of Advice
        What would help, most helpful first.
    """

    px_per_end: float
    px_per_pick: float
    edge_width_px: float | None
    blur_per_pitch: float | None
    contrast_kept: float | None
    clipped_percent: float
    thread_contrast_percent: float
    tilt_deg: float | None
    camera_distance_mm: float | None
    card_seen_percent: float | None
    advice: tuple[Advice, ...]


def judge_photo(
    shape: tuple[int, ...],
    look: PhotoLook,
    measurement: SettMeasurement,
    *,
    card_edge_width_px: float | None = None,
    dpi: float | None = None,
) -> PhotoQuality:
    """Judge a photo after it was measured.

    Parameters
    ----------
    shape : tuple of int
        Shape of the photo's pixel array.
    look : PhotoLook
        Its light and sharpness as a whole.
    measurement : SettMeasurement
        What was measured in it.
    card_edge_width_px : float, optional
        Width of the card's own edges. Without it the photo's sharpest edges count, but only while they are sharper
        than threads can be: the slopes of smooth threads look a third of a spacing wide in the sharpest photo.
    dpi : float, optional
        Resolution of a scan.
    """
    plane, patch = measurement.plane, measurement.patch
    middle_mm = measurement.sample.outline_mm.mean(axis=0)
    photo_px = plane.px_per_mm_at(middle_mm) / patch.px_per_mm
    ends, picks = measurement.result.ends.pitch_px * photo_px, measurement.result.picks.pitch_px * photo_px
    clipped, contrast = _light_on_cloth(patch, measurement.result.ends, measurement.result.picks)
    width = look.edge_width_px if card_edge_width_px is None else card_edge_width_px
    if card_edge_width_px is None and width is not None and width > _THREAD_LIKE * min(ends, picks):
        width = None
    kept = None if width is None else _contrast_kept(width, min(ends, picks))
    quality = PhotoQuality(
        px_per_end=ends,
        px_per_pick=picks,
        edge_width_px=width,
        blur_per_pitch=None if width is None else width / min(ends, picks),
        contrast_kept=kept,
        clipped_percent=100.0 * clipped,
        thread_contrast_percent=100.0 * contrast,
        tilt_deg=plane.tilt_deg,
        camera_distance_mm=plane.camera_distance_mm,
        card_seen_percent=None if plane.card_seen is None else 100.0 * plane.card_seen,
        advice=(),
    )
    remedies = Remedies(shape, look, measurement, quality, dpi)
    found = [one for one in remedies.all() if one.help_share >= _WORTH_SAYING]
    found.sort(key=lambda one: -one.help_share)
    return replace(quality, advice=tuple(found))


def _contrast_kept(edge_width_px: float, pitch_px: float) -> float:
    """Return what a Gaussian blur leaves of a wave as long as the pitch: exp(-2 pi² s² / p²), 10-90 % width 2.563 s."""
    sigma = edge_width_px / 2.563
    return math.exp(-2.0 * (math.pi * sigma / pitch_px) ** 2)


def _light_on_cloth(patch: ClothPatch, ends: ThreadReading, picks: ThreadReading) -> tuple[float, float]:
    """Return the share of the cloth that is pure white, and the contrast from thread to thread."""
    cloth = patch.mask
    white = cv2.inRange(patch.bgr, np.full(3, _CLIPPED_LEVEL), np.full(3, 255)) > 0
    clipped = int(np.count_nonzero(white & cloth)) / max(1, int(np.count_nonzero(cloth)))
    pitch = math.sqrt(ends.pitch_px * picks.pitch_px)
    half = int(min(240, max(80, 12 * pitch)))
    rows, columns = (slice(max(0, side // 2 - half), side // 2 + half) for side in cloth.shape)
    grey = cloth_lightness(patch.bgr[rows, columns])
    broad = 2 * int(pitch) + 1
    fine = cv2.GaussianBlur(grey, (0, 0), max(0.5, 0.15 * pitch)) - cv2.blur(grey, (broad, broad))
    inside = cloth[rows, columns]
    if not inside.any():
        return clipped, 0.0
    return clipped, float(fine[inside].std() / max(float(grey[inside].mean()), 1.0))
