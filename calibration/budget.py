"""Uncertainty budget of a scale or a reading, combined the GUM way.

Reference: JCGM 100:2008 (GUM), clauses 4.3.7 (rectangular distribution), 5.1.2 (root sum of squares
of uncorrelated inputs) and 6.2.1 (expanded uncertainty, coverage factor 2).
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["COVERAGE_FACTOR", "BudgetLine", "combine_percent", "rectangular_percent"]

COVERAGE_FACTOR = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetLine:
    """One source of uncertainty.

    Attributes
    ----------
    name : str
        What it is, in plain words ("card edges", "cloth height").
    standard_percent : float
        Standard uncertainty (one sigma) relative to the measured value, in percent.
    kind : str
        ``"A"`` when it comes from scatter seen in this photo, ``"B"`` when from elsewhere (GUM 3.3.4).
    origin : str
        Where the figure comes from.
    """

    name: str
    standard_percent: float
    kind: str
    origin: str


def rectangular_percent(half_width_percent: float) -> float:
    """Return the standard uncertainty of a quantity known only to lie within +/- `half_width_percent`."""
    return half_width_percent / math.sqrt(3.0)


def combine_percent(lines: Iterable[BudgetLine]) -> float:
    """Combine uncorrelated lines to the expanded uncertainty (95 %), in percent."""
    return COVERAGE_FACTOR * math.sqrt(math.fsum(line.standard_percent**2 for line in lines))
