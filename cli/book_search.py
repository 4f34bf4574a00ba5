"""Looking for samples in the book, and what `--json` says of them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from .book_record import FACTS, newest
from .book_text import difference, unsure_systems

if TYPE_CHECKING:
    from .book_record import Record, Sample
    from .book_store import Change
    from .options import Span

__all__ = ["change_document", "compare_document", "list_document", "matching"]


def matching(
    samples: Iterable[Sample],
    *,
    yarn: str | None = None,
    weave: str | None = None,
    ends: Span | None = None,
    picks: Span | None = None,
) -> list[Sample]:
    """Return the samples that answer every wish.

    Ends and picks are those of the latest measurement, and every other reading that its photo allows; the sett that
    was warped stands in where nothing was measured.
    """
    found = []
    for sample in samples:
        record = newest(sample)
        figures = (record.figures if record else None) or {}
        sett = [] if sample.sett_per_inch is None else [sample.sett_per_inch]
        if (
            _says(yarn, sample.warp_yarn, sample.weft_yarn)
            and _says(weave, sample.weave, figures.get("weave_seen"))
            and _within(ends, _readings(figures, "ends") or sett)
            and _within(picks, _readings(figures, "picks"))
        ):
            found.append(sample)
    return found


def list_document(samples: Sequence[Sample]) -> dict[str, Any]:
    """Return the JSON document of `book list`: every record with its main figures."""
    return {
        "schema": "pickglass.book-list/1",
        "samples": [
            _facts(sample) | {"notes": list(sample.notes), "records": [_summary(r) for r in sample.records]}
            for sample in samples
        ],
    }


def compare_document(
    samples: tuple[Sample, Sample], records: tuple[Record | None, Record | None]
) -> dict[str, Any]:
    """Return the JSON document of `book compare`; differences are second minus first, null where unsure."""
    one, two = ((record.figures if record else None) or {} for record in records)
    differences: dict[str, Any] = {}
    for key, u95_key, system in (
        ("ends_per_inch", "ends_u95_per_inch", "ends"),
        ("picks_per_inch", "picks_u95_per_inch", "picks"),
        ("width_mm", "width_u95_mm", None),
    ):
        value, u95 = difference(one, two, key, u95_key, system) or (None, None)
        differences |= {key: value, u95_key: u95}
    return {
        "schema": "pickglass.book-compare/1",
        "samples": [
            _facts(sample) | {"record": None if record is None else _summary(record)}
            for sample, record in zip(samples, records, strict=True)
        ],
        "differences": differences,
    }


def change_document(changes: Sequence[Change]) -> dict[str, Any]:
    """Return the JSON document of `book add` and `book import`: what was kept, and which facts differ from the book."""
    return {
        "schema": "pickglass.book-change/1",
        "samples": [
            {
                "name": change.name,
                "created": change.created,
                "records_added": change.added,
                "records_known": change.known,
                "differing": [
                    {"fact": fact, "before": before, "given": given} for fact, before, given in change.facts
                ],
            }
            for change in changes
        ],
    }


def _says(wish: str | None, *texts: str | None) -> bool:
    return wish is None or any(wish.strip().casefold() in text.casefold() for text in texts if text)


def _within(wish: Span | None, readings: Sequence[float]) -> bool:
    return wish is None or any(wish.low <= reading <= wish.high for reading in readings)


def _readings(figures: dict[str, Any], system: str) -> list[float]:
    value = figures.get(f"{system}_per_inch")
    if value is None:
        return []
    others = figures.get(f"{system}_alternatives") if system in unsure_systems(figures) else None
    return [value, *(others or ())]


def _facts(sample: Sample) -> dict[str, Any]:
    return {"name": sample.name} | {fact: getattr(sample, fact) for fact in FACTS}


def _summary(record: Record) -> dict[str, Any]:
    return {
        "stage": record.stage,
        "date": record.date,
        "photo": record.photo,
        "photo_sha256": record.photo_sha256,
        "figures": record.figures,
    }
