"""Two bands beside each other: whether beat and width differ by more than chance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .evenness import Evenness
from .steps import long_run_variance

__all__ = ["BandComparison", "compare_bands"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class BandComparison:
    """Two bands beside each other: Welch's t test on their stations, each band with its effective number of them.

    Attributes
    ----------
    of : str
        ``"picks per inch"`` or ``"width"``.
    first, second : float
        Means, per inch or millimetres.
    difference_percent, u95_percent : float
        Second minus first, over the first.
    p_value : float
    effective_first, effective_second : float
        Independent stations that the scatter along each band is worth.
    """

    of: str
    first: float
    second: float
    difference_percent: float
    u95_percent: float
    p_value: float
    effective_first: float
    effective_second: float

    @property
    def significant(self) -> bool:
        """Whether chance alone would show such a difference in fewer than five of a hundred cases."""
        return self.p_value < 0.05


def compare_bands(
    first: Evenness, second: Evenness, *, scale_u95_percent: tuple[float, float] = (0.0, 0.0)
) -> tuple[BandComparison, ...]:
    """Compare the picks per inch and the width of two bands.

    Parameters
    ----------
    first, second : Evenness
        The bands.
    scale_u95_percent : tuple of float
        Expanded uncertainty of the scale of each photo; it moves all stations of a photo together, so it comes on top of
        their scatter.

    Returns
    -------
    tuple of BandComparison
        Welch's unequal variances t test (Biometrika 34, 1947, 28-35) on the stations; each band's number of stations is
        reduced to what its scatter along the band is worth.
    """
    scale = float(np.hypot(*scale_u95_percent)) / 200.0  # standard, relative
    pairs: list[tuple[str, list[float], list[float]]] = [
        (
            "picks per inch",
            [s.picks_per_inch for s in first.stations],
            [s.picks_per_inch for s in second.stations],
        ),
        (
            "width",
            [s.width_mm for s in first.stations if s.width_mm is not None],
            [s.width_mm for s in second.stations if s.width_mm is not None],
        ),
    ]
    return tuple(
        _welch(name, np.array(a), np.array(b), scale) for name, a, b in pairs if len(a) >= 4 and len(b) >= 4
    )


def _welch(of: str, a: FloatArray, b: FloatArray, scale: float) -> BandComparison:
    from scipy.special import stdtr, stdtrit

    means, errors, effective = [], [], []
    for values in (a, b):
        variance = float(values.var(ddof=1))
        memory = max(1.0, long_run_variance(values, 1) / max(variance, 1e-300))
        number = max(len(values) / memory, 2.0)
        means.append(float(values.mean()))
        errors.append(variance / number)
        effective.append(number)
    total = max(sum(errors), 1e-300)
    freedom = total**2 / max(sum(e**2 / (n - 1) for e, n in zip(errors, effective, strict=True)), 1e-300)
    difference = means[1] - means[0]
    spread = float(np.hypot(np.sqrt(total), scale * means[0]))
    t = difference / spread
    return BandComparison(
        of=of,
        first=means[0],
        second=means[1],
        difference_percent=100 * difference / means[0],
        u95_percent=100 * float(stdtrit(freedom, 0.975)) * spread / means[0],
        p_value=float(2 * stdtr(freedom, -abs(t))),
        effective_first=effective[0],
        effective_second=effective[1],
    )
