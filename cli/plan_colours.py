"""Paint for colour names: from the photo's palette, the weaver's own list, or the common names of CSS."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence

from ..calibration.errors import UsageError

__all__ = ["Rgb", "paint_for", "parse_paint"]

Rgb = tuple[int, int, int]

# Weavers' names that CSS lacks or paints too loudly (own choice).
_NAMES: dict[str, Rgb] = {
    "red": (168, 33, 40),
    "green": (63, 112, 72),
    "blue": (47, 82, 148),
    "navy": (35, 42, 88),
    "teal": (30, 104, 104),
    "yellow": (224, 178, 62),
    "orange": (206, 112, 42),
    "purple": (104, 62, 122),
    "pink": (214, 132, 150),
    "brown": (110, 72, 46),
    "cream": (235, 224, 200),
    "natural": (226, 214, 188),
    "white": (250, 249, 245),
    "black": (32, 31, 33),
    "rust": (158, 76, 40),
    "mustard": (200, 150, 48),
    "undyed": (226, 214, 188),
    "warp": (206, 196, 176),
    "weft": (150, 140, 122),
}
_TONES = {"dark": 0.55, "deep": 0.7, "pale": 1.5, "light": 1.35}


def parse_paint(items: Iterable[str]) -> dict[str, str]:
    """Read ``NAME=#rrggbb`` items and return name -> ``#rrggbb``."""
    found = {}
    for item in items:
        name, equals, code = item.partition("=")
        if not equals or not name.strip() or not re.fullmatch("#[0-9a-fA-F]{6}", code.strip()):
            raise UsageError(
                "bad-colour",
                f"--colour “{item}” cannot be used.",
                "Write a name and its paint: --colour rust=#9e4c28",
            )
        found[name.strip().lower()] = code.strip()
    return found


def paint_for(names: Sequence[str], given: Mapping[str, str]) -> tuple[dict[str, Rgb], tuple[str, ...]]:
    """Return the paint of every name, and the names that had to be painted in greys."""
    paints: dict[str, Rgb] = {}
    unknown: list[str] = []
    for name in dict.fromkeys(names):
        code = given.get(name, name if name.startswith("#") else "")
        paint = _from_code(code) if code else _from_name(name)
        if paint is None:
            grey = (90 + 53 * len(unknown)) % 180 + 40
            paint = (grey, grey, grey)
            unknown.append(name)
        paints[name] = paint
    return paints, tuple(unknown)


def _from_code(code: str) -> Rgb:
    return int(code[1:3], 16), int(code[3:5], 16), int(code[5:7], 16)


def _from_name(name: str) -> Rgb | None:
    base = re.sub(r"-\d+$", "", name)
    tone, dash, rest = base.partition("-")
    if base in _NAMES:
        return _NAMES[base]
    if dash and tone in _TONES:
        plain = _from_name(rest)
        return None if plain is None else _toned(plain, _TONES[tone])
    from PIL import ImageColor

    try:
        red, green, blue = ImageColor.getrgb(base.replace("-", ""))[:3]
    except ValueError:
        return None
    return red, green, blue


def _toned(paint: Rgb, factor: float) -> Rgb:
    if factor <= 1.0:
        red, green, blue = (round(c * factor) for c in paint)
    else:
        red, green, blue = (round(255 - (255 - c) / factor) for c in paint)
    return red, green, blue
