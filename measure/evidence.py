"""Spectral evidence for the thread pitch, one curve over frequency per kind of evidence and direction.

Three kinds, which fail in different ways, are read from local power spectra averaged over many windows (Welch's method:
P. D. Welch, "The use of fast Fourier transform for the estimation of power spectra", IEEE Trans. Audio Electroacoust.
15, 1967, doi:10.1109/TAU.1967.1161901):

row
    Autocorrelation of the whitened spectrum. Nodes of one row of the reciprocal lattice differ by whole multiples of
    the thread frequency in any weave, so their mutual distance tells it even when the node itself is weak (the picks of
    a warp-faced band). Coloured or paired threads add half steps: it errs low.
axis
    Prominence of the on-axis part of the spectrum. By the projection-slice theorem (R. N. Bracewell, "Strip integration in
    radio astronomy", Aust. J. Phys. 9, 1956, doi:10.1071/PH560198) this is the spectrum of the intensity projected along
    the threads. Colour and pairs again add low frequencies: it errs low.
half_row
    In plain weave floats make a checkerboard with nodes at half the frequencies of both systems. Blind to twills, catches
    overtones on sharp threads: it errs high.

The curves propose candidates; they do not decide. On 29 path-traced and 27 real cloths the true pitch of every direction was
among the two highest peaks of `row` and `axis`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any, NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from ..calibration.side_by_side import side_by_side
from .texture import Texture, make_texture

__all__ = ["FREQUENCIES", "DirectionEvidence", "gather_evidence", "peak_frequencies"]

Float = NDArray[np.float32]

_STEP = 0.02
FREQUENCIES: Float = np.exp(np.arange(np.log(1 / 64), np.log(1 / 2.2), _STEP)).astype(np.float32)
"""Trial frequencies in cycles per pixel of the patch: 64 to 2.2 px per thread in steps of 2 %."""

_LEVELS = 4  # octaves of the pyramid; at level 3 a 64 px thread is 8 px wide
_WINDOWS_PX = (96, 160)  # about 10 to 20 threads of 8 px; shorter windows let the float's period in
_PADDED = 1.5  # size of the spectra in windows: enough to read between bins
_MAX_WINDOWS = 16
_MOST_PX = 768**2  # of one level: room for all windows wanted, and the time no longer grows with the photo
_SIGMA_PX = 12.0  # about one repeat at the level's pitches
_PROMINENCE_DB = 2.5  # spectral noise of some twenty averaged windows stays below this
_LEAN_DEG = 6.0  # threads lean out of the straightened axes by skew and bow


@dataclass(frozen=True, slots=True, kw_only=True)
class DirectionEvidence:
    """Curves over `FREQUENCIES` for one thread system; higher is more likely, each of zero running mean."""

    row: Float
    axis: Float
    half_row: Float


@dataclass(frozen=True, slots=True)
class _Map:
    """One averaged spectrum: prominence in dB and its autocorrelation, both dilated by one bin, frequency zero centred."""

    prominence: Float
    autocorrelation: Float
    frequencies: Float  # FREQUENCIES in cycles per pixel of this pyramid level
    weight: Float  # how well this level and window see each frequency

    @property
    def size(self) -> int:
        return int(self.prominence.shape[0])


class _Look(NamedTuple):
    """One level of the pyramid, to be looked at through windows of one size."""

    texture: Texture
    window: int
    frequencies: Float  # FREQUENCIES in cycles per pixel of this level
    weight: Float  # how well this level and window see each frequency


def gather_evidence(
    bgr: NDArray[np.uint8], mask: NDArray[np.bool_]
) -> tuple[DirectionEvidence, DirectionEvidence]:
    """Gather the evidence for the pitch of the ends (across x) and of the picks (across y).

    Parameters
    ----------
    bgr : ndarray of uint8, shape (M, N, 3)
        Straightened patch: ends run down the rows, picks along them.
    mask : ndarray of bool, shape (M, N)
        True where there is cloth.

    Returns
    -------
    tuple of DirectionEvidence
        For the ends, for the picks.
    """
    maps = _maps(bgr, mask)
    if not maps and mask.any():  # a band narrower than the windows: they are made as wide as it is
        box = _cloth_box(mask)
        maps = _maps(np.ascontiguousarray(bgr[box]), np.ascontiguousarray(mask[box]))
    rows, axes = [], []
    for turn in (0.0, np.pi / 2):
        rows.append(_average([(_polar(m.autocorrelation, m.frequencies, turn), m.weight) for m in maps]))
        axes.append(_average([(_polar(m.prominence, m.frequencies, turn), m.weight) for m in maps]))
    evidence = []
    for this, other in ((0, 1), (1, 0)):
        partners = np.concatenate([peak_frequencies(rows[other], 3), peak_frequencies(axes[other], 3)])
        half = _average([(_half_row(m, partners, transpose=this == 1), m.weight) for m in maps])
        evidence.append(DirectionEvidence(row=rows[this], axis=axes[this], half_row=half))
    return evidence[0], evidence[1]


def _maps(bgr: NDArray[np.uint8], mask: NDArray[np.bool_]) -> list[_Map]:
    return [found for maps in side_by_side(_window_maps, _looks(bgr, mask)) for found in maps]


def _cloth_box(mask: NDArray[np.bool_]) -> tuple[slice, slice]:
    """Rows and columns that are mostly cloth."""
    found = []
    for axis in (1, 0):
        covered = np.count_nonzero(mask, axis=axis)
        inside = np.flatnonzero(2 * covered > covered.max())
        found.append(slice(inside[0], inside[-1] + 1))
    return found[0], found[1]


def peak_frequencies(curve: Float, count: int) -> Float:
    """Return the frequencies of the highest local maxima of a curve over `FREQUENCIES`, highest first."""
    middle = curve[1:-1]
    peaks = np.flatnonzero((middle >= curve[:-2]) & (middle > curve[2:])) + 1
    return FREQUENCIES[peaks[np.argsort(-curve[peaks], kind="stable")][:count]]


def _looks(bgr: NDArray[np.uint8], mask: NDArray[np.bool_]) -> list[_Look]:
    """Every octave of a pyramid with every size of windows, so that each pitch is seen at 5 to 20 px per thread."""
    looks = []
    for level in range(_LEVELS):
        part = _middle(mask)
        texture = make_texture(
            np.ascontiguousarray(bgr[part]), np.ascontiguousarray(mask[part]), sigma_px=_SIGMA_PX
        )
        frequencies = FREQUENCIES * np.float32(2**level)
        for window in _WINDOWS_PX:
            weight = _level_weight(1.0 / frequencies, window, max(mask.shape), finest=level == 0)
            if weight.any():
                looks.append(_Look(texture, window, frequencies, weight))
        if min(mask.shape) < 96:
            break
        bgr = np.asarray(cv2.pyrDown(bgr), dtype=np.uint8)
        mask = (
            cv2.resize(mask.astype(np.uint8), (bgr.shape[1], bgr.shape[0]), interpolation=cv2.INTER_NEAREST)
            > 0
        )
    return looks


def _middle(mask: NDArray[np.bool_]) -> tuple[slice, slice]:
    """Rows and columns of one level to look at: as many as are wanted about the middle of the cloth."""
    rows, cols = mask.shape
    side = float(np.sqrt(_MOST_PX))
    width = min(cols, max(side, _MOST_PX / rows))
    height = min(rows, _MOST_PX / width)
    part = []
    for axis, wanted in enumerate((int(height), int(width))):
        share = np.cumsum(np.count_nonzero(mask, axis=1 - axis))
        middle = int(np.searchsorted(share, share[-1] / 2))
        start = int(np.clip(middle - wanted // 2, 0, mask.shape[axis] - wanted))
        part.append(slice(start, start + wanted))
    return part[0], part[1]


def _level_weight(periods: Float, window: int, extent: int, *, finest: bool) -> Float:
    """Weight of one level and window per period: enough pixels per thread below, enough threads per window above."""
    longest = min(window / 4.5, extent / 5)
    upper = np.clip((np.log(longest) - np.log(periods)) / 0.3 + 0.5, 0, 1)
    lower = np.ones_like(upper) if finest else np.clip((np.log(periods) - np.log(2.4)) / 0.3 + 0.5, 0, 1)
    return np.asarray(upper * lower, dtype=np.float32)


def _window_maps(look: _Look) -> list[_Map]:
    """Average the local spectra of each channel of the texture."""
    texture, window = look.texture, look.window
    height, width = (min(window, extent) for extent in texture.mask.shape)
    origins = _window_origins(texture.mask, height, width)
    if not origins:
        return []
    maps = []
    size = round(_PADDED * window)
    taper = np.outer(np.hanning(height + 2)[1:-1], np.hanning(width + 2)[1:-1]).astype(np.float32)
    for channel in texture.channels():
        magnitude = np.zeros((size, size // 2 + 1), np.float32)
        padded, packed = np.zeros((size, size), np.float32), np.empty((size, size), np.float32)
        inner = padded[:height, :width]
        for y, x in origins:
            view = channel[y : y + height, x : x + width]
            np.subtract(view, np.float32(cv2.mean(view)[0]), out=inner)
            inner *= taper
            magnitude += _magnitude(cv2.dft(padded, dst=packed, nonzeroRows=height))
        prominence = _prominence(magnitude)
        autocorrelation = _autocorrelation(prominence)
        maps.append(_Map(_dilated(prominence), _dilated(autocorrelation), look.frequencies, look.weight))
    return maps


def _magnitude(packed: NDArray[Any]) -> Float:
    """Magnitude of a real picture's spectrum, zero and positive column frequencies, from OpenCV's packed form.

    Complex numbers lie in columns 1..N-2 as pairs; columns 0 and N-1 hold the spectra of the columns of frequency zero
    and one half, which are real signals and packed down the rows in the same way.
    """
    size = packed.shape[0]
    magnitude = np.empty((size, size // 2 + 1), np.float32)
    # Not cv2.magnitude: its last digit depends on where in memory the picture lies.
    np.abs(packed[:, 1:-1].view(np.complex64), out=magnitude[:, 1:-1])
    for column, target in ((packed[:, 0], 0), (packed[:, -1], size // 2)):
        half = np.hypot(column[1:-1:2], column[2:-1:2])
        magnitude[0, target], magnitude[size // 2, target] = abs(column[0]), abs(column[-1])
        magnitude[1 : size // 2, target], magnitude[size // 2 + 1 :, target] = half, half[::-1]
    return magnitude


def _dilated(plane: Float) -> Float:
    """Let every bin take the best of its neighbours: nodes fall between bins."""
    return np.asarray(cv2.dilate(plane, np.ones((3, 3), np.uint8)), dtype=np.float32)


def _window_origins(mask: NDArray[np.bool_], height: int, width: int) -> list[tuple[int, int]]:
    """Spread half-overlapping windows over the cloth; thin them out evenly when there are more than needed."""
    area = cv2.integral(mask.astype(np.uint8))
    origins = []
    for y in _starts(mask.shape[0], height):
        for x in _starts(mask.shape[1], width):
            covered = area[y + height, x + width] - area[y, x + width] - area[y + height, x] + area[y, x]
            if covered >= 0.85 * height * width:
                origins.append((y, x))
    if len(origins) > _MAX_WINDOWS:
        chosen = np.linspace(0, len(origins) - 1, _MAX_WINDOWS).round().astype(int)
        origins = [origins[i] for i in chosen]
    return origins


def _starts(extent: int, window: int) -> list[int]:
    if extent <= window:
        return [0]
    count = int(np.ceil((extent - window) / (window / 2))) + 1
    return [int(start) for start in np.linspace(0, extent - window, max(2, count))]


def _prominence(half_plane: Float) -> Float:
    """Log spectrum (dB) over the whole plane less its local mean, zero frequency in the middle."""
    size = half_plane.shape[0]
    decibel = 20 * np.log10(half_plane + np.float32(1e-6) * half_plane.max() + np.float32(1e-12))
    full = np.empty((size, size), np.float32)
    full[:, : size // 2 + 1] = decibel
    full[:, size // 2 + 1 :] = np.roll(decibel[::-1], 1, axis=0)[:, size // 2 - 1 : 0 : -1]
    full = np.fft.fftshift(full)
    box = round(0.08 * size) | 1
    return np.asarray(full - cv2.blur(full, (box, box), borderType=cv2.BORDER_REFLECT), dtype=np.float32)


def _autocorrelation(prominence: Float) -> Float:
    """Normalised autocorrelation of the nodes, displacement zero in the middle."""
    size = prominence.shape[0]
    nodes = np.clip(prominence - _PROMINENCE_DB, 0, 12)
    nodes[_near_zero(size)] = 0  # what is left of light and shadow
    nodes = cv2.GaussianBlur(nodes, (0, 0), 0.4 * _PADDED)
    # Lags up to half the size are wanted: padding by that much keeps the wrapped ones out of them.
    half = size // 2
    padded = np.zeros((size + half, size + half), np.float32)
    padded[:size, :size] = nodes
    spectrum = cv2.dft(padded)
    power = cv2.mulSpectrums(spectrum, spectrum, 0, conjB=True)
    lagged = cv2.dft(power, flags=cv2.DFT_INVERSE | cv2.DFT_SCALE | cv2.DFT_REAL_OUTPUT)
    middle = np.empty((size, size), np.float32)
    middle[:half, :half], middle[:half, half:] = lagged[-half:, -half:], lagged[-half:, :half]
    middle[half:, :half], middle[half:, half:] = lagged[:half, -half:], lagged[:half, :half]
    return np.asarray(middle / np.float32(float(np.sum(nodes * nodes)) + 1e-9), dtype=np.float32)


@cache
def _near_zero(size: int) -> NDArray[np.bool_]:
    """Bins of a centred plane that are too near frequency zero to be threads."""
    axis = np.arange(size, dtype=np.float32) - size // 2
    return np.hypot(axis[:, None], axis[None, :]) < 0.012 * size


def _polar(plane: Float, frequencies: Float, turn: float) -> Float:
    """Read a centred plane along one direction; at each frequency the best of the allowed leans."""
    size = plane.shape[0]
    leans = np.radians(np.arange(-_LEAN_DEG, _LEAN_DEG + 0.1, 1.5)) + turn
    radius = frequencies * size
    x = size // 2 + np.outer(np.cos(leans), radius)
    y = size // 2 + np.outer(np.sin(leans), radius)
    values = cv2.remap(plane, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR)
    return np.asarray(values.max(axis=0), dtype=np.float32)


def _half_row(spectral_map: _Map, partners: Float, *, transpose: bool) -> Float:
    """Height of the weaker of the nodes (f/2, +B/2) and (f/2, -B/2) for the best partner B of the other system."""
    plane = np.ascontiguousarray(spectral_map.prominence.T if transpose else spectral_map.prominence)
    size = spectral_map.size
    scale = float(spectral_map.frequencies[0] / FREQUENCIES[0])
    x = (size // 2 + spectral_map.frequencies / 2 * size)[None, :].astype(np.float32)
    best = np.full(len(FREQUENCIES), -5.0, np.float32)
    for partner in partners:
        offset = np.float32(partner * scale / 2 * size)
        if offset >= size / 2 - 1:
            continue
        above, below = (
            cv2.remap(plane, x, np.full_like(x, size // 2 + side * offset), cv2.INTER_LINEAR)[0]
            for side in (1, -1)
        )
        best = np.maximum(best, np.minimum(above, below))
    return best


def _average(curves: list[tuple[Float, Float]]) -> Float:
    """Take the running mean from each curve, then average with the weights; unseen frequencies get the minimum."""
    total = np.zeros(len(FREQUENCIES), np.float32)
    weights = np.zeros(len(FREQUENCIES), np.float32)
    for curve, weight in curves:
        total += _detrend(curve) * weight
        weights += weight
    seen = weights > 0.3
    mean = np.where(seen, total / np.maximum(weights, 1e-6), 0.0)
    return np.where(seen, mean, mean.min()).astype(np.float32)


def _detrend(curve: Float, half_width: float = 0.6) -> Float:
    """Take away the running mean over a factor exp(+/- `half_width`) in frequency."""
    reach = round(half_width / _STEP)
    # Mirrored at both ends, as np.pad would do in ten times the time.
    sums = np.cumsum(np.concatenate([[0.0], curve[reach:0:-1], curve, curve[-2 : -reach - 2 : -1]]))
    mean = (sums[2 * reach + 1 :] - sums[: -2 * reach - 1]) / (2 * reach + 1)
    return np.asarray(curve - mean, dtype=np.float32)
