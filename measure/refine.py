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

from .texture import make_texture

__all__ = ["Node", "refine_node", "refine_pitch"]

Float = NDArray[np.float32]

_BANDWIDTHS = (0.22, 0.15, 0.10)  # relative; wide first so that a start 7 % off is still caught
_BAND_DEVIATIONS = 6.5  # of a Gaussian band kept: what lies beyond folds back with less than half a percent
_PADDING_PX = 32


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


class _Spectrum:
    """Spectrum of one channel, from which narrow bands are taken at few samples."""

    def __init__(self, channel: Float, mask: NDArray[np.bool_]) -> None:
        self._mask = mask
        # Padding keeps the two ends of the picture from leaking into each other.
        self._size = tuple(int(cv2.getOptimalDFTSize(extent + _PADDING_PX)) for extent in channel.shape)
        padded = np.zeros(self._size, np.float32)
        padded[: channel.shape[0], : channel.shape[1]] = channel
        pairs = np.asarray(cv2.dft(padded, flags=cv2.DFT_COMPLEX_OUTPUT), dtype=np.float32)
        self._bins = pairs.view(np.complex64)[..., 0]

    def node(self, frequency: tuple[float, float]) -> Node:
        """Refine a frequency, x and y in cycles per pixel."""
        fx, fy = frequency
        coherence = 0.0
        for bandwidth in _BANDWIDTHS:
            band, spacing, at = self._band(fx, fy, bandwidth * float(np.hypot(fx, fy)))
            phasor = band / (np.abs(band) + np.float32(1e-12))
            turn_x, length_x = _mean_turn(phasor, at, axis=1)
            turn_y, length_y = _mean_turn(phasor, at, axis=0)
            fx += turn_x / (2 * np.pi * spacing[1])
            fy += turn_y / (2 * np.pi * spacing[0])
            coherence = min(length_x, length_y)
        return Node(frequency=(fx, fy), coherence=coherence)

    def _band(
        self, fx: float, fy: float, deviation: float
    ) -> tuple[NDArray[np.complex64], tuple[float, float], NDArray[np.bool_]]:
        """Shift a Gaussian band down to frequency zero: samples, their spacing (y, x) in pixels, the mask there."""
        bins, turns, shares, positions = [], [], [], []
        for size, extent, frequency in zip(self._size, self._mask.shape, (fy, fx), strict=True):
            count = min(size, int(cv2.getOptimalDFTSize(int(np.ceil(_BAND_DEVIATIONS * deviation * size)))))
            centre = round(frequency * size)
            step = np.fft.ifftshift(np.arange(-(count // 2), count - count // 2))
            off = (step + centre) / size - frequency
            bins.append((step + centre) % size)
            shares.append(np.exp(-0.5 * (off / deviation) ** 2).astype(np.float32))
            place = np.arange(int((extent - 1) * count / size) + 1) * (size / count)
            positions.append(np.minimum(np.round(place).astype(int), extent - 1))
            # The band was centred on a whole bin; turn out the rest of the frequency.
            turns.append(np.exp(2j * np.pi * (centre / size - frequency) * place).astype(np.complex64))
        cut = self._bins[np.ix_(*bins)] * (shares[0][:, None] * shares[1])
        pairs = np.ascontiguousarray(cut).view(np.float32).reshape(*cut.shape, 2)
        back = np.asarray(cv2.dft(pairs, flags=cv2.DFT_INVERSE), dtype=np.float32).view(np.complex64)[..., 0]
        band = back[: len(positions[0]), : len(positions[1])] * turns[0][:, None] * turns[1]
        spacing = (self._size[0] / cut.shape[0], self._size[1] / cut.shape[1])
        return band, spacing, self._mask[np.ix_(*positions)]


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
    return _Spectrum(channel, mask).node(frequency)


def _mean_turn(phasor: NDArray[np.complex64], mask: NDArray[np.bool_], *, axis: int) -> tuple[float, float]:
    """Mean phase step from sample to sample along an axis: its angle and the length of the mean unit phasor."""
    if axis == 0:
        phasor, mask = phasor.T, mask.T
    both = mask[:, 1:] & mask[:, :-1]
    if not both.any():
        return 0.0, 0.0
    mean = complex((phasor[:, 1:] * np.conj(phasor[:, :-1]))[both].mean())
    return float(np.angle(mean)), abs(mean)


_THREAD_PX = (
    6.0  # enough for the thread's own component and the half nodes, and quick whatever the photo's scale
)
_MOST_THREADS = 128  # the mean over so many is as good as that over all for a start
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
    window = _middle_window(small_mask)
    texture = make_texture(
        np.ascontiguousarray(small[window]),
        np.ascontiguousarray(small_mask[window]),
        sigma_px=1.5 * _THREAD_PX,
    )
    channels = [_Spectrum(channel, texture.mask) for channel in texture.channels()]
    start = (1.0 / (pitch_px[0] * scale[0]), 1.0 / (pitch_px[1] * scale[1]))
    half = (
        channels[0].node((start[0] / 2, start[1] / 2)),
        channels[0].node((start[0] / 2, -start[1] / 2)),
    )
    refined = []
    for axis in (0, 1):
        best = _best_frequency(channels, start, half, axis)
        refined.append(pitch_px[axis] if best is None else 1.0 / best / scale[axis])
    return refined[0], refined[1]


def _middle_window(mask: NDArray[np.bool_]) -> tuple[slice, slice]:
    """Part of the picture about the middle of the cloth that is large enough to tell the mean pitch."""
    side = round(_MOST_THREADS * _THREAD_PX)
    window = []
    for axis in (0, 1):
        extent = mask.shape[axis]
        share = np.cumsum(mask.sum(axis=1 - axis))
        middle = int(np.searchsorted(share, share[-1] / 2))
        start = int(np.clip(middle - side // 2, 0, max(0, extent - side)))
        window.append(slice(start, min(extent, start + side)))
    part = window[0], window[1]
    return part if mask[part].mean() >= min(0.5, mask.mean()) else (slice(None), slice(None))


def _best_frequency(
    channels: list[_Spectrum], start: tuple[float, float], half: tuple[Node, Node], axis: int
) -> float | None:
    """Most coherent estimate of the on-axis frequency of one system, or None; `half` are both half nodes."""
    on_axis = (start[0], 0.0) if axis == 0 else (0.0, start[1])
    estimates: list[tuple[float, float]] = []
    for channel in channels:
        node = channel.node(on_axis)
        estimates.append((node.coherence, node.frequency[axis]))
    rising, falling = half
    # The picture is real: opposite frequencies are one node.
    total = rising.frequency[axis] + (1 if axis == 0 else -1) * falling.frequency[axis]
    estimates.append((min(rising.coherence, falling.coherence), total))
    kept = [(c, f) for c, f in estimates if f > 0 and abs(np.log(f / start[axis])) < _MAX_CORRECTION]
    return max(kept)[1] if kept else None
