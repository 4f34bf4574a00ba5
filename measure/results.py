"""What a measurement says: frozen results that turn into the JSON contract.

Densities are threads per inch and per centimetre; ``None`` stands only for "cannot be known here" (no scale given).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ..calibration.budget import BudgetLine
from ..calibration.notices import Notice

__all__ = [
    "Face",
    "SampleReading",
    "SettResult",
    "ThreadReading",
    "Verdict",
    "WeaveName",
    "WeaveReading",
]

Verdict = Literal["measured", "unsure", "refused"]
WeaveName = Literal["plain", "basket", "twill", "satin", "unknown"]
Face = Literal["balanced", "warp-faced", "weft-faced"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ThreadReading:
    """One thread system: the ends or the picks.

    Attributes
    ----------
    pitch_px : float
        Thread spacing on the straightened patch, pixels.
    per_inch, per_cm, u95_per_inch : float or None
        Density and its expanded uncertainty (95 %), scale included; None without a scale.
    per_1000_px : float
        Threads per 1000 pixels of the photo (of the flat picture where a card made one).
    count : int or None
        Threads counted one by one over the whole visible sample; None when they could not be tracked.
    count_mean : float or None
        Mean of the counts that are possible, each weighed by its probability: what sums should be worked out with.
    count_u95 : float or None
        Expanded uncertainty (95 %) of the count, in threads.
    across_width_per_inch : float or None
        All ends over full width (ends only).
    alternatives_per_inch : tuple of float
        Other readings the evidence does not rule out, most likely first (per 1000 px when there is no scale).
    probability : float
        Calibrated probability that the headline reading is the thread and not its multiple or fraction.
    positions_mm : ndarray of shape (count,) or None
        Cloth coordinate of every thread (u of ends, v of picks) along the middle of the sample.
    budget : tuple of BudgetLine
        Sources of the uncertainty, relative, in percent.
    """

    pitch_px: float
    per_inch: float | None
    per_cm: float | None
    u95_per_inch: float | None
    per_1000_px: float
    count: int | None = None
    count_mean: float | None = None
    count_u95: float | None = None
    across_width_per_inch: float | None = None
    alternatives_per_inch: tuple[float, ...] = ()
    probability: float = 1.0
    positions_mm: NDArray[np.float64] | None = None
    budget: tuple[BudgetLine, ...] = field(default=())


@dataclass(frozen=True, slots=True, kw_only=True)
class WeaveReading:
    """Name of the weave, its repeat in threads, and which system covers the face."""

    name: WeaveName
    repeat_ends: int | None
    repeat_picks: int | None
    face: Face


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleReading:
    """Size of the woven part and its outline in photo pixels (shape (N, 2)).

    `width_u95_mm` holds everything, scale and height of the cloth included; `width_edges_u95_mm` the finding of the two
    edges alone, for comparisons in which the scale is shared or counted elsewhere. `warp_from` says what told the way of the
    warp: the weaver (``"told"``), a band's length (``"length"``), the fringe (``"fringe"``), or only that it is taken to run down the
    photo (``"photo"``); `warp_runs` says which way that is.
    """

    width_mm: float | None
    width_u95_mm: float | None
    length_mm: float | None
    outline_px: NDArray[np.float64]
    width_edges_u95_mm: float | None = None
    warp_from: Literal["told", "length", "fringe", "photo"] = "told"
    warp_runs: Literal["down", "across"] = "down"


@dataclass(frozen=True, slots=True, kw_only=True)
class SettResult:
    """Everything `pickglass sett` says about one photo."""

    photo: str
    verdict: Verdict
    ends: ThreadReading
    picks: ThreadReading
    weave: WeaveReading
    sample: SampleReading
    notices: tuple[Notice, ...] = ()

    @property
    def across_width_u95_per_inch(self) -> float | None:
        """Expanded uncertainty (95 %) of all ends over the full width: of their number and of the width.

        The two are taken as independent (GUM 5.1.2); None where one of them is not known.
        """
        across, width_mm = self.ends.across_width_per_inch, self.sample.width_mm
        if across is None or not width_mm or self.sample.width_u95_mm is None or not self.ends.count:
            return None
        return across * math.hypot(
            self.sample.width_u95_mm / width_mm, (self.ends.count_u95 or 0.0) / self.ends.count
        )
