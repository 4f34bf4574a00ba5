"""Sharpen a candidate pitch by the phase it leaves behind.

A channel demodulated at a trial frequency f keeps a phase that turns by 2 pi (true - f) per pixel. The mean turn of unit
phasors, weighing every place alike, corrects f; a few rounds settle to a few parts in a thousand. This is the phase-difference
estimator of instantaneous frequency (B. Boashash, "Estimating and interpreting the instantaneous frequency of a signal, part 2",
Proc. IEEE 80(4), 1992, doi:10.1109/5.135378, kernel smoothing of the phase difference).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .texture import Texture, make_texture

__all__ = ["Node", "refine_node", "refine_pitch"]

Float = NDArray[np.float32]

_BANDWIDTHS = (0.22, 0.15, 0.10)  # relative; wide first so that a start 7 % off is still caught


@dataclass(frozen=True, slots=True, kw_only=True)
class Node:
    """One component of the picture near a trial frequency.

    Attributes
    ----------
    frequency : tuple of float
        Refined (x, y) frequency in cycles per pixel.
    coherence : float
        Length of the mean phase step of unit phasors, 0 (noise) to 1 (perfectly even threads).
    """

    frequency: tuple[float, float]
    coherence: float


def refine_node(channel: Float, mask: NDArray[np.bool_], frequency: tuple[float, float]) -> Node:
    """Refine a frequency near which the channel has a component.

    Parameters
    ----------
    channel : ndarray of float32, shape (M, N)
        Texture channel, zero mean, zero outside the mask.
    mask : ndarray of bool, shape (M, N)
        True where there is cloth.
    frequency : tuple of float
        Trial (x, y) frequency in cycles per pixel.
    """
    fx, fy = frequency
    coherence = 0.0
    for bandwidth in _BANDWIDTHS:
        magnitude = float(np.hypot(fx, fy))
        sigma = 1.0 / (2 * np.pi * bandwidth * magnitude)
        real, imag = _demodulate(channel, fx, fy, sigma)
        step = max(1, round(sigma))
        turn_x, length_x = _mean_turn(real, imag, mask, step, axis=1)
        turn_y, length_y = _mean_turn(real, imag, mask, step, axis=0)
        fx += turn_x / (2 * np.pi * step)
        fy += turn_y / (2 * np.pi * step)
        coherence = min(length_x, length_y)
    return Node(frequency=(fx, fy), coherence=coherence)


def _demodulate(channel: Float, fx: float, fy: float, sigma: float) -> tuple[Float, Float]:
    height, width = channel.shape
    column = np.exp(-2j * np.pi * fx * np.arange(width)).astype(np.complex64)
    row = np.exp(-2j * np.pi * fy * np.arange(height)).astype(np.complex64)
    carrier = row[:, None] * column[None, :]
    real = cv2.GaussianBlur(channel * carrier.real, (0, 0), sigma)
    imag = cv2.GaussianBlur(channel * carrier.imag, (0, 0), sigma)
    return real, imag


def _mean_turn(
    real: Float, imag: Float, mask: NDArray[np.bool_], step: int, *, axis: int
) -> tuple[float, float]:
    """Mean phase step over `step` pixels along an axis: its angle and the length of the mean unit phasor."""
    phasor = (real + 1j * imag).astype(np.complex64)
    phasor /= np.abs(phasor) + np.float32(1e-12)
    if axis == 1:
        product = phasor[:, step:] * np.conj(phasor[:, :-step])
        both = mask[:, step:] & mask[:, :-step]
    else:
        product = phasor[step:] * np.conj(phasor[:-step])
        both = mask[step:] & mask[:-step]
    if not both.any():
        return 0.0, 0.0
    mean = complex(product[both].mean())
    return float(np.angle(mean)), abs(mean)


_THREAD_PX = (
    6.0  # enough for the thread's own component and the half nodes, and quick whatever the photo's scale
)
_MAX_CORRECTION = 0.16  # log; beyond it the component belongs to another node


def refine_pitch(
    bgr: NDArray[np.uint8], mask: NDArray[np.bool_], pitch_px: tuple[float, float]
) -> tuple[float, float]:
    """Refine the pitch of both systems, each from its most coherent component.

    The picture is first scaled so that a thread is about six pixels wide both ways. Components tried are the on-axis ones of
    every texture channel and the sum of the two half nodes, ``(1/2, 1/2) + (1/2, -1/2) = (1, 0)``.

    Parameters
    ----------
    bgr : ndarray of uint8, shape (M, N, 3)
    mask : ndarray of bool, shape (M, N)
    pitch_px : tuple of float
        Pitch of the ends (along x) and of the picks (along y), right to about 10 %.

    Returns
    -------
    tuple of float
        Refined pitches; unchanged where no component was coherent.
    """
    scale = [min(1.0, _THREAD_PX / pitch) for pitch in pitch_px]
    size = (max(1, round(bgr.shape[1] * scale[0])), max(1, round(bgr.shape[0] * scale[1])))
    scale = [size[0] / bgr.shape[1], size[1] / bgr.shape[0]]
    small = np.asarray(cv2.resize(bgr, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    small_mask = cv2.resize(mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    texture = make_texture(small, small_mask, sigma_px=1.5 * _THREAD_PX)
    start = (1.0 / (pitch_px[0] * scale[0]), 1.0 / (pitch_px[1] * scale[1]))
    refined = []
    for axis in (0, 1):
        best = _best_frequency(texture, start, axis)
        refined.append(pitch_px[axis] if best is None else 1.0 / best / scale[axis])
    return refined[0], refined[1]


def _best_frequency(texture: Texture, start: tuple[float, float], axis: int) -> float | None:
    """Most coherent estimate of the on-axis frequency of one system, or None."""
    on_axis = (start[0], 0.0) if axis == 0 else (0.0, start[1])
    estimates: list[tuple[float, float]] = []
    for channel in texture.channels():
        node = refine_node(channel, texture.mask, on_axis)
        estimates.append((node.coherence, node.frequency[axis]))
    rising = refine_node(texture.lightness, texture.mask, (start[0] / 2, start[1] / 2))
    falling_start = (start[0] / 2, -start[1] / 2) if axis == 0 else (-start[0] / 2, start[1] / 2)
    falling = refine_node(texture.lightness, texture.mask, falling_start)
    total = rising.frequency[axis] + falling.frequency[axis]
    estimates.append((min(rising.coherence, falling.coherence), total))
    kept = [(c, f) for c, f in estimates if f > 0 and abs(np.log(f / start[axis])) < _MAX_CORRECTION]
    return max(kept)[1] if kept else None
