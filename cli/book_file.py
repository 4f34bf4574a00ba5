"""The file of the sample book: opened, made, brought up to date, and what SQLite complains of said in sentences.

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
from pathlib import Path
from typing import Any

from ..calibration.errors import UsageError
from .book_record import Record, figures_of

__all__ = ["VERSION", "json_object", "json_text", "migrate", "open_book", "transaction"]

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
                migrate(connection)
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
        whole = json_object(text)
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
            (json_text(figures), record.fingerprint, identity),
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


def migrate(connection: sqlite3.Connection) -> None:
    """Bring the tables up to date in one step; another process may just have done the same."""
    with transaction(connection):
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        for step in _STEPS[version:]:
            step(connection)
        if version < VERSION:
            connection.execute(f"PRAGMA user_version = {VERSION}")


def json_text(document: dict[str, Any] | None) -> str | None:
    """Return an object as it stands in a column."""
    # ASCII: a photo's name in a measurement may hold halves of characters, which no file takes as they are.
    return None if document is None else json.dumps(document, allow_nan=False, separators=(",", ":"))


def json_object(text: str | None) -> dict[str, Any] | None:
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
