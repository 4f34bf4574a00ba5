"""General figures that stand in until the weaver's own sample says better. All are common practice, none is measured.

Each is a range; inside it nothing is known, so its standard uncertainty is half the range over root three (GUM 4.3.7).
"""

from __future__ import annotations

import math

from ..calibration.errors import UsageError
from ..calibration.units import MM_PER_INCH
from .quantities import Factor

__all__ = ["FIBRES", "LOOMS", "prior_percent", "prior_sampling", "prior_shrinkage", "prior_waste"]

# Loss in the first wash, percent of the off-loom length (common practice).
FIBRES: dict[str, tuple[float, float]] = {
    "wool": (10.0, 25.0),
    "cotton": (5.0, 15.0),
    "linen": (3.0, 8.0),
    "silk": (3.0, 8.0),
}
_ANY_FIBRE = (3.0, 25.0)

# Warp that cannot be woven, inches (weavers' records; body-tensioned: common practice, no published figure).
LOOMS: dict[str, tuple[float, float]] = {
    "floor": (27.0, 36.0),
    "rigid-heddle": (18.0, 26.0),
    "small-band": (10.0, 14.0),
    "body-tensioned": (12.0, 24.0),
}

# Percent ranges; from memory of weaving handbooks and common practice, wide on purpose.
_PERCENT: dict[str, tuple[float, float]] = {
    "draw-in": (4.0, 12.0),
    "take-up": (5.0, 15.0),
    # The ends of a warp-faced band do all the bending (Peirce's geometry: straight picks, crimped ends).
    "take-up of a band": (8.0, 25.0),
    "give on the loom": (0.0, 4.0),
    "weft crimp": (0.0, 8.0),
}


def _factor(name: str, low: float, high: float, unit: str, base: str, note: str) -> Factor:
    return Factor(
        name=name,
        value=(low + high) / 2,
        unit=unit,
        standard=(high - low) / 2 / math.sqrt(3.0),
        origin="prior",
        base=base,
        note=note,
    )


def prior_shrinkage(name: str, base: str, fibre: str | None) -> Factor:
    """Return the usual shrinkage of a fibre, or of any fibre when none is named."""
    if fibre is not None and fibre not in FIBRES:
        raise UsageError(
            "unknown-fibre", f"The fibre “{fibre}” is not known.", f"Use one of: {', '.join(FIBRES)}."
        )
    low, high = FIBRES[fibre] if fibre else _ANY_FIBRE
    return _factor(name, low, high, "%", base, f"{fibre or 'any fibre'} {low:g}–{high:g} %")


def prior_percent(name: str, base: str) -> Factor:
    """Return the usual draw-in, take-up (also ``"take-up of a band"``), give on the loom or weft crimp."""
    low, high = _PERCENT[name]
    return _factor(name.removesuffix(" of a band"), low, high, "%", base, f"{low:g}–{high:g} %")


def prior_waste(loom_kind: str) -> Factor:
    """Return the usual loom waste of a kind of loom."""
    if loom_kind not in LOOMS:
        raise UsageError(
            "unknown-loom-kind",
            f"The kind of loom “{loom_kind}” is not known.",
            f"Use one of: {', '.join(LOOMS)}.",
        )
    low, high = LOOMS[loom_kind]
    return _factor(
        "loom waste",
        low * MM_PER_INCH,
        high * MM_PER_INCH,
        "mm",
        "",
        f"{loom_kind} loom {low:g}–{high:g} in",
    )


def prior_sampling(sampled: bool) -> float:
    """Return the warp to set aside for a first sampler, in mm: none when this yarn has been sampled already."""
    return 0.0 if sampled else 12.0 * MM_PER_INCH
