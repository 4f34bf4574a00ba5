"""The tables of `pickglass evenness` for a spreadsheet: one row per pick, one row per station."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from .plan_csv import safe_cell

if TYPE_CHECKING:
    from ..measure.evenness import Evenness

__all__ = ["picks_csv", "stations_csv", "stations_path"]

Row = Sequence[str | float | None]


def stations_path(path: Path) -> Path:
    """Return the name of the table of stations that belongs to the table of picks `path`."""
    return path.with_name(f"{path.stem}-stations{path.suffix}")


def picks_csv(bands: Sequence[tuple[str, Evenness]]) -> bytes:
    """Return one row per pick of every band (its name and what was found)."""
    rows: list[Row] = []
    for name, evenness in bands:
        trace = evenness.trace
        last: float | None = None
        for number, (at, inferred) in enumerate(
            zip(trace.pick_mm.tolist(), trace.inferred.tolist(), strict=True), 1
        ):
            spacing: float | None = None if last is None else at - last
            rows.append([name, number, at, spacing, "inferred" if inferred else "followed"])
            last = at
    return _table(["photo", "pick", "at_mm", "from_pick_before_mm", "how"], rows)


def stations_csv(bands: Sequence[tuple[str, Evenness]]) -> bytes:
    """Return one row per station of every band."""
    rows: list[Row] = [
        [
            name,
            s.at_mm,
            s.picks_per_inch,
            s.ends_per_inch,
            s.width_mm,
            s.left_mm,
            s.right_mm,
            None if s.shape is None else s.shape.bow_percent,
            None if s.shape is None else s.shape.skew_percent,
            s.warp_share,
        ]
        for name, evenness in bands
        for s in evenness.stations
    ]
    head = ["photo", "at_mm", "picks_per_inch", "ends_per_inch", "width_mm", "left_mm", "right_mm"]
    return _table([*head, "bow_percent", "skew_percent", "visible_warp_share"], rows)


def _table(head: list[str], rows: Iterable[Row]) -> bytes:
    """Return CSV in UTF-8 with the mark spreadsheets need; a file name cannot pass for a formula."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(head)
    for row in rows:
        writer.writerow([_cell(value) for value in row])
    return out.getvalue().encode("utf-8-sig")


def _cell(value: str | float | None) -> str | int:
    if value is None:
        return ""
    if isinstance(value, str):
        return safe_cell(value)
    return value if isinstance(value, int) else f"{value:z.4f}"
