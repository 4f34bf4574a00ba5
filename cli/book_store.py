"""What is put into the sample book, by which rule, and what is asked of it."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass, replace
from typing import Any

from ..calibration.errors import UsageError
from .book_file import json_object, json_text
from .book_record import (
    FACTS,
    FIGURES,
    Record,
    Sample,
    check_stage,
    name_key,
    newest,
    stage_order,
    stage_word,
)

__all__ = ["Change", "find_sample", "keep_sample", "load_measurement", "read_samples"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What keeping a sample changed.

    Attributes
    ----------
    created : bool
        True when the book had no sample of that name.
    name : str
        Name as it stands in the book.
    added, known : int
        Records that are new, and those that were there already.
    facts : tuple of (str, old, new)
        Facts that differ from the book; the book says `new` now if newer facts win, else still `old`.
    """

    created: bool
    name: str
    added: int
    known: int
    facts: tuple[tuple[str, Any, Any], ...]


def keep_sample(connection: sqlite3.Connection, sample: Sample, *, newer_facts_win: bool) -> Change:
    """Put a sample into the book, or add to the one of that name; call it inside `transaction`.

    Records are told apart by their fingerprint and never replaced, except that a whole measurement takes the place
    of the same one known from a table only. Notes are added where they are new. Facts fill what was empty; where
    the book says something else, `newer_facts_win` decides.
    """
    row = connection.execute(
        f"SELECT id, name, notes, {', '.join(FACTS)} FROM samples WHERE name_key = ?",
        (name_key(sample.name),),
    ).fetchone()
    if row is None:
        cursor = connection.execute(
            "INSERT INTO samples (name, name_key) VALUES (?, ?)", (sample.name, name_key(sample.name))
        )
        identity, name, notes, old = cursor.lastrowid, sample.name, "", dict.fromkeys(FACTS)
    else:
        identity, name, notes, old = row[0], row[1], row[2], dict(zip(FACTS, row[3:], strict=True))
    new = {fact: getattr(sample, fact) for fact in FACTS}
    differing = tuple(
        (fact, old[fact], new[fact])
        for fact in FACTS
        if None not in (old[fact], new[fact]) and old[fact] != new[fact]
    )
    first, second = (new, old) if newer_facts_win else (old, new)
    facts = [second[fact] if first[fact] is None else first[fact] for fact in FACTS]
    lines = dict.fromkeys((*notes.splitlines(), *sample.notes))
    connection.execute(
        f"UPDATE samples SET notes = ?, {', '.join(f'{fact} = ?' for fact in FACTS)} WHERE id = ?",
        ("\n".join(lines), *facts, identity),
    )
    added = sum(_keep_record(connection, identity, record) for record in sample.records)
    return Change(
        created=row is None,
        name=name,
        added=added,
        known=len(sample.records) - added,
        facts=differing,
    )


def read_samples(connection: sqlite3.Connection, *, whole: bool = False) -> list[Sample]:
    """Return every sample by name; with `whole` also the measurements themselves, not only their figures."""
    rows = connection.execute(f"SELECT id, name, notes, {', '.join(FACTS)} FROM samples ORDER BY name_key")
    samples = {row[0]: _sample(row) for row in rows.fetchall()}
    records: dict[int, list[Record]] = {identity: [] for identity in samples}
    for row in connection.execute(f"{_select_records(whole=whole)} ORDER BY id"):
        if row[0] in records:
            records[row[0]].append(_record(row))
    return [_with_records(sample, records[identity]) for identity, sample in samples.items()]


def find_sample(connection: sqlite3.Connection, name: str, *, whole: bool = False) -> Sample:
    """Return one sample; capitals do not matter.

    Raises
    ------
    UsageError
        If the book has no such sample, with the names nearest to it.
    """
    key = name_key(" ".join(name.split()))
    row = connection.execute(
        f"SELECT id, name, notes, {', '.join(FACTS)} FROM samples WHERE name_key = ?", (_storable(key),)
    ).fetchone()
    if row is None:
        raise _unknown(connection, name, key)
    rows = connection.execute(f"{_select_records(whole=whole)} WHERE sample = ? ORDER BY id", (row[0],))
    return _with_records(_sample(row), [_record(found) for found in rows])


def load_measurement(connection: sqlite3.Connection, name: str, stage: str | None = None) -> dict[str, Any]:
    """Return the latest whole measurement of a sample, as ``pickglass sett --json`` wrote it; it may be unsure.

    Parameters
    ----------
    connection : sqlite3.Connection
        From `open_book`.
    name : str
        Name of the sample.
    stage : str, optional
        ``"on-loom"``, ``"off-loom"``, ``"washed"``, ``"washed-2"`` …; without it the last stage that was measured.

    Raises
    ------
    UsageError
        If there is no such sample, or no measurement of it at that stage.
    """
    sample = find_sample(connection, name, whole=True)
    stage = None if stage is None else check_stage(stage, "The stage")
    record = newest(sample, stage)
    if record is None or record.document is None:
        measured = dict.fromkeys(stage_word(r.stage) for r in sample.records if r.figures is not None)
        asked = f"{stage_word(stage)} " if stage else ""
        known = f"It was measured {', '.join(measured)}." if measured else "It was never measured."
        raise UsageError(
            "no-measurement",
            f"The book holds no {asked}measurement of “{sample.name}”. {known}",
            "Measure a photo and keep it: pickglass sett PHOTO --json > FILE.json, then pickglass book add.",
        )
    return record.document


def _keep_record(connection: sqlite3.Connection, sample: int | None, record: Record) -> bool:
    """Add a record unless it is there; returns whether it was added."""
    document = json_text(record.document)
    cursor = connection.execute(
        "INSERT INTO records (sample, stage, date, photo, photo_sha256, figures, document, fingerprint)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (sample, fingerprint) DO NOTHING",
        (
            sample,
            record.stage,
            record.date,
            record.photo,
            record.photo_sha256,
            json_text(record.figures),
            document,
            record.fingerprint,
        ),
    )
    if cursor.rowcount == 0 and record.document is not None and not _from_table(record.document):
        (old,) = connection.execute(
            "SELECT document FROM records WHERE sample = ? AND fingerprint = ?", (sample, record.fingerprint)
        ).fetchone()
        if _from_table(json_object(old) or {}):
            connection.execute(
                "UPDATE records SET document = ? WHERE sample = ? AND fingerprint = ?",
                (document, sample, record.fingerprint),
            )
    return cursor.rowcount > 0


def _from_table(document: dict[str, Any]) -> bool:
    messages = document.get("messages")
    first = messages[0] if isinstance(messages, list) and messages else None
    return isinstance(first, dict) and first.get("code") == "from-table"


def _select_records(*, whole: bool) -> str:
    document = "document" if whole else "NULL"
    return f"SELECT sample, stage, date, photo, photo_sha256, figures, {document} FROM records"


def _sample(row: tuple[Any, ...]) -> Sample:
    facts = dict(zip(FACTS, row[3:], strict=True))
    return Sample(name=row[1], notes=tuple(row[2].splitlines()), **facts)


def _record(row: tuple[Any, ...]) -> Record:
    _, stage, day, photo, photo_sha256, figures, document = row
    found, whole = json_object(figures), json_object(document)
    # SQLite has no checksums: what a bad disk changed inside a text is better said here than deep in a table.
    if (found is not None and found.keys() != set(FIGURES)) or not _is_stage(stage):
        raise sqlite3.DatabaseError("a record of the book is damaged")
    return Record(
        stage=stage, date=day, photo=photo, photo_sha256=photo_sha256, figures=found, document=whole
    )


def _is_stage(text: Any) -> bool:
    try:
        return bool(check_stage(text, "the book") == text)
    except UsageError:
        return False


def _with_records(sample: Sample, records: list[Record]) -> Sample:
    return replace(sample, records=tuple(sorted(records, key=lambda r: (stage_order(r.stage), r.date))))


def _storable(text: str) -> str:
    return text.encode("utf-8", "replace").decode("utf-8")


def _unknown(connection: sqlite3.Connection, name: str, key: str) -> UsageError:
    from difflib import get_close_matches

    names = dict(connection.execute("SELECT name_key, name FROM samples ORDER BY name_key").fetchall())
    near = [names[found] for found in get_close_matches(key, names, n=3, cutoff=0.6)]
    near = near or [names[found] for found in names if key and key in found][:3]
    hint = f" Did you mean {' or '.join(f'“{word}”' for word in near)}?" if near else ""
    step = "See what it holds with pickglass book list." if names else "The book is empty so far."
    return UsageError("unknown-sample", f"The book holds no sample “{name}”.{hint}", step)
