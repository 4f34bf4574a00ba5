"""What `pickglass book` tells a weaver: short tables, and one sentence for everything that was done."""

from __future__ import annotations

import math
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from .book_record import FACT_WORDS, FACTS, newest, photo_word, stage_word
from .rounding import plain, with_uncertainty
from .screen import paragraph, printable, width

if TYPE_CHECKING:
    from .book_record import Record, Sample
    from .book_store import Change

__all__ = [
    "LEGEND",
    "added_text",
    "compare_rows",
    "compare_text",
    "difference",
    "exported_text",
    "fact_rows",
    "imported_text",
    "life_rows",
    "list_text",
    "other_readings",
    "quoted",
    "show_text",
    "stage_note",
    "unsure_systems",
]

LEGEND = "? unsure: count by eye before you rely on it."
_MOST_TOLD = 8  # so many differing facts are told one by one
_JOINERS = (
    "\u200c\u200d"  # part of Persian words and of many emoji; every other unseen character is shown as ?
)
_COMPARED = (
    ("ends per inch", "ends_per_inch", "ends_u95_per_inch", "ends"),
    ("picks per inch", "picks_per_inch", "picks_u95_per_inch", "picks"),
    ("width mm", "width_mm", "width_u95_mm", None),
)


def list_text(samples: Sequence[Sample], *, total: int, searched: bool) -> str:
    """Return the samples found, one a line, as last measured."""
    if not samples:
        if searched and total:
            return f"None of the {_many(total, 'sample')} in the book is like that."
        return "The book is empty so far. Put in the first sample: pickglass book add NAME --from FILE.json"
    rows = [("sample", "stage", "ends/in", "picks/in", "weave", "yarn")]
    for sample in samples:
        record = newest(sample)
        figures = (record.figures if record else None) or {}
        ends = _density(figures, "ends")
        if ends == "–" and sample.sett_per_inch is not None:
            ends = f"{sample.sett_per_inch:.4g} set"
        rows.append(
            (
                _shown(sample.name),
                stage_word(record.stage) if record else "–",
                ends,
                _density(figures, "picks"),
                _shown(sample.weave or figures.get("weave_seen") or "–"),
                _yarns(sample),
            )
        )
    blocks = ["\n".join(_table(rows, width(sys.stdout), right=(2, 3), shrink=(0, 5, 4)))]
    if searched:
        blocks.append(f"{len(samples)} of {_many(total, 'sample')}.")
    blocks += _legend(any("?" in cell for row in rows[1:] for cell in row[2:4]))
    return "\n\n".join(blocks)


def show_text(sample: Sample) -> str:
    """Return everything about one sample: what it is made of, then its life, stage by stage."""
    columns = width(sys.stdout)
    facts = fact_rows(sample)
    lines = [_shown(sample.name)]
    pad = max((len(word) for word, _ in facts), default=0) + 2
    for word, text in facts:
        lines.append(paragraph(text, columns=columns, first=f"  {word:<{pad}}", indent=" " * (pad + 2)))
    blocks = ["\n".join(lines)]
    if sample.records:
        blocks.append("\n".join(_table(life_rows(sample), columns, right=(2, 3, 4), shrink=(6, 5))))
        unsure = any(unsure_systems(r.figures or {}) for r in sample.records)
        blocks += _legend(unsure, [f"  {line}" for line in other_readings(sample)])
    else:
        blocks.append("Nothing was measured yet: pickglass book add NAME --from FILE.json")
    if sample.notes:
        notes = (paragraph(_shown(n), columns=columns, first="  - ", indent="    ") for n in sample.notes)
        blocks.append("Notes\n" + "\n".join(notes))
    return "\n\n".join(blocks)


def fact_rows(sample: Sample) -> list[tuple[str, str]]:
    """Return what is known of how a sample was made: (name, text)."""
    facts = [(FACT_WORDS[fact], _fact(fact, getattr(sample, fact))) for fact in FACTS]
    facts = [(word, text) for word, text in facts if text != "–"]
    if sample.warp_yarn is not None and sample.warp_yarn == sample.weft_yarn:
        facts = [("yarn", _shown(sample.warp_yarn)), *facts[2:]]
    return facts


def life_rows(sample: Sample) -> list[tuple[str, ...]]:
    """Return the headings, then a row for every record from the loom to the last wash."""
    headings = ("stage", "date", "ends/in", "picks/in", "width mm", "weave", "photo")
    return [headings, *map(_row, sample.records)]


def compare_text(one: Sample, two: Sample, first: Record | None, second: Record | None) -> str:
    """Return two samples side by side, with the difference and what it is worth."""
    rows = compare_rows(one, two, first, second)
    columns = width(sys.stdout)
    blocks = ["\n".join(_table(rows, columns, right=(), shrink=(1, 2)))]
    note = stage_note(one, two, first, second)
    if note:
        blocks.append(paragraph(f"Note: {note}", columns=columns))
    blocks += _legend(any(unsure_systems((r.figures if r else None) or {}) for r in (first, second)))
    return "\n\n".join(blocks)


def compare_rows(
    one: Sample, two: Sample, first: Record | None, second: Record | None
) -> list[tuple[str, ...]]:
    """Return the headings, then a row for everything that two samples can be compared by."""
    rows: list[tuple[str, ...]] = [("", _shown(one.name), _shown(two.name), "difference")]
    for fact in FACTS:
        texts = [_fact(fact, getattr(sample, fact)) for sample in (one, two)]
        if texts != ["–", "–"]:
            rows.append((FACT_WORDS[fact], *texts, "same" if texts[0] == texts[1] else ""))
    left, right = ((record.figures if record else None) or {} for record in (first, second))
    figures = (left, right)
    stages = [stage_word(record.stage) if record else "–" for record in (first, second)]
    rows.append(("stage", *stages, ""))
    for word, key, u95_key, system in _COMPARED:
        shown = [_density(f, system) if system else _width(f) for f in figures]
        rows.append((word, *shown, _difference_words(left, right, key, u95_key, system)))
    seen = [_shown(f.get("weave_seen") or "–") for f in figures]
    rows.append(("weave in the photo", *seen, ""))
    rows.append(("face", *(f.get("face") or "–" for f in figures), ""))
    return rows


def stage_note(one: Sample, two: Sample, first: Record | None, second: Record | None) -> str:
    """Return a caution where two samples were measured at different stages, else nothing."""
    if first is None or second is None or first.stage == second.stage:
        return ""
    return (
        f"{_shown(one.name)} was measured {stage_word(first.stage)}, {_shown(two.name)} {stage_word(second.stage)}, so "
        "part of the difference is the wash or the loom's tension. Compare at one stage with --stage."
    )


def added_text(change: Change, record: Record | None, *, stage_given: bool) -> str:
    """Return what `book add` did."""
    name = quoted(change.name)
    lines = [f"New in the book: {name}." if change.created else f"Added to {name}."]
    if change.known:
        lines = [f"{name} has this {_kind(record)} already; it was not added twice."]
    elif record is not None:
        said = stage_word(record.stage)
        lines.append(f"  {said}, {record.date}: {_reading(record)}")
        if not stage_given:
            lines.append(f"  Taken as {said}; if it was not, name the stage with --stage.")
        lines += _other_photo(record)
    lines += [
        f"  The {FACT_WORDS[fact]} was {_value(fact, old)} and is now {_value(fact, new)}."
        for fact, old, new in change.facts
    ]
    if record is not None and unsure_systems(record.figures or {}):
        lines.append("  The measurement says that it is unsure, so the book marks it with a question mark.")
    return "\n".join(lines)


def exported_text(samples: Sequence[Sample], target: str) -> str:
    """Return what `book export` did."""
    records = sum(len(sample.records) for sample in samples)
    return f"Wrote {_shown(target)}: {_many(len(samples), 'sample')}, {_many(records, 'measurement')}."


def imported_text(changes: Sequence[Change], source: str) -> str:
    """Return what `book import` did."""
    new = sum(change.created for change in changes)
    added, known = (sum(getattr(change, part) for change in changes) for part in ("added", "known"))
    counts = f"{_many(new, 'new sample')}, {len(changes) - new} known by name"
    kept = f"{_many(added, 'measurement')} added, {known} there already"
    lines = [f"Imported from {_shown(source)}: {counts}; {kept}."]
    differing = [(change.name, *fact) for change in changes for fact in change.facts]
    lines += [
        f"  Left as it was: the {FACT_WORDS[fact]} of {quoted(name)} is {_value(fact, old)}; "
        f"the file says {_value(fact, new)}."
        for name, fact, old, new in differing[:_MOST_TOLD]
    ]
    if len(differing) > _MOST_TOLD:
        lines.append(
            f"  Left as they were: {len(differing) - _MOST_TOLD} more that the file says differently."
        )
    return "\n".join(lines)


def difference(
    one: dict[str, Any], two: dict[str, Any], key: str, u95_key: str, system: str | None
) -> tuple[float, float | None] | None:
    """Return second minus first with its expanded uncertainty; None where a figure is missing or unsure.

    The two photos are independent, so the uncertainties add as the root of the sum of squares (GUM 5.1.2).
    """
    values = one.get(key), two.get(key)
    if (
        values[0] is None
        or values[1] is None
        or (system and any(system in unsure_systems(f) for f in (one, two)))
    ):
        return None
    u95 = one.get(u95_key), two.get(u95_key)
    both = None if u95[0] is None or u95[1] is None else math.hypot(u95[0], u95[1])
    return values[1] - values[0], both


def unsure_systems(figures: dict[str, Any]) -> tuple[str, ...]:
    """Return which of ends and picks can be read in more than one way."""
    if figures.get("verdict") != "unsure":
        return ()
    doubtful = tuple(system for system in ("ends", "picks") if figures.get(f"{system}_alternatives"))
    return doubtful or ("ends", "picks")


def quoted(name: str) -> str:
    """Return a name between quotation marks, fit for the terminal."""
    return f"“{_shown(name)}”"


def _shown(text: str) -> str:
    return "".join(c if c in _JOINERS else printable(c) for c in text)


def _many(count: int, word: str) -> str:
    return f"{count} {word}{'' if count == 1 else 's'}"


def _value(fact: str, value: Any) -> str:
    return f"“{_fact(fact, value)}”"


def _fact(fact: str, value: Any) -> str:
    if value is None:
        return "–"
    return f"{value:.4g} per inch" if fact == "sett_per_inch" else _shown(value)


def _yarns(sample: Sample) -> str:
    words = dict.fromkeys(_shown(yarn) for yarn in (sample.warp_yarn, sample.weft_yarn) if yarn)
    return " / ".join(words) or "–"


def _density(figures: dict[str, Any], system: str | None) -> str:
    value, doubt = figures.get(f"{system}_per_inch"), "?" if system in unsure_systems(figures) else ""
    if value is None:
        return "no scale" if figures.get(f"{system}_per_1000_px") else "–"
    return with_uncertainty(value, figures.get(f"{system}_u95_per_inch")) + doubt


def _width(figures: dict[str, Any]) -> str:
    value = figures.get("width_mm")
    return "–" if value is None else with_uncertainty(value, figures.get("width_u95_mm"))


def _row(record: Record) -> tuple[str, ...]:
    figures = record.figures or {}
    return (
        stage_word(record.stage),
        record.date,
        _density(figures, "ends"),
        _density(figures, "picks"),
        _width(figures),
        _shown(figures.get("weave_seen") or "–"),
        _shown(record.photo or "–") + (" (kept by hash)" if record.photo_sha256 and not figures else ""),
    )


def other_readings(sample: Sample) -> list[str]:
    """Return how else the unsure measurements of a sample can be read."""
    return [
        f"{stage_word(record.stage)}, {record.date}: {system} could also be "
        + " or ".join(plain(value) for value in figures[f"{system}_alternatives"])
        + (" per inch." if figures.get(f"{system}_per_inch") is not None else " per 1000 pixels.")
        for record in sample.records
        if unsure_systems(figures := record.figures or {})
        for system in ("ends", "picks")
        if figures[f"{system}_alternatives"]
    ]


def _difference_words(
    one: dict[str, Any], two: dict[str, Any], key: str, u95_key: str, system: str | None
) -> str:
    found = difference(one, two, key, u95_key, system)
    if found is None:
        return "unsure" if one.get(key) is not None and two.get(key) is not None else "–"
    value, u95 = found
    if u95 is not None and abs(value) <= u95:
        return "none that can be told"
    text = with_uncertainty(abs(value), u95)
    return f"{'+' if value > 0 else '-'}{text}" if value else "none"


def _other_photo(record: Record) -> list[str]:
    named = photo_word((record.document or {}).get("photo"), "The measurement")
    if named in (None, record.photo):
        return []
    photos = f"the photo {_shown(named or '')}, not {_shown(record.photo or '')}"
    return [f"  The measurement names {photos}: make sure that they belong together."]


def _kind(record: Record | None) -> str:
    return "photo" if record is not None and record.figures is None else "measurement"


def _reading(record: Record) -> str:
    figures = record.figures
    if figures is None:
        return f"photo {_shown(record.photo or '')}, no measurement"
    ends, picks = _density(figures, "ends"), _density(figures, "picks")
    if "no scale" in (ends, picks):
        return "measured without a scale"
    return f"{ends} ends and {picks} picks per inch"


def _legend(needed: bool, details: Sequence[str] = ()) -> list[str]:
    if not needed:
        return []
    return ["\n".join([LEGEND, *details])]


def _table(
    rows: Sequence[Sequence[str]], columns: int, *, right: Sequence[int], shrink: Sequence[int]
) -> list[str]:
    """Return aligned lines; the widest of the columns in `shrink` are cut until a line fits."""
    from rich.cells import cell_len, set_cell_size  # knows how wide emoji and Asian letters are shown

    widths = [max(cell_len(row[n]) for row in rows) for n in range(len(rows[0]))]
    spare = columns - 2 * len(widths)
    while sum(widths) > spare:
        widest = max(shrink, key=lambda n: widths[n])
        if widths[widest] <= 8:
            break
        widths[widest] -= 1
    lines = []
    for row in rows:
        cells = []
        for n, cell in enumerate(row):
            cut = set_cell_size(cell, widths[n] - 1) + "…" if cell_len(cell) > widths[n] else cell
            blank = " " * (widths[n] - cell_len(cut))
            cells.append(blank + cut if n in right else cut + blank)
        lines.append(f"  {'  '.join(cells)}".rstrip())
    return lines
