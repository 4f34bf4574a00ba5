"""The report of many photos: side by side, each with its small marked picture, so that samples can be compared."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .charts import Reading, compare_chart
from .many_command import MOST_PICTURES
from .many_text import photo_names, record_cells, summary_line, verdict_word
from .report_blocks import page
from .request_text import options_text
from .rounding import plain
from .screen import printable

if TYPE_CHECKING:
    from .many import Outcome
    from .many_files import Done
    from .pipeline import Request

__all__ = ["many_report"]

MOST_NAMED = 12  # more numbers than that nobody looks up
MOST_COMPARED = 40  # rows of a chart that still fits on a sheet
_NUMBER = re.compile(r"(?<![\w.-])\d+(?:\.\d+)?")  # not those of a code such as A4-1
_SIGNS = {
    "measured": "✓ measured",
    "unsure": "? unsure",
    "refused": "– refused",
    "unreadable": "– unreadable",
}


def many_report(
    paths: Sequence[Path],
    outcomes: Mapping[Path, Outcome],
    done: Mapping[Path, Done],
    request: Request,
    *,
    cluster: str | None = None,
) -> bytes:
    """Return the report as an HTML file in UTF-8; photos done in an earlier run stand in it by their verdict."""
    names = photo_names(paths)
    rows = []
    for number, path in enumerate(paths, start=1):
        outcome = outcomes.get(path)
        before = done.get(path)
        if outcome is not None:
            cells, word = record_cells(outcome.record), verdict_word(outcome.verdict, outcome.exit_code)
        elif before is not None:
            cells, word = ("done before", "", ""), verdict_word(before.verdict, before.exit_code)
        else:
            continue
        trouble = ""
        if outcome is not None:
            trouble = " ".join(
                filter(None, (outcome.problem, outcome.next_step, outcome.doubt, outcome.doubt_step))
            )
        rows.append(
            {
                "number": number,
                "name": names[path],
                "verdict": word,
                "word": _SIGNS[word],
                "trouble": printable(trouble),
                "advice": "" if outcome is None else printable(outcome.advice),
                "cells": cells,
                "thumbnail": None if outcome is None else outcome.picture,
            }
        )
    context: dict[str, Any] = {
        "kind": "ends and picks of several photos",
        "title": _title(paths),
        "ribbon": None,
        "made_from": _made_from(len(paths), cluster),
        "summary": f"{summary_line(paths, outcomes, done)}.",
        "charts": _charts(paths, outcomes),
        "columns": ["ends per inch", "picks per inch", "width, mm"],
        "rows": rows,
        "thumbnails": any(row["thumbnail"] for row in rows),
        "cautions": _cautions(paths, outcomes, len(rows)),
        "method": [
            ("what was told", options_text(request) or "nothing beyond the photos"),
            ("program", f"pickglass {version('pickglass')}"),
            ("one photo closer", "pickglass sett PHOTO --report FILE.html shows every end and pick of it"),
        ],
    }
    return page("report_many.html.j2", context)


def _made_from(photos: int, cluster: str | None) -> str:
    told = "nothing was sent anywhere" if cluster is None else f"sent to the cluster at {printable(cluster)}"
    return f"{_photos(photos)}; {told}"


def _title(paths: Sequence[Path]) -> str:
    folders = {path.absolute().parent.name for path in paths}
    return printable(folders.pop()) if len(folders) == 1 else f"{len(paths)} photos"


def _charts(paths: Sequence[Path], outcomes: Mapping[Path, Outcome]) -> list[dict[str, Any]]:
    from markupsafe import Markup

    charts = []
    for name in ("ends", "picks"):
        readings = []
        for number, path in enumerate(paths, start=1):
            record = outcomes[path].record if path in outcomes else {}
            value, u95 = record.get(f"{name}_per_inch"), record.get(f"{name}_u95_per_inch")
            if isinstance(value, (int, float)) and isinstance(u95, (int, float)):
                sure = record["verdict"] == "measured"
                readings.append(Reading(label=str(number), value=float(value), u95=float(u95), sure=sure))
        if not 2 <= len(readings) <= MOST_COMPARED:
            continue
        told = ", ".join(f"photo {reading.label} {plain(reading.value)}" for reading in readings)
        heading = f"{name.capitalize()} per inch"
        svg = compare_chart(
            name, readings, unit=f"{name} per inch", title=f"{heading} of each photo", description=f"{told}."
        )
        charts.append({"heading": heading, "svg": Markup(svg)})  # our own, escaped
    return charts


def _cautions(paths: Sequence[Path], outcomes: Mapping[Path, Outcome], shown: int) -> list[str]:
    """Return the remarks of all photos, each once, with the photos it is about, those about most photos first."""
    about: dict[tuple[str, ...], list[tuple[int, str]]] = {}
    for number, path in enumerate(paths, start=1):
        outcome = outcomes.get(path)
        if outcome is None or outcome.problem:
            continue
        messages = [m for m in outcome.document.get("messages", []) if m["code"] not in outcome.told]
        for text in dict.fromkeys(printable(message["text"]) for message in messages):
            about.setdefault(tuple(_NUMBER.split(text)), []).append((number, text))
    remarks = [
        f"{_one_text([text for _, text in said])} ({_which([number for number, _ in said])})"
        for said in sorted(about.values(), key=len, reverse=True)
    ]
    if shown > MOST_PICTURES:
        remarks.append(f"With more than {MOST_PICTURES} photos the report holds no pictures.")
    return remarks


def _one_text(texts: Sequence[str]) -> str:
    """Return remarks that differ only in their numbers as one, with a range for each number that differs."""
    numbers = zip(*(_NUMBER.findall(text) for text in texts), strict=True)
    ranges = []
    for found in numbers:
        low, high = min(found, key=float), max(found, key=float)
        ranges.append(low if low == high else f"{low} to {high}")
    told = iter(ranges)
    return _NUMBER.sub(lambda _: next(told), texts[0])


def _which(numbers: Sequence[int]) -> str:
    """Return the numbers of some photos in words; how many there are, when they are too many."""
    if len(numbers) == 1:
        return f"photo {numbers[0]}"
    if len(numbers) > MOST_NAMED:
        return _photos(len(numbers))
    return f"photos {', '.join(map(str, numbers[:-1]))} and {numbers[-1]}"


def _photos(count: int) -> str:
    return "1 photo" if count == 1 else f"{count} photos"
