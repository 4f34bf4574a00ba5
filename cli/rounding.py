"""Numbers as people read them: no more digits than the uncertainty supports.

Everywhere in this folder the format of a number with fixed digits carries the option "z" (PEP 682): what rounds to nothing has no
sign, so no cell can say "-0.0". `tests/cli/test_rounding.py` looks for one that was forgotten.
"""

import math

__all__ = ["plain", "with_uncertainty"]

FALLBACK_DIGITS = 4  # significant digits of a number that carries no uncertainty of its own


def with_uncertainty(value: float, u95: float | None) -> str:
    """Return ``"24.13 ± 0.17"``: the uncertainty to two digits when it begins with 1 or 2, else to one.

    Keeping two digits where the first is small avoids rounding the uncertainty itself by a third
    (the usual advice beside GUM 7.2.6: one or two digits suffice).
    """
    if u95 is None or not math.isfinite(u95) or u95 <= 0.0:
        return plain(value)
    exponent = math.floor(math.log10(u95))
    leading = u95 / 10.0**exponent
    decimals = (1 if leading < 2.95 else 0) - exponent
    if decimals <= 0:
        scale = 10.0**-decimals
        return f"{round(value / scale) * scale:z.0f} ± {round(u95 / scale) * scale:z.0f}"
    return f"{value:z.{decimals}f} ± {u95:z.{decimals}f}"


def plain(value: float, *, digits: int = FALLBACK_DIGITS) -> str:
    """Return `value` to four significant digits, or as many as told, without an exponent."""
    if value == 0.0 or not math.isfinite(value):
        return "0"
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    return f"{value:z.{decimals}f}"
