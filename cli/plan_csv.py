"""The threading as a table for a spreadsheet, one row per end."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ..measure.colour_order import ThreadedEnd

__all__ = ["safe_cell", "threading_csv"]

_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def safe_cell(text: str) -> str:
    """Return `text` so that no spreadsheet takes it for a formula: a leading apostrophe where one could begin."""
    return f"'{text}" if text.startswith(_FORMULA_STARTS) else text


def threading_csv(chart: Sequence[ThreadedEnd], unsure_ends: Sequence[int] = ()) -> bytes:
    """Return the chart as CSV in UTF-8 (with the mark that spreadsheets need to see that)."""
    unsure = set(unsure_ends)
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(["end", "colour", "opening", "look at the photo"])
    for end in chart:
        writer.writerow(
            [end.number, safe_cell(end.colour), end.opening, "colour unsure" if end.number in unsure else ""]
        )
    return out.getvalue().encode("utf-8-sig")
