"""The sample book as one SQLite file: its tables, their changes from version to version, and its questions.

The file uses SQLite's rollback journal with ``synchronous=EXTRA``, not a write-ahead log: what was kept survives a
killed program and a power cut either way, but so the book is always a single file that may be copied to a stick or
read from a folder where nothing can be written (sqlite.org, "Atomic Commit In SQLite" and "PRAGMA synchronous").
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from ..calibration.errors import UsageError
from .book_record import (
    FACTS,
    FIGURES,
    Record,
    Sample,
    check_stage,
    figures_of,
    name_key,
    newest,
    stage_order,
)

__all__ = [
    "VERSION",
    "Change",
    "find_sample",
    "keep_sample",
    "load_measurement",
    "open_book",
    "read_samples",
    "transaction",
]

APPLICATION_ID = 0x5047424B  # "PGBK": SQLite's place for saying whose file this is
BUSY_S = 10.0

_SENTENCES = {
    "SQLITE_BUSY": ("book-busy", "is being written by another program", "Wait a moment, then try again."),
    "SQLITE_LOCKED": ("book-busy", "is being written by another program", "Wait a moment, then try again."),
    "SQLITE_READONLY": (
        "book-read-only",
        "may not be written",
        "Copy it to a folder of your own and name the copy with --book FILE.",
    ),
    "SQLITE_CANTOPEN": (
        "book-unreachable",
        "cannot be opened",
        "Check that the folder exists and that you may read and write there.",
    ),
    "SQLITE_FULL": ("disk-full", "could not be written: the disk is full", "Make room, then try again."),
    "SQLITE_IOERR": (
        "book-disk-error",
        "could not be read or written by the disk",
        "Check the disk or the stick, then try again; what was kept before is unharmed.",
    ),
    "SQLITE_NOTADB": (
        "not-a-book",
        "is not a sample book",
        "Name another file with --book; a .json or .csv file goes in with pickglass book import.",
    ),
    "SQLITE_TOOBIG": ("too-large", "cannot take so large a piece", "Keep less in one sample."),
}
_DAMAGED = (
    "book-damaged",
    "is damaged and was left as it is",
    "Rename it, then begin a new book and bring back your last copy with pickglass book import.",
)


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


@contextmanager
def open_book(path: Path, *, write: bool, busy_s: float = BUSY_S) -> Iterator[sqlite3.Connection]:
    """Open a sample book; reading never changes it, writing makes a missing one and brings an old one up to date.

    Raises
    ------
    UsageError
        If it is missing (reading), no sample book, made by a newer pickglass, damaged, locked or not writable;
        also for what goes wrong inside the block.
    """
    there = os.path.lexists(
        path
    )  # unlike Path.exists, no error for a name too long or a folder that is closed
    if there and not os.path.isfile(path):
        raise UsageError("not-a-book", f"{path} is not a file.", "Name a file with --book FILE.")
    if not there and not write:
        raise UsageError(
            "no-book",
            f"There is no sample book at {path}.",
            "Look at the name, or begin one with pickglass book add.",
        )
    with _sentences(path):
        mode = (
            "rwc" if write else "rw"
        )  # "rw" reads what it may not write, and undoes a write that was cut off
        address = f"{path.absolute().as_uri()}?mode={mode}"
        connection = sqlite3.connect(address, uri=True, timeout=busy_s, isolation_level=None)
        try:
            for pragma in ("trusted_schema = OFF", "foreign_keys = ON", "synchronous = EXTRA"):
                connection.execute(f"PRAGMA {pragma}")
            version = _checked_version(connection, path)
            if not write and version < VERSION:
                copy = sqlite3.connect(":memory:", isolation_level=None)
                connection.backup(copy)
                connection.close()
                connection = copy
            if version < VERSION:
                _migrate(connection)
            yield connection
        finally:
            connection.close()


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """Do everything in the block or nothing; a second writer waits."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


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
        measured = dict.fromkeys(r.stage for r in sample.records if r.figures is not None)
        known = f"It was measured {', '.join(measured)}." if measured else "It was never measured."
        raise UsageError(
            "no-measurement",
            f"The book holds no {stage or ''} measurement of “{sample.name}”. {known}".replace("  ", " "),
            "Measure a photo and keep it: pickglass sett PHOTO --json > FILE.json, then pickglass book add.",
        )
    return record.document


# Tables, version by version. A step is never changed once it was released; a new version adds a step.


def _first_tables(connection: sqlite3.Connection) -> None:
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute(
        "CREATE TABLE samples (id INTEGER PRIMARY KEY, name TEXT NOT NULL, name_key TEXT NOT NULL UNIQUE,"
        " warp_yarn TEXT, weft_yarn TEXT, sett_per_inch REAL, heddle TEXT, weave TEXT,"
        " notes TEXT NOT NULL DEFAULT '')"
    )
    connection.execute(
        "CREATE TABLE records (id INTEGER PRIMARY KEY, sample INTEGER NOT NULL REFERENCES samples (id),"
        " stage TEXT NOT NULL, date TEXT NOT NULL, photo TEXT, photo_sha256 TEXT, document TEXT)"
    )


def _add_figures(connection: sqlite3.Connection) -> None:
    """Keep the main figures beside each measurement, so that a list need not read them all, and a fingerprint."""
    connection.execute("ALTER TABLE records ADD COLUMN figures TEXT")
    connection.execute("ALTER TABLE records ADD COLUMN fingerprint TEXT")
    seen: set[tuple[int, str]] = set()
    rows = connection.execute(
        "SELECT id, sample, stage, date, photo, photo_sha256, document FROM records ORDER BY id"
    ).fetchall()
    for identity, sample, stage, day, photo, photo_sha256, text in rows:
        whole = _object(text)
        figures = None if whole is None else figures_of(whole, "the book")
        record = Record(stage=stage, date=day, photo=photo, photo_sha256=photo_sha256, figures=figures)
        if (
            sample,
            record.fingerprint,
        ) in seen:  # the first version kept the same measurement twice if told so
            connection.execute("DELETE FROM records WHERE id = ?", (identity,))
            continue
        seen.add((sample, record.fingerprint))
        connection.execute(
            "UPDATE records SET figures = ?, fingerprint = ? WHERE id = ?",
            (_text(figures), record.fingerprint, identity),
        )
    connection.execute("CREATE UNIQUE INDEX records_once ON records (sample, fingerprint)")


_STEPS = (_first_tables, _add_figures)
VERSION = len(_STEPS)


def _checked_version(connection: sqlite3.Connection, path: Path) -> int:
    """Return the version of the tables; 0 when the file is empty."""
    connection.execute("BEGIN")  # one view of all three, for another process may be making the book just now
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    (owner,) = connection.execute("PRAGMA application_id").fetchone()
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    connection.execute("COMMIT")
    if owner != APPLICATION_ID and (tables or owner or version):
        code, problem, step = _SENTENCES["SQLITE_NOTADB"]
        raise UsageError(code, f"The file {path} {problem} but belongs to another program.", step)
    if version > VERSION:
        raise UsageError(
            "newer-book",
            f"The sample book {path} was made by a newer pickglass (version {version} of its tables).",
            "Bring pickglass up to date; the book was left as it is.",
        )
    if version < 0 or (tables and not version):
        raise _said(_DAMAGED, path)
    return int(version)


def _migrate(connection: sqlite3.Connection) -> None:
    """Bring the tables up to date in one step; another process may just have done the same."""
    with transaction(connection):
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        for step in _STEPS[version:]:
            step(connection)
        if version < VERSION:
            connection.execute(f"PRAGMA user_version = {VERSION}")


def _keep_record(connection: sqlite3.Connection, sample: int | None, record: Record) -> bool:
    """Add a record unless it is there; returns whether it was added."""
    document = _text(record.document)
    cursor = connection.execute(
        "INSERT INTO records (sample, stage, date, photo, photo_sha256, figures, document, fingerprint)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (sample, fingerprint) DO NOTHING",
        (
            sample,
            record.stage,
            record.date,
            record.photo,
            record.photo_sha256,
            _text(record.figures),
            document,
            record.fingerprint,
        ),
    )
    if cursor.rowcount == 0 and record.document is not None and not _from_table(record.document):
        (old,) = connection.execute(
            "SELECT document FROM records WHERE sample = ? AND fingerprint = ?", (sample, record.fingerprint)
        ).fetchone()
        if _from_table(_object(old) or {}):
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
    found, whole = _object(figures), _object(document)
    # SQLite has no checksums: what a bad disk changed inside a text is better said here than deep in a table.
    if (found is not None and found.keys() != set(FIGURES)) or not _is_stage(stage):
        raise sqlite3.DatabaseError("a record of the book is damaged")
    return Record(
        stage=stage, date=day, photo=photo, photo_sha256=photo_sha256, figures=found, document=whole
    )


def _is_stage(text: Any) -> bool:
    try:
        return check_stage(text, "the book") == text
    except UsageError:
        return False


def _object(text: str | None) -> dict[str, Any] | None:
    """Return the JSON object in a column."""
    if text is None:
        return None
    try:
        found = json.loads(text)
    except (ValueError, RecursionError):
        found = None
    if not isinstance(found, dict):
        raise sqlite3.DatabaseError("a measurement in the book is damaged")
    return found


def _with_records(sample: Sample, records: list[Record]) -> Sample:
    return replace(sample, records=tuple(sorted(records, key=lambda r: (stage_order(r.stage), r.date))))


def _text(document: dict[str, Any] | None) -> str | None:
    # ASCII: a photo's name in a measurement may hold halves of characters, which no file takes as they are.
    return None if document is None else json.dumps(document, allow_nan=False, separators=(",", ":"))


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


@contextmanager
def _sentences(path: Path) -> Iterator[None]:
    """Turn what SQLite and the disk complain about into sentences."""
    try:
        yield
    except sqlite3.Error as error:
        name = getattr(error, "sqlite_errorname", "") or ""
        family = "_".join(name.split("_")[:2])
        raise _said(_SENTENCES.get(family, _DAMAGED), path) from None


def _said(sentence: tuple[str, str, str], path: Path) -> UsageError:
    code, problem, step = sentence
    return UsageError(code, f"The file {path} {problem}.", step)
