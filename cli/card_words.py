"""How a printed card came out of the printer, in words."""

from __future__ import annotations

__all__ = ["HEIGHT", "WIDTH", "off_size", "printed_words"]

WIDTH, HEIGHT = ("width", "narrow", "wide"), ("height", "low", "high")

_EXACT_PERCENT = 0.05  # what the check bars can be read to


def printed_words(scale: tuple[float, float]) -> str:
    """Return what a print did to the size: ``"0.8 % too narrow and 0.6 % too low"``, or ``"to size"``."""
    across, upright = (100.0 * (share - 1.0) for share in scale)
    if max(abs(across), abs(upright)) < _EXACT_PERCENT:
        return "to size"
    return f"{off_size(across, WIDTH)} and {off_size(upright, HEIGHT)}"


def off_size(percent: float, way: tuple[str, str, str]) -> str:
    """Return by how much one way of a print is off."""
    name, small, large = way
    if abs(percent) < _EXACT_PERCENT:
        return f"right in {name}"
    return f"{abs(percent):z.1f} % too {large if percent > 0 else small}"
