"""Lengths, densities and weights of a plan in both units, the weaver's own first."""

from __future__ import annotations

from dataclasses import dataclass

from ..calibration.units import MM_PER_INCH
from ..measure.quantities import GRAMS_PER_OUNCE, MM_PER_YARD
from .rounding import with_uncertainty

__all__ = ["PlanUnits"]

_LONG_MM = 2000.0  # longer lengths are told in metres instead of centimetres


@dataclass(frozen=True, slots=True)
class PlanUnits:
    """Writes amounts in both units.

    Attributes
    ----------
    metric_first : bool
        Whether metric units come first and the others in brackets.
    """

    metric_first: bool = False

    def length(self, value_mm: float) -> str:
        """Return a length: ``"24.1 in (61.3 cm)"``, longer ones with metres."""
        inches = f"{value_mm / MM_PER_INCH:z.1f} in"
        metric = f"{value_mm / 1000:z.2f} m" if value_mm >= _LONG_MM else f"{value_mm / 10:z.1f} cm"
        return self._both(metric, inches)

    def size(self, value_mm: float, u95_mm: float) -> str:
        """Return a size with its margin in both units."""
        return self._both(*self.size_apart(value_mm, u95_mm))

    def size_apart(self, value_mm: float, u95_mm: float) -> tuple[str, str]:
        """Return a size with its margin, metric and in inches."""
        return (
            f"{with_uncertainty(value_mm / 10, u95_mm / 10)} cm",
            f"{with_uncertainty(value_mm / MM_PER_INCH, u95_mm / MM_PER_INCH)} in",
        )

    def yarn(self, value_mm: float) -> str:
        """Return a length of yarn: ``"1518 yd (1388 m)"``."""
        metres = value_mm / 1000
        digits = 0 if metres >= 10 else 1
        return self._both(f"{metres:z.{digits}f} m", f"{value_mm / MM_PER_YARD:z.{digits}f} yd")

    def mass(self, value_g: float | None) -> str:
        """Return a weight: ``"1.6 oz (45 g)"``; empty where it is not known."""
        if value_g is None:
            return ""
        grams = f"{value_g:z.0f}" if value_g >= 10 else f"{value_g:z.1f}"
        return self._both(f"{grams} g", f"{value_g / GRAMS_PER_OUNCE:z.1f} oz")

    def density(self, per_inch: float, what: str = "") -> str:
        """Return threads over a length: ``"20.0/in (7.9/cm)"``, or ``"20.0 picks/in (7.9/cm)"``."""
        first, other = self.ordered(f"{per_inch * 10 / MM_PER_INCH:z.1f}", f"{per_inch:z.1f}")
        here, there = self.ordered("cm", "in")
        return f"{first}{what and f' {what}'}/{here} ({other}/{there})"

    def heddle(self, per_inch: float) -> str:
        """Return the size of a heddle or reed as it is sold: ``"10.0/in (39/10cm)"``."""
        return self._both(f"{per_inch * 100 / MM_PER_INCH:z.0f}/10cm", f"{per_inch:z.1f}/in")

    def count(self, per_inch: float) -> str:
        """Return threads per `per` as a number alone: ``"20.0"``."""
        return f"{self.threads(per_inch):z.1f}"

    def threads(self, per_inch: float) -> float:
        """Return threads per inch as threads per `per`."""
        return per_inch * 10 / MM_PER_INCH if self.metric_first else per_inch

    @property
    def per(self) -> str:
        """The length over which threads are counted, in short: ``"in"`` or ``"cm"``."""
        return "cm" if self.metric_first else "in"

    def name(self, name: str) -> str:
        """Return the name of a figure, such as "picks per inch", with the unit in which it is shown."""
        return name.replace("per inch", "per cm") if self.metric_first else name

    def ordered(self, metric: str, inches: str) -> tuple[str, str]:
        """Return the weaver's own of two, then the other."""
        return (metric, inches) if self.metric_first else (inches, metric)

    def _both(self, metric: str, inches: str) -> str:
        first, other = self.ordered(metric, inches)
        return f"{first} ({other})"
