"""The sample book as a JSON document or a table, there and back; a file is checked whole before anything is kept."""

from __future__ import annotations

import csv
import io
import json
import math
import os
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, BinaryIO, NoReturn

from ..calibration.errors import UsageError
from .book_record import (
    FACT_WORDS,
    FACTS,
    FIGURES,
    Record,
    Sample,
    check_date,
    check_document,
    check_fact,
    check_hash,
    check_name,
    check_notes,
    check_stage,
    document_from_figures,
    figures_of,
    name_key,
    photo_word,
)
from .plan_csv import safe_cell

__all__ = [
    "COLUMNS",
    "SCHEMA",
    "book_csv",
    "book_json",
    "parse_csv",
    "parse_json",
    "parse_measurement",
    "read_bounded",
    "sample_document",
]

SCHEMA = "pickglass.book/1"
MOST_BYTES = 200_000_000
COLUMNS = ("name", *FACTS, "notes", "stage", "date", "photo", "photo_sha256", *FIGURES)
_RECORD_KEYS = ("stage", "date", "photo", "photo_sha256", "measurement")
_NUMBER_FIGURES = frozenset(
    figure for figure in FIGURES if figure.endswith(("_per_inch", "_mm", "_px", "_count"))
)
_LIST_FIGURES = ("ends_alternatives", "picks_alternatives")


def read_bounded(path: Path, *, most_bytes: int = MOST_BYTES) -> bytes:
    """Return what is in a file.

    Raises
    ------
    UsageError
        If it is missing, no file, unreadable, or larger than `most_bytes`.
    """
    if os.path.exists(path) and not os.path.isfile(path):
        _refuse("not-a-file", f"{path} is not a file.", "Give the name of a file.")
    try:
        with path.open("rb") as file:
            return take_bounded(file, str(path), most_bytes=most_bytes)
    except FileNotFoundError:
        _refuse("no-file", f"{path} does not exist.", "Look at the name, or give another.")
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        _refuse("unreadable-file", f"{path} cannot be read ({reason}).", "Choose another file.")


def take_bounded(file: BinaryIO, where: str, *, most_bytes: int = MOST_BYTES) -> bytes:
    """Return what an open file holds, but refuse more than `most_bytes`."""
    content = file.read(most_bytes + 1)
    if len(content) > most_bytes:
        _refuse(
            "file-too-large", f"{where} is larger than {most_bytes // 1_000_000} MB.", "Give a smaller file."
        )
    return content


# JSON: the whole book.


def sample_document(sample: Sample) -> dict[str, Any]:
    """Return one sample with all its records as it stands in the JSON of a book."""
    return {
        "name": sample.name,
        **{fact: getattr(sample, fact) for fact in FACTS},
        "notes": list(sample.notes),
        "records": [
            {
                "stage": record.stage,
                "date": record.date,
                "photo": record.photo,
                "photo_sha256": record.photo_sha256,
                "measurement": record.document,
            }
            for record in sample.records
        ],
    }


def book_json(samples: Iterable[Sample]) -> bytes:
    """Return the book as one JSON document, one sample a line; the same book gives the same bytes."""
    lines = ",\n".join(json.dumps(sample_document(sample), allow_nan=False) for sample in samples)
    return f'{{"schema": "{SCHEMA}", "samples": [\n{lines}\n]}}\n'.encode("ascii")


def parse_json(content: bytes, where: str) -> list[Sample]:
    """Read a book from JSON.

    Raises
    ------
    UsageError
        At the first thing that is wrong, naming the sample it is in.
    """
    book = _load_json(content, where, "It should be a file that pickglass book export wrote.")
    schema = book.get("schema") if isinstance(book, dict) else None
    if not isinstance(book, dict) or schema != SCHEMA:
        if isinstance(schema, str) and schema.startswith("pickglass.book/"):
            _refuse(
                "newer-book",
                f"{where} was written by a newer pickglass (“{schema}”).",
                "Bring pickglass up to date, then import it again.",
            )
        step = "It should be a file that pickglass book export wrote."
        if isinstance(schema, str) and schema.startswith("pickglass."):
            step = f"A single measurement goes in with pickglass book add NAME --from {where}."
        _refuse("not-a-book", f"{where} is not an exported sample book.", step)
    return [
        _parse_sample(entry, f"{where}, sample {number}")
        for number, entry in enumerate(_entries(book, ("schema", "samples"), "samples", where), start=1)
    ]


def parse_measurement(content: bytes, where: str) -> dict[str, Any]:
    """Read one saved measurement and check it."""
    remake = "Write it with: pickglass sett PHOTO --json > FILE.json"
    return check_document(_load_json(content, where, remake), where)


def _load_json(content: bytes, where: str, step: str) -> Any:
    def no_number(text: str) -> NoReturn:
        _refuse("not-finite", f"{where} holds {text} where a number should be.", step)

    try:
        return json.loads(content.decode("utf-8-sig"), parse_constant=no_number)
    except (ValueError, RecursionError):
        _refuse("not-json", f"{where} cannot be read as JSON; it may be cut off or changed.", step)


def _entries(holder: dict[str, Any], keys: Sequence[str], key: str, where: str) -> list[Any]:
    """Return the list under `key` of an object that may hold nothing but `keys`."""
    for strange in holder:
        if strange not in keys:
            _refuse(
                "unknown-field",
                f"{where} says “{strange[:60]}”, which pickglass would lose.",
                "Take that out, or bring pickglass up to date.",
            )
    entries = holder.get(key)
    if not isinstance(entries, list):
        _refuse("bad-book", f"{where} has no list of {key}.", "Export the book again.")
    return entries


def _parse_sample(entry: object, where: str) -> Sample:
    if not isinstance(entry, dict):
        _refuse("bad-book", f"{where} is no sample.", "Export the book again.")
    records = _entries(entry, ("name", *FACTS, "notes", "records"), "records", where)
    name = check_name(entry.get("name"), where)
    where = f"{where} (“{name}”)"
    notes = entry.get("notes", [])
    if not isinstance(notes, list) or not all(isinstance(line, str) for line in notes):
        _refuse("bad-text", f"{where}: the notes are not a list of texts.", "Export the book again.")
    return Sample(
        name=name,
        notes=check_notes("\n".join(notes), where),
        records=tuple(_parse_record(record, where) for record in records),
        **{fact: check_fact(fact, entry.get(fact), where) for fact in FACTS},
    )


def _parse_record(entry: object, where: str) -> Record:
    if not isinstance(entry, dict) or not set(entry) <= set(_RECORD_KEYS):
        _refuse("bad-book", f"{where}: a record is not as pickglass writes it.", "Export the book again.")
    document = entry.get("measurement")
    if document is not None:
        document = check_document(document, where)
    return _whole_record(
        Record(
            stage=check_stage(entry.get("stage"), where),
            date=check_date(entry.get("date"), where),
            photo=photo_word(entry.get("photo"), where),
            photo_sha256=check_hash(entry.get("photo_sha256"), where),
            figures=None if document is None else figures_of(document, where),
            document=document,
        ),
        where,
    )


def _whole_record(record: Record, where: str) -> Record:
    if record.document is None and record.photo_sha256 is None:
        _refuse(
            "empty-record",
            f"{where}: a record has neither a measurement nor a photo's SHA-256.",
            "Take that record out, or add what it should hold.",
        )
    return record


# CSV: one row for each record, with the main figures.


def book_csv(samples: Iterable[Sample]) -> bytes:
    """Return the book as a table in UTF-8 (with the mark that spreadsheets need to see that)."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    for sample in samples:
        facts = [sample.name, *(getattr(sample, fact) for fact in FACTS), "\n".join(sample.notes)]
        for record in sample.records or (None,):
            cells: list[Any] = [None] * (len(COLUMNS) - len(facts))
            if record is not None:
                figures = record.figures or dict.fromkeys(FIGURES)
                cells = [record.stage, record.date, record.photo, record.photo_sha256]
                cells += [figures[figure] for figure in FIGURES]
            writer.writerow([_cell(value) for value in (*facts, *cells)])
    return out.getvalue().encode("utf-8-sig")


def parse_csv(content: bytes, where: str) -> list[Sample]:
    """Read a book from a table; rows of one name become one sample.

    Commas, semicolons and tabs between cells are understood, and with semicolons the decimal comma.

    Raises
    ------
    UsageError
        At the first thing that is wrong, naming the line it is in.
    """
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        _refuse(
            "not-a-table", f"{where} is not text in UTF-8.", "Save the table as “CSV UTF-8”, then import it."
        )
    first = text.partition("\n")[0]
    mark = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=mark, strict=True)
    samples: dict[str, Sample] = {}
    try:
        header = [cell.strip().lower() for cell in next(reader, [])]
        _check_header(header, where)
        for row in reader:
            if any(cell.strip() for cell in row):
                spot = f"{where}, line {reader.line_num}"
                if len(row) > len(header):
                    _refuse("bad-row", f"{spot} has more cells than there are columns.", "Mend that line.")
                sample = _parse_row(dict(zip(header, row, strict=False)), spot, decimal_comma=mark != ",")
                key = name_key(sample.name)
                samples[key] = _joined(samples[key], sample, spot) if key in samples else sample
    except csv.Error as error:
        _refuse(
            "not-a-table",
            f"{where}, line {reader.line_num} cannot be read as a table ({error}).",
            "Save the table anew as CSV UTF-8, then import it.",
        )
    return list(samples.values())


def _cell(value: Any) -> Any:
    """Return a cell that no spreadsheet takes for a formula and that `_uncell` turns back."""
    if isinstance(value, list):
        return " ".join(f"{number:.10g}" for number in value)
    if isinstance(value, float):
        return f"{value:.10g}"
    if isinstance(value, str) and value.startswith("'") and _uncell(value) != value:
        return f"'{value}"
    return safe_cell(value) if isinstance(value, str) else value


def _uncell(text: str) -> str:
    """Take off the apostrophe that `_cell` put on."""
    bare = text[1:]
    return bare if text.startswith("'") and (bare.startswith("'") or safe_cell(bare) != bare) else text


def _check_header(header: list[str], where: str) -> None:
    if "name" not in header:
        _refuse(
            "not-a-table",
            f"{where} has no column “name” in its first line.",
            "Export a book as CSV to see the columns, then fill them in.",
        )
    for number, column in enumerate(header):
        if column not in COLUMNS:
            said = (
                f"the column “{column[:60]}”, which pickglass would lose"
                if column
                else "a column without a name"
            )
            _refuse("unknown-column", f"{where} has {said}.", f"Take it out; known are {', '.join(COLUMNS)}.")
        if column in header[:number]:
            _refuse("double-column", f"{where} has the column “{column}” twice.", "Take one of them out.")


def _parse_row(cells: dict[str, str], where: str, *, decimal_comma: bool) -> Sample:
    def said(column: str) -> str | None:
        return _uncell(cells.get(column, "").strip()) or None

    def number(column: str) -> float | None:
        text = said(column)
        return None if text is None else _number(text, column, where, decimal_comma=decimal_comma)

    name = check_name(said("name") or "", where)
    facts = {
        fact: check_fact(fact, number(fact) if fact == "sett_per_inch" else said(fact), where)
        for fact in FACTS
    }
    figures: dict[str, Any] = {
        figure: number(figure) if figure in _NUMBER_FIGURES else said(figure) for figure in FIGURES
    }
    for figure in _LIST_FIGURES:
        parts = (figures[figure] or "").split()
        figures[figure] = [_number(part, figure, where, decimal_comma=decimal_comma) for part in parts]
    record = _row_record(said, figures, where)
    return Sample(
        name=name,
        notes=check_notes(said("notes"), where),
        records=() if record is None else (record,),
        **facts,
    )


def _row_record(said: Any, figures: dict[str, Any], where: str) -> Record | None:
    """Return the record in a row; None when the row tells only of the sample."""
    measured = any(value not in (None, []) for value in figures.values())
    photo, photo_sha256 = photo_word(said("photo"), where), check_hash(said("photo_sha256"), where)
    if not measured and photo is None and photo_sha256 is None and said("stage") is None:
        return None
    document = None
    if measured:
        figures = figures | {"kind": figures["kind"] or "sett", "verdict": figures["verdict"] or "measured"}
        if figures["kind"] not in ("sett", "evenness"):
            _refuse("bad-figure", f"{where}: “{figures['kind']}” is no kind of measurement.", "Write sett.")
        document = check_document(document_from_figures(figures, photo), where)
        figures = figures_of(document, where)
    return _whole_record(
        Record(
            stage=check_stage(said("stage"), where),
            date=check_date(said("date"), where),
            photo=photo,
            photo_sha256=photo_sha256,
            figures=figures if measured else None,
            document=document,
        ),
        where,
    )


def _number(text: str, column: str, where: str, *, decimal_comma: bool) -> float:
    try:
        value = float(text.replace(",", ".") if decimal_comma else text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        _refuse(
            "bad-figure",
            f"{where}: “{text[:60]}” in {column} is not a number.",
            "Write a number, or nothing.",
        )
    return value


def _joined(first: Sample, second: Sample, where: str) -> Sample:
    """Return two rows of one sample as one; where both say something they must agree."""
    facts = {}
    for fact in FACTS:
        one, two = getattr(first, fact), getattr(second, fact)
        if None not in (one, two) and one != two:
            _refuse(
                "rows-disagree",
                f"{where}: the {FACT_WORDS[fact]} of “{first.name}” is “{two}”, in an earlier line it is “{one}”.",
                "Make the lines of one sample agree.",
            )
        facts[fact] = two if one is None else one
    notes = tuple(dict.fromkeys((*first.notes, *second.notes)))
    return replace(first, notes=notes, records=(*first.records, *second.records), **facts)


def _refuse(code: str, problem: str, step: str) -> NoReturn:
    raise UsageError(code, problem, step)
