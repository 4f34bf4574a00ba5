"""Plain names for colours measured in CIELAB, usable in the notation of colour orders."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["name_colours"]

Array = NDArray[np.float64]


def name_colours(palette: Array) -> tuple[str, ...]:
    """Return distinct plain names for CIELAB colours of shape (K, 3), such as ``red``, ``dark-green``, ``red-2``."""
    names: list[str] = []
    for colour in palette:
        name = _plain_name(colour)
        taken = sum(1 for other in names if other.rstrip("-0123456789") == name)
        names.append(f"{name}-{taken + 1}" if taken else name)
    return tuple(names)


# CIELAB hue angles where one name gives way to the next (own choice, checked by eye on common dyes).
_HUES = ((20.0, "pink"), (45.0, "red"), (70.0, "orange"), (105.0, "yellow"), (170.0, "green"))
_HUES_COOL = ((225.0, "teal"), (295.0, "blue"), (330.0, "purple"), (361.0, "pink"))


def _plain_name(lab: Array) -> str:
    lightness, a, b = (float(x) for x in lab)
    chroma, hue = float(np.hypot(a, b)), float(np.degrees(np.arctan2(b, a)) % 360.0)
    if chroma < 9.0 and not (lightness < 40 and chroma > 6):
        steps = ((18.0, "black"), (40.0, "dark-grey"), (62.0, "grey"), (80.0, "light-grey"), (101.0, "white"))
        return next(name for limit, name in steps if lightness < limit)
    if lightness > 78 and chroma < 25:
        return "cream" if 45 < hue < 115 else "white"
    name = next(name for limit, name in (*_HUES, *_HUES_COOL) if hue < limit)
    if name == "pink" and lightness < 55:
        name = "red" if hue < 50 or hue > 345 else "purple"
    if name in ("orange", "yellow") and lightness < 55:
        return "brown"
    if lightness < 30:
        return "navy" if name == "blue" else f"dark-{name}"
    return f"light-{name}" if lightness > 75 and name != "yellow" else name
