"""What the screen says of many photos: one line for each, the sum, and what to do with those that failed."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from .rounding import plain, with_uncertainty
from .screen import paragraph, printable, shade, width

if TYPE_CHECKING:
    from pathlib import Path

    from ..measure.records import Cell
    from .many import Outcome
    from .many_files import Done

__all__ = ["many_text", "photo_names", "record_cells", "summary_line", "verdict_word"]

_SHADE = {"measured": "good", "unsure": "care", "refused": "bad", "unreadable": "bad"}
EXIT_UNREADABLE = 2


def many_text(paths: Sequence[Path], outcomes: Mapping[Path, Outcome], done: Mapping[Path, Done]) -> str:
    """Return the table of all photos in the order they were named, what failed and why, and the sum."""
    names = photo_names(paths)
    rows: list[tuple[str, ...]] = [("photo", "", "ends/in", "picks/in", "width mm")]
    for path in paths:
        if path in outcomes:
            word = verdict_word(outcomes[path].verdict, outcomes[path].exit_code)
            rows.append((names[path], word, *record_cells(outcomes[path].record)))
        elif path in done:
            rows.append(
                (names[path], verdict_word(done[path].verdict, done[path].exit_code), "done before", "", "")
            )
    widths = [max(len(row[column]) for row in rows) for column in range(5)]
    lines = [_line(row, widths) for row in rows]
    blocks = ["\n".join(lines)]
    columns = width(sys.stdout)
    open_ones = [outcomes[p] for p in paths if p in outcomes and (outcomes[p].problem or outcomes[p].doubt)]
    blocks += [
        "\n".join(paragraph(text, columns=columns, first="  ", indent="      ") for text in texts)
        for texts in _open_matters(open_ones, names)
    ]
    blocks.append(f"  {summary_line(paths, outcomes, done)}")
    return "\n\n".join(blocks)


def summary_line(paths: Sequence[Path], outcomes: Mapping[Path, Outcome], done: Mapping[Path, Done]) -> str:
    """Return the sum in one line, such as ``"40 photos: 31 measured, 6 unsure, 2 refused, 1 unreadable"``."""
    counts = Counter(verdict_word(outcome.verdict, outcome.exit_code) for outcome in outcomes.values())
    counts.update(verdict_word(before.verdict, before.exit_code) for before in done.values())
    parts = [f"{counts[word]} {word}" for word in _SHADE if counts[word]]
    missing = len(paths) - len(outcomes) - len(done)
    if missing:
        parts.append(f"{missing} not looked at")
    photos = "1 photo" if len(paths) == 1 else f"{len(paths)} photos"
    text = f"{photos}: {', '.join(parts)}"
    return f"{text} ({len(done)} of them done before)" if done else text


def _open_matters(outcomes: Sequence[Outcome], names: Mapping[Path, str]) -> list[list[str]]:
    """Return what failed or stayed unsure with which photo, those that need the same together with what to do."""
    steps: dict[str, list[str]] = {}
    for outcome in outcomes:
        problem = printable(outcome.problem or outcome.doubt)
        # Most sentences on a failure name the photo themselves.
        told = problem if printable(outcome.path.name) in problem else f"{names[outcome.path]}: {problem}"
        steps.setdefault(printable(outcome.next_step or outcome.doubt_step), []).append(told)
    texts = []
    for step, problems in steps.items():
        to_do = [f"What to do{' with these' if len(problems) > 1 else ''}: {step}"] if step else []
        texts.append([*problems, *to_do])
    return texts


def verdict_word(verdict: str, exit_code: int) -> str:
    """Return the verdict, or that the file could not be read."""
    return "unreadable" if exit_code == EXIT_UNREADABLE else verdict


def record_cells(record: Mapping[str, Cell]) -> tuple[str, str, str]:
    """Return ends per inch, picks per inch and width with their uncertainties; per 1000 px without a scale."""
    densities = []
    for name in ("ends", "picks"):
        value, bare = record.get(f"{name}_per_inch"), record.get(f"{name}_per_1000_px")
        if value is None and isinstance(bare, (int, float)):
            densities.append(f"{plain(float(bare))} in 1000 px")
        else:
            densities.append(_pm(value, record.get(f"{name}_u95_per_inch")))
    return densities[0], densities[1], _pm(record.get("width_mm"), record.get("width_u95_mm"))


def _pm(value: Cell, u95: Cell) -> str:
    if not isinstance(value, (int, float)):
        return "–"
    return with_uncertainty(float(value), float(u95) if isinstance(u95, (int, float)) else None)


def _line(row: tuple[str, ...], widths: Sequence[int]) -> str:
    name, word, *numbers = (
        cell.ljust(size) if column < 2 else cell.rjust(size)
        for column, (cell, size) in enumerate(zip(row, widths, strict=True))
    )
    kind = _SHADE.get(row[1])
    return "  ".join(["", name, shade(word, kind, sys.stdout) if kind else word, *numbers]).rstrip()


def photo_names(paths: Sequence[Path]) -> dict[Path, str]:
    """Return the name of each photo: without its folder where that tells them apart."""
    often = Counter(path.name for path in paths)
    return {path: printable(path.name if often[path.name] == 1 else str(path)) for path in paths}
