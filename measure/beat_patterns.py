"""Slow changes of the beat and patterns that come back in it, judged against scatter that has a memory."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .steps import long_run_variance, surrogates

__all__ = ["Drift", "Rhythm", "measure_drift", "measure_rhythm"]

FloatArray = NDArray[np.float64]

RHYTHM_LEVEL = 0.01
LEAST_ALTERNATION_PERCENT = 3.5  # sheds look a little different to the tracker: below, it may be their looks
NEARLY = 0.75  # of the loudest echo
SHORTEST_BAR = 8  # picks; a warp is not advanced more often


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """Slow change per 100 mm, percent, beside any steps, with its expanded uncertainty."""

    percent_per_100mm: float
    u95_percent_per_100mm: float

    @property
    def significant(self) -> bool:
        """Whether the drift is larger than its uncertainty."""
        return abs(self.percent_per_100mm) > self.u95_percent_per_100mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Rhythm:
    """A pattern that comes back.

    Attributes
    ----------
    kind : str
        ``"alternate"``: every second pick is beaten differently; ``"bars"``: dense or open bars at equal distances.
    every_mm : float
        Distance of one repeat along the warp.
    size_percent : float
        Half the swing of the pick spacing.
    p_value : float
        Chance of so clear a pattern in a band with the same scatter and no pattern.
    """

    kind: str
    every_mm: float
    size_percent: float
    p_value: float


def measure_drift(spacings_mm: FloatArray, pick_mm: FloatArray, places: tuple[int, ...] = ()) -> Drift | None:
    """Fit the slow change of the picks per inch along the band.

    Parameters
    ----------
    spacings_mm : ndarray of shape (N,)
        From pick to pick.
    pick_mm : ndarray of shape (N + 1,)
        The picks.
    places : tuple of int
        Spacings at which a step begins; the levels of the steps are fitted together with the drift.

    Returns
    -------
    Drift or None
        None for fewer than 12 spacings. The uncertainty counts scatter with a memory by its long-run variance and uses
        Student's t with the number of independent values that leaves.
    """
    n = len(spacings_mm)
    if n < 12:
        return None
    from scipy.special import stdtrit

    y = -np.log(np.asarray(spacings_mm, dtype=np.float64))
    x = (pick_mm[1 : n + 1] + pick_mm[:n]) / 200.0
    columns = [np.ones(n), x - x.mean(), *(np.where(np.arange(n) >= p, 1.0, 0.0) for p in places)]
    design = np.column_stack(columns)
    solution, *_ = np.linalg.lstsq(design, y, rcond=None)
    rest = y - design @ solution
    variance = long_run_variance(rest, design.shape[1])
    memory = max(1.0, variance / max(float(rest @ rest) / n, 1e-300))
    inverse = np.linalg.inv(design.T @ design)
    freedom = max(n / memory - design.shape[1], 2.0)
    spread = float(np.sqrt(variance * inverse[1, 1])) * float(stdtrit(freedom, 0.975))
    return Drift(percent_per_100mm=100 * float(solution[1]), u95_percent_per_100mm=100 * spread)


def measure_rhythm(spacings_mm: FloatArray, places: tuple[int, ...] = ()) -> tuple[Rhythm, ...]:
    """Look for patterns that come back in the distances from pick to pick.

    Parameters
    ----------
    spacings_mm : ndarray of shape (N,)
        From pick to pick.
    places : tuple of int
        Spacings at which a step begins; levels are taken out first.

    Notes
    -----
    The autocorrelation at lag two less the mean of its neighbours shows alternate picks, its greatest value at lags of
    `SHORTEST_BAR` picks and more shows bars. Both are judged against surrogate series with the same short memory.
    """
    n = len(spacings_mm)
    if n < 24:
        return ()
    y = np.log(np.asarray(spacings_mm, dtype=np.float64))
    for part in np.split(np.arange(n), list(places)):
        y[part] -= y[part].mean()
    y -= np.polyval(np.polyfit(np.arange(n), y, 1), np.arange(n))
    pitch = float(np.mean(spacings_mm))
    by_chance = surrogates(y, 499, parameters=2 + len(places))
    found = []
    turn = np.where(np.arange(n) % 2 == 0, 1.0, -1.0)

    def swing(rows: FloatArray) -> FloatArray:
        return np.asarray(np.abs(rows @ turn) / n / rows.std(axis=-1))

    here = float(swing(y))
    p_value = float((1 + np.sum(swing(by_chance) >= here)) / (1 + len(by_chance)))
    size = 100 * abs(float(y @ turn)) / n
    if p_value < RHYTHM_LEVEL and size > LEAST_ALTERNATION_PERCENT:
        found.append(Rhythm(kind="alternate", every_mm=2 * pitch, size_percent=size, p_value=p_value))
        y = y - float(y @ turn) / n * turn  # it would come back at every even lag
    lags = np.arange(SHORTEST_BAR, int(n / 2.5) + 1)
    mine, theirs = _autocorrelation(y[None], lags), _autocorrelation(by_chance, lags)
    top = float(mine[0].max())
    p_value = float((1 + np.sum(theirs.max(axis=1) >= top)) / (1 + len(by_chance)))
    if p_value < RHYTHM_LEVEL and top > 0.2:
        # Twice and three times the distance answer as loudly: the shortest lag that nearly does is the repeat.
        loud = int(np.flatnonzero(mine[0] >= NEARLY * top)[0])
        near = slice(loud, min(loud + 3, len(lags)))
        lag = int(lags[near][np.argmax(mine[0][near])])
        phase = np.array([y[k::lag].mean() for k in range(lag)])
        size = 50 * float(np.ptp(phase))
        found.append(Rhythm(kind="bars", every_mm=lag * pitch, size_percent=size, p_value=p_value))
    return tuple(found)


def _autocorrelation(rows: FloatArray, lags: NDArray[np.int_]) -> FloatArray:
    """Autocorrelation of every row at the lags, unbiased in the number of products."""
    e = rows - rows.mean(axis=1, keepdims=True)
    n = e.shape[1]
    variance = (e**2).mean(axis=1)
    return np.stack(
        [(e[:, lag:] * e[:, : n - lag]).sum(axis=1) / (n - lag) / variance for lag in lags], axis=1
    )
