"""Where a card's edge lies when a narrow shadow or a lit side face runs along it.

The steepest slope of such a profile lies up to a pixel and a half inside the edge, because blur mixes the step with
the strip beside it. So the profile is explained as a blurred step plus a blurred strip that starts at the same place.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

__all__ = ["has_strip", "strip_shift"]

# Candidates in pixels. Blur of phones as standard deviation; strips fade out like a penumbra or end sharply.
_BLURS_PX = (0.9, 1.1, 1.3, 1.55, 1.85, 2.2)
_FADING_PX = (1.2, 2.0, 3.2, 5.0, 8.0, 12.0)
_SHARP_PX = (1.0, 1.5, 2.0, 2.5, 3.2, 4.0, 5.5, 7.5)
# Strips 2 to 5 px wide under the blurs above move the first slope by 0 to 1.2 px inward (worked out from this model).
_USUAL_SHIFT_PX, _USUAL_SHIFT_STD_PX = 0.6, 0.4
_LEAST_STD_PX = 0.4  # what blur and width of the strip, both unknown, can cost on sharp-edged strips
_SHARPENING = (
    0.0,
    0.3,
)  # share of an unsharp mask 2.5 times as wide; phones sharpen by about that (common practice)
_SHIFTS_PX = np.arange(-0.5, 2.51, 0.125)
# Neighbouring samples of a blurred profile agree, so a profile counts as about twelve independent ones: the
# likelihood of a candidate goes with (residual)^(-12/2).
_HALF_SAMPLES = 6.0


def has_strip(profile: NDArray[np.float64], across_px: NDArray[np.float64]) -> bool:
    """Tell whether the profile first turns away from the level it ends at, as only a strip makes it.

    Parameters
    ----------
    profile : ndarray of shape (N, 3)
        Linear light from inside to outside, averaged along the edge.
    across_px : ndarray of shape (N,)
        Distance outside the steepest first slope.
    """
    rim = max(2, len(profile) // 8)
    inside, outside = profile[:rim].mean(axis=0), profile[-rim:].mean(axis=0)
    beside = profile[(across_px > 0.5) & (across_px < 1.6)].mean(axis=0)
    return float((beside - inside) @ (outside - inside)) < 0


def strip_shift(profile: NDArray[np.float64], across_px: NDArray[np.float64]) -> tuple[float, float]:
    """Estimate how far outside the first slope the edge lies, averaged over all strips that explain the profile.

    Parameters
    ----------
    profile, across_px
        As for `has_strip`.

    Returns
    -------
    shift_px, std_px : float
        Mean and standard deviation over the candidates, weighted by likelihood.
    """
    near = (across_px > -6.0) & (across_px < 9.0)
    step = max(1, int(near.sum() // 40))
    place, values = across_px[near][::step], profile[near][::step]
    values = values - values.mean(axis=0)
    distance = place[None, :] - _SHIFTS_PX[:, None]
    costs = []
    for blur in _BLURS_PX:
        for sharpening in _SHARPENING:
            edge = _sharpened(distance, blur, sharpening, None, fading=False)
            for width, fading in [(w, True) for w in _FADING_PX] + [(w, False) for w in _SHARP_PX]:
                strip = _sharpened(distance, blur, sharpening, width, fading=fading)
                costs.append(_residual(edge, strip, values))
    cost = np.array(costs)
    weight = (cost / cost.min()) ** -_HALF_SAMPLES
    weight = weight * np.exp(-0.5 * ((_SHIFTS_PX - _USUAL_SHIFT_PX) / _USUAL_SHIFT_STD_PX) ** 2)
    weight /= weight.sum()
    mean = float(np.sum(weight * _SHIFTS_PX))
    spread = float(np.sqrt(np.sum(weight * (_SHIFTS_PX - mean) ** 2)))
    return mean, math.hypot(spread, _LEAST_STD_PX)


def _residual(
    edge: NDArray[np.float64], strip: NDArray[np.float64], values: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Sum of squares left of `values` (N, 3) by the best mix of constant, edge and strip, for every shift."""
    edge = edge - edge.mean(axis=1, keepdims=True)
    strip = strip - strip.mean(axis=1, keepdims=True)
    a, b, c = np.sum(edge * edge, axis=1), np.sum(edge * strip, axis=1), np.sum(strip * strip, axis=1)
    p, q = edge @ values, strip @ values  # (shifts, 3)
    determinant = np.maximum(a * c - b * b, 1e-12)
    explained = (c[:, None] * p**2 - 2 * b[:, None] * p * q + a[:, None] * q**2) / determinant[:, None]
    return np.asarray(np.maximum(np.sum(values**2) - explained.sum(axis=1), 1e-12))


def _sharpened(
    distance: NDArray[np.float64], blur: float, sharpening: float, width: float | None, *, fading: bool
) -> NDArray[np.float64]:
    sharp = _shape(distance, blur, width, fading)
    if sharpening == 0.0:
        return sharp
    return (1 + sharpening) * sharp - sharpening * _shape(distance, 2.5 * blur, width, fading)


def _shape(
    distance: NDArray[np.float64], blur: float, width: float | None, fading: bool
) -> NDArray[np.float64]:
    """Blurred step at 0; or, with a width, a blurred strip from 0 to the width, of even or fading strength."""
    step = _normal_cdf(distance / blur)
    if width is None:
        return step
    if not fading:
        return step - _normal_cdf((distance - width) / blur)
    return step - (_blurred_ramp(distance, blur) - _blurred_ramp(distance - width, blur)) / width


def _blurred_ramp(distance: NDArray[np.float64], blur: float) -> NDArray[np.float64]:
    z = distance / blur
    return distance * _normal_cdf(z) + blur * np.exp(-0.5 * z**2) / math.sqrt(2 * math.pi)


def _normal_cdf(z: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the normal distribution, good to 1e-7 (Abramowitz and Stegun, 7.1.26).

    SciPy's is slower to import than this is to run.
    """
    x = np.abs(z) / math.sqrt(2)
    t = 1 / (1 + 0.3275911 * x)
    poly = t * (0.254829592 + t * (-0.284496736 + t * (1.421413741 + t * (-1.453152027 + t * 1.061405429))))
    return np.asarray(0.5 * (1 + np.sign(z) * (1 - poly * np.exp(-x * x))))
