"""The phase of a thread lattice: feature planes, demodulation, and unwrapping.

A thread system whose threads lie ``p`` pixels apart leaves a component of frequency ``1/p`` in the picture. Shifted
down to frequency zero, that component becomes a slowly turning complex number whose angle divided by a full turn is
the departure of the thread index from an even grid. Everything here works on a *lattice picture*: the cloth sampled
with the same number of pixels per thread both ways, so that one set of filters serves every cloth.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .texture import LocalMean

__all__ = [
    "PX_PER_THREAD",
    "Demodulator",
    "LatticePicture",
    "blur",
    "combine_routes",
    "feature_planes",
    "lattice_picture",
    "mean_phase",
    "total_strengths",
    "unwrap_weighted",
]

FloatPlane = NDArray[np.float32]
ComplexPlane = NDArray[np.complex64]

PX_PER_THREAD = 8  # sampling of the lattice picture: keeps the third harmonic of the thread, little more
LOCAL_THREADS = 1.5  # radius of the local normalisation in threads: below the width of a colour stripe
SPECTRUM_REACH = (
    2  # cycles per thread of the spectrum kept: nodes up to 1 with half a cycle around them, and to spare
)
HIGHEST = 4.0  # features are cut here: a card edge or a table must not outweigh a row of threads
# Residual of the unwrapping at which it stops: some 0.003 rad off in mean, which folding back what is left takes out again.
_SOLVED = 0.003
_LAB_UNITS = (100.0 / 255.0, 1.0, 1.0, 1.0)  # of OpenCV's eight-bit L*a*b*
_CENTRAL = np.array([[-1.0, 0.0, 1.0]], np.float32)
_SECOND = np.array([[1.0, 0.0, -2.0, 0.0, 1.0]], np.float32)


@dataclass(frozen=True, slots=True, kw_only=True)
class LatticePicture:
    """Cloth sampled with `PX_PER_THREAD` pixels per end along x and per pick along y.

    Attributes
    ----------
    bgr : ndarray of float32, shape (M, N, 3)
        Colours on the 0..255 scale.
    cloth : ndarray of float32, shape (M, N)
        1 where there is cloth, 0 elsewhere.
    scale_x, scale_y : float
        Lattice pixels per patch pixel.
    """

    bgr: FloatPlane
    cloth: FloatPlane
    scale_x: float
    scale_y: float


def blur(plane: FloatPlane, sigma_x: float, sigma_y: float | None = None) -> FloatPlane:
    """Gaussian blur with mirrored borders; `sigma_y` defaults to `sigma_x`."""
    sigma_y = sigma_x if sigma_y is None else sigma_y
    return np.asarray(
        cv2.GaussianBlur(plane, (0, 0), sigmaX=sigma_x, sigmaY=sigma_y, borderType=cv2.BORDER_REFLECT),
        dtype=np.float32,
    )


def lattice_picture(
    bgr: NDArray[np.uint8], mask: NDArray[np.bool_], *, pitch_x_px: float, pitch_y_px: float
) -> LatticePicture:
    """Sample a straightened patch with the same number of pixels per thread in both directions.

    Parameters
    ----------
    bgr : ndarray of uint8, shape (M, N, 3)
    mask : ndarray of bool, shape (M, N)
        True on cloth.
    pitch_x_px, pitch_y_px : float
        Spacing of ends and of picks in patch pixels; a few percent off is good enough.
    """
    rows, cols = mask.shape
    out_cols = max(2, round(cols / pitch_x_px * PX_PER_THREAD))
    out_rows = max(2, round(rows / pitch_y_px * PX_PER_THREAD))
    picture: NDArray[np.uint8] = bgr
    # Shrink by area first: interpolation alone would fold fine detail back onto the threads.
    small = (min(out_cols, cols), min(out_rows, rows))
    if small != (cols, rows):
        picture = np.asarray(cv2.resize(picture, small, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    if small != (out_cols, out_rows):
        picture = np.asarray(
            cv2.resize(picture, (out_cols, out_rows), interpolation=cv2.INTER_CUBIC), dtype=np.uint8
        )
    cloth = cv2.resize(mask.astype(np.uint8), (out_cols, out_rows), interpolation=cv2.INTER_NEAREST)
    return LatticePicture(
        bgr=picture.astype(np.float32),
        cloth=np.asarray(cloth, dtype=np.float32),
        scale_x=out_cols / cols,
        scale_y=out_rows / rows,
    )


def _relative(plane: FloatPlane, cloth: FloatPlane, local: LocalMean, keep: FloatPlane) -> FloatPlane:
    """Departure of a positive plane from its local mean over the cloth, in units of that mean."""
    mean = local.mean(np.asarray(cv2.multiply(plane, cloth), dtype=np.float32))
    wide = local.spread_out(mean + np.float32(0.1 * float(mean.mean()) + 1e-6))
    relative = np.asarray(cv2.divide(plane, wide, dst=wide), dtype=np.float32)
    relative -= np.float32(1.0)
    np.minimum(relative, np.float32(HIGHEST), out=relative)
    return np.asarray(cv2.multiply(relative, keep, dst=relative), dtype=np.float32)


def feature_planes(picture: LatticePicture, keep: FloatPlane | None = None) -> dict[str, FloatPlane]:
    """Planes in which threads show whatever their dye.

    Parameters
    ----------
    picture : LatticePicture
    keep : ndarray of float32, shape (M, N), optional
        Where the planes are wanted (1) or zero (0); the cloth itself by default. Local means are taken over the
        cloth alone, so that a bright table does not drown the outermost threads.

    Returns
    -------
    dict
        ``light``: lightness less its local mean over its local spread; ``edge_x``/``edge_y``: size of the colour
        step across and along the ends; ``gap_x``/``gap_y``: dark lines running along the ends / along the picks.
        All are near zero mean and zero outside the cloth.
    """
    cloth = picture.cloth
    keep = cloth if keep is None else keep
    local = LocalMean(cloth > 0, LOCAL_THREADS * PX_PER_THREAD)
    # Eight bits a channel hold all a photo has, and turn into CIE L*a*b* many times faster than floats.
    # OpenCV takes numbers in place of a second picture; its type stubs do not know.
    eight = cv2.add(picture.bgr, 0.0, dtype=cv2.CV_8U)  # type: ignore[call-overload]
    lab = cv2.multiply(cv2.cvtColor(eight, cv2.COLOR_BGR2Lab), _LAB_UNITS, dtype=cv2.CV_32F)  # type: ignore[call-overload]
    light = np.asarray(cv2.extractChannel(lab, 0), dtype=np.float32)
    light -= local.spread_out(local.mean(np.asarray(cv2.multiply(light, cloth), dtype=np.float32)))
    square = np.asarray(cv2.multiply(cv2.multiply(light, light), cloth), dtype=np.float32)
    spread = local.spread_out(np.sqrt(local.mean(square)))
    usual = cv2.mean(spread, mask=(cloth > 0).view(np.uint8))[0]
    spread += np.float32(0.25 * usual + 1e-3)
    light = np.clip(cv2.divide(light, spread, dst=spread), -HIGHEST, HIGHEST, dtype=np.float32) * keep
    fine = blur(light, 0.11 * PX_PER_THREAD)
    smooth_lab = cv2.GaussianBlur(lab, (0, 0), 0.08 * PX_PER_THREAD, dst=lab)
    planes = {"light": light}
    for name, step in (("x", _CENTRAL), ("y", _CENTRAL.T)):
        change = cv2.filter2D(smooth_lab, -1, step)
        size = cv2.sqrt(cv2.transform(cv2.multiply(change, change, dst=change), np.ones((1, 3), np.float32)))
        planes[f"edge_{name}"] = _relative(np.asarray(size, dtype=np.float32), cloth, local, keep)
    for name, curve in (("x", _SECOND), ("y", _SECOND.T)):
        dark = np.asarray(cv2.filter2D(fine, -1, curve), dtype=np.float32)
        planes[f"gap_{name}"] = _relative(np.maximum(dark, np.float32(0), out=dark), cloth, local, keep)
    return planes


class Demodulator:
    """Shift components of one lattice-picture plane down to frequency zero, one sample per thread.

    Parameters
    ----------
    plane : ndarray of float32, shape (M, N)

    Notes
    -----
    The spectrum is cut to one cycle per thread around the wanted node before going back, so the result comes out
    sampled at every thread for the price of a very small transform.
    """

    def __init__(self, plane: FloatPlane) -> None:
        k = PX_PER_THREAD
        rows, cols = plane.shape
        self.shape = (-(-rows // k), -(-cols // k))
        margin = 6  # threads of padding, so that the two ends of the picture do not leak into each other
        self._rows = cv2.getOptimalDFTSize(self.shape[0] + margin)
        self._cols = cv2.getOptimalDFTSize(self.shape[1] + margin)
        padded = np.zeros((self._rows * k, self._cols * k), np.float32)
        padded[:rows, :cols] = plane
        self._spectrum = _low_frequencies(
            cv2.dft(padded), SPECTRUM_REACH * self._rows, SPECTRUM_REACH * self._cols
        )

    @property
    def size(self) -> tuple[int, int]:
        """Bins of the spectrum per cycle per thread, along y and along x."""
        return self._rows, self._cols

    def window(self, first: tuple[int, int], shape: tuple[int, int]) -> tuple[slice, slice]:
        """Rows and columns of the spectrum from the bin (row, column) `first` on, counted from frequency zero."""
        row, col = first[0] + SPECTRUM_REACH * self._rows, first[1] + SPECTRUM_REACH * self._cols
        kept = self._spectrum.shape
        if min(row, col) < 0 or row + shape[0] > kept[0] or col + shape[1] > kept[1]:
            raise ValueError("the frequency lies beyond what is kept of the spectrum")
        return slice(row, row + shape[0]), slice(col, col + shape[1])

    def power(self) -> FloatPlane:
        """Squared modulus of the whole spectrum that is kept."""
        return np.asarray(self._spectrum.real**2 + self._spectrum.imag**2)

    def amplitude(self, power: Any) -> Any:
        """Root-mean-square amplitude in the picture of what has this power in the spectrum."""
        return np.sqrt(power / (self.shape[0] * self.shape[1] * self._rows * self._cols)) / PX_PER_THREAD**2

    def node(
        self, freq_x: float, freq_y: float, *, width_x: float = 0.12, width_y: float = 0.12
    ) -> ComplexPlane:
        """Baseband signal of the component at (freq_x, freq_y) cycles per thread.

        Parameters
        ----------
        width_x, width_y : float
            Standard deviation of the Gaussian pass band, cycles per thread.

        Returns
        -------
        ndarray of complex64, shape (ceil(M / k), ceil(N / k))
            Sample [i, j] lies at lattice pixel (k j, k i).
        """
        first_x, pass_x, turn_x = _pass_band(self._cols, self.shape[1], freq_x, width_x)
        first_y, pass_y, turn_y = _pass_band(self._rows, self.shape[0], freq_y, width_y)
        cut = self._spectrum[self.window((first_y, first_x), self.size)] * (pass_x * pass_y[:, None])
        pairs = np.ascontiguousarray(np.fft.ifftshift(cut)).view(np.float32).reshape(*cut.shape, 2)
        back = np.asarray(cv2.dft(pairs, flags=cv2.DFT_INVERSE | cv2.DFT_SCALE), dtype=np.float32)
        signal = back.view(np.complex64)[: self.shape[0], : self.shape[1], 0]
        return np.asarray(signal * turn_x * turn_y[:, None] / PX_PER_THREAD**2, dtype=np.complex64)

    def strength(self, freq_x: float, freq_y: float, *, width: float = 0.025) -> float:
        """Root-mean-square amplitude of the component at a node, cycles per thread, in a narrow band."""
        first_x, pass_x = _narrow_band(self._cols, freq_x, width)
        first_y, pass_y = _narrow_band(self._rows, freq_y, width)
        cut = self._spectrum[self.window((first_y, first_x), (len(pass_y), len(pass_x)))]
        return float(self.amplitude(pass_y @ (cut.real**2 + cut.imag**2) @ pass_x))


def total_strengths(
    planes: Sequence[Demodulator], nodes: Iterable[tuple[float, float]], *, width: float = 0.025
) -> list[float]:
    """Strength of each node (frequencies along x and y), summed over planes of one size; see `Demodulator.strength`."""
    one = planes[0]
    power = np.stack([plane.power() for plane in planes])
    found = []
    for freq_x, freq_y in nodes:
        first_x, pass_x = _narrow_band(one.size[1], freq_x, width)
        first_y, pass_y = _narrow_band(one.size[0], freq_y, width)
        cut = power[(slice(None), *one.window((first_y, first_x), (len(pass_y), len(pass_x))))]
        found.append(float(np.sum(one.amplitude(pass_y @ cut @ pass_x))))
    return found


@lru_cache(maxsize=256)
def _pass_band(
    size: int, count: int, frequency: float, width: float
) -> tuple[int, FloatPlane, NDArray[np.complex128]]:
    """First bin of one cycle about a frequency, the Gaussian over its bins, and what turns the band down to zero.

    The band is centred on a whole bin; the turn, one for each of `count` samples, takes out the rest of the frequency.
    """
    centre = round(frequency * size)
    bins = np.arange(-(size // 2), size - size // 2) + centre
    share = np.exp(-0.5 * ((bins / size - frequency) / width) ** 2).astype(np.float32)
    return int(bins[0]), share, np.exp(2j * np.pi * (centre / size - frequency) * np.arange(count))


@lru_cache(maxsize=1024)
def _narrow_band(size: int, frequency: float, width: float) -> tuple[int, NDArray[np.float64]]:
    """First bin of a narrow band of a spectrum of `size` bins per cycle, and the squared Gaussian over its bins."""
    reach = max(1, round(2 * width * size))
    bins = np.arange(-reach, reach + 1) + round(frequency * size)
    return int(bins[0]), np.exp(-0.5 * ((bins / size - frequency) / width) ** 2)


def _low_frequencies(packed: NDArray[Any], reach_y: int, reach_x: int) -> ComplexPlane:
    """Middle of a real picture's spectrum, frequency zero centred, shape (2 reach_y + 1, 2 reach_x + 1).

    Parameters
    ----------
    packed : ndarray of float32, shape (M, N)
        Spectrum as OpenCV packs it: columns 1.. are pairs of real and imaginary parts, column 0 is the spectrum of a
        real signal packed down the rows in the same way. Even sizes, at least twice the reach.
    """
    rows = np.arange(-reach_y, reach_y + 1)
    out = np.empty((2 * reach_y + 1, 2 * reach_x + 1), np.complex64)
    out[:, reach_x + 1 :] = packed[rows, 1 : 2 * reach_x + 1].view(np.complex64)
    zero = packed[1 : 2 * reach_y + 1, 0].reshape(-1, 2)
    out[reach_y, reach_x] = packed[0, 0]
    out[reach_y + 1 :, reach_x] = zero[:, 0] + 1j * zero[:, 1]
    out[:reach_y, reach_x] = np.conj(out[:reach_y:-1, reach_x])
    # The picture is real: opposite frequencies are conjugates.
    out[:, :reach_x] = np.conj(out[::-1, :reach_x:-1])
    return out


def _unit(signal: ComplexPlane) -> ComplexPlane:
    return np.asarray(signal / (np.abs(signal) + 1e-9), dtype=np.complex64)


def _blur_complex(signal: ComplexPlane, sigma_x: float, sigma_y: float) -> ComplexPlane:
    real = blur(np.ascontiguousarray(signal.real), sigma_x, sigma_y)
    imag = blur(np.ascontiguousarray(signal.imag), sigma_x, sigma_y)
    return np.asarray(real + 1j * imag, dtype=np.complex64)


def combine_routes(
    routes: list[ComplexPlane], cloth: FloatPlane, *, along: int, rounds: int = 2
) -> tuple[ComplexPlane, FloatPlane, NDArray[np.float64]]:
    """Merge several baseband signals of one thread system into the most coherent one.

    Every route sees the same threads, but with its own constant offset (a gap here, a crown there). Routes are
    reduced to unit phasors, turned by their offset against the present sum and weighted by their agreement with it.

    Parameters
    ----------
    routes : list of ndarray, each of shape (M, N)
    cloth : ndarray of float32, shape (M, N)
        Weight 0..1.
    along : int
        Array axis along which the threads run: 0 for ends, 1 for picks.

    Returns
    -------
    signal : ndarray of complex64, shape (M, N)
        Sum of the turned phasors; its modulus is at most 1.
    coherence : ndarray of float32, shape (M, N)
        0..1, how steady the phase is along the thread.
    agreement : ndarray of shape (len(routes),)
        Modulus of the mean phasor of each route against the final sum.
    """
    sigma = (0.8, 2.5) if along == 0 else (2.5, 0.8)
    steady = [_blur_complex(_unit(r) * cloth, *sigma) for r in routes]
    self_coherence = np.array([float(np.abs(s).sum()) for s in steady])
    best = int(np.argmax(self_coherence))
    total = steady[best]
    agreement = np.zeros(len(routes))
    for _ in range(rounds):
        reference = _unit(total)
        new = np.zeros_like(total)
        norm = 0.0
        for index, signal in enumerate(steady):
            mean = complex((signal * np.conj(reference)).sum() / (np.abs(signal).sum() + 1e-9))
            coherent = float(self_coherence[index] / (cloth.sum() + 1e-9))
            agreement[index] = abs(mean)
            weight = (abs(mean) * min(coherent, 1.0)) ** 4
            norm += weight
            new += weight * signal * np.exp(-1j * np.angle(mean))
        total = np.asarray(new / (norm + 1e-12), dtype=np.complex64)
    share = blur(cloth, *sigma) + np.float32(1e-3)
    return total, np.asarray(np.clip(np.abs(total) / share, 0, 1), dtype=np.float32), agreement


def mean_phase(signal: ComplexPlane, reference: FloatPlane, weight: FloatPlane) -> tuple[float, float]:
    """Mean angle of a signal less a reference phase (radians), and the modulus of the mean phasor (0..1)."""
    turned = _unit(signal) * np.exp(-1j * reference)
    mean = complex((turned * weight).sum() / (weight.sum() + 1e-9))
    return float(np.angle(mean)), abs(mean)


def _even_smooth(least: int) -> int:
    """Smallest length from `least` on for which OpenCV's cosine transform is quick."""
    return 2 * int(cv2.getOptimalDFTSize((least + 1) // 2))


def unwrap_weighted(phase: FloatPlane, weight: FloatPlane, *, iterations: int = 40) -> FloatPlane:
    """Unwrap a phase plane by weighted least squares.

    Parameters
    ----------
    phase : ndarray of float32, shape (M, N)
        Wrapped phase, radians.
    weight : ndarray of float32, shape (M, N)
        Trust, 0..1; holes may have weight 0 and are bridged smoothly.
    iterations : int
        Largest number of conjugate-gradient steps.

    Returns
    -------
    ndarray of float32, shape (M, N)
        Smooth surface whose slopes match the wrapped slopes; the mean over the weight equals the mean phase
        modulo a full turn.

    References
    ----------
    .. [1] Ghiglia, D. C. and Romero, L. A., "Robust two-dimensional weighted and unweighted phase unwrapping that
       uses fast transforms and iterative methods", J. Opt. Soc. Am. A 11 (1994) 107-117,
       doi:10.1364/JOSAA.11.000107: the preconditioned conjugate gradient with cosine transforms.
    """
    rows, cols = phase.shape
    more = (0, _even_smooth(rows) - rows, 0, _even_smooth(cols) - cols)
    phase = np.asarray(cv2.copyMakeBorder(phase, *more, cv2.BORDER_REPLICATE), dtype=np.float32)
    weight = np.asarray(cv2.copyMakeBorder(weight, *more, cv2.BORDER_CONSTANT, value=0), dtype=np.float32)
    surface = _least_squares(
        phase.astype(np.float64), np.maximum(weight, 1e-4).astype(np.float64), iterations
    )
    turn = np.angle((np.exp(1j * (phase - surface)) * weight).sum())
    return np.asarray(surface[:rows, :cols] + turn, dtype=np.float32)


def _least_squares(
    phase: NDArray[np.float64], w: NDArray[np.float64], iterations: int
) -> NDArray[np.float64]:
    """Surface of zero mean whose weighted slopes match the wrapped ones; even sizes."""
    full = 2 * np.pi
    wx = np.minimum(w[:, 1:], w[:, :-1]) ** 2
    wy = np.minimum(w[1:], w[:-1]) ** 2

    # Nothing flows over the border: a row and a column of zeros on either side.
    flow_x, flow_y = np.zeros((w.shape[0], w.shape[1] + 1)), np.zeros((w.shape[0] + 1, w.shape[1]))
    inner_x, inner_y = flow_x[:, 1:-1], flow_y[1:-1]

    def slopes(of: NDArray[np.float64]) -> None:
        np.subtract(of[:, 1:], of[:, :-1], out=inner_x)
        np.subtract(of[1:], of[:-1], out=inner_y)

    def divergence() -> NDArray[np.float64]:
        np.multiply(inner_x, wx, out=inner_x)
        np.multiply(inner_y, wy, out=inner_y)
        out = flow_x[:, 1:] - flow_x[:, :-1]
        out += flow_y[1:]
        out -= flow_y[:-1]
        return out

    rows, cols = w.shape
    eigen = (2 * np.cos(np.pi * np.arange(rows) / rows) - 2)[:, None] + (
        2 * np.cos(np.pi * np.arange(cols) / cols) - 2
    )[None]
    eigen[0, 0] = -np.inf  # the mean is free
    inverse = 1.0 / eigen

    slopes(phase)
    for slope in (inner_x, inner_y):
        slope -= full * np.round(slope / full)
    residual = divergence()
    surface = np.zeros_like(w)
    start = cv2.norm(residual) + 1e-12
    direction = np.zeros_like(w)
    rho_before = 1.0
    for step in range(iterations):
        z = np.asarray(cv2.idct(cv2.multiply(cv2.dct(residual), inverse)), dtype=np.float64)
        rho = float((residual * z).sum())
        direction = z if step == 0 else z + rho / rho_before * direction
        rho_before = rho
        slopes(direction)
        applied = divergence()
        alpha = rho / (float((direction * applied).sum()) - 1e-15)
        surface += alpha * direction
        residual -= alpha * applied
        if cv2.norm(residual) < _SOLVED * start:
            break
    return surface
