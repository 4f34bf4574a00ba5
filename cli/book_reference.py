"""Samples of the book named where a photo or a saved measurement is expected: ``book:NAME``."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from ..calibration.errors import UsageError

if TYPE_CHECKING:
    from .book_record import Record, Sample

__all__ = [
    "PREFIX",
    "book_for_reading",
    "book_for_writing",
    "book_name",
    "default_book",
    "kept_record",
    "kept_stages",
]

PREFIX = "book:"


def default_book() -> Path:
    """Return the usual book: PICKGLASS_BOOK, or a file beside what else pickglass remembers."""
    from .places import memory_path

    named = os.environ.get("PICKGLASS_BOOK")
    return Path(named) if named else memory_path().with_name("samples.book")


def book_for_reading(book: Path | None) -> Path:
    """Return the book to read.

    Raises
    ------
    UsageError
        If there is no usual book yet.
    """
    path = default_book() if book is None else book
    if book is None and not os.path.lexists(path):
        raise UsageError(
            "no-book",
            "There is no sample book yet.",
            "Put in the first sample: pickglass book add NAME --from FILE.json",
        )
    return path


def book_for_writing(book: Path | None) -> Path:
    """Return the book to write in; the folder of the usual one is made, that of another must be there.

    Raises
    ------
    UsageError
        If the folder is not there or cannot be made.
    """
    path = default_book() if book is None else book
    if book is None:
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise UsageError(
                "no-folder",
                f"The folder {path.parent} for the sample book cannot be made ({error.strerror}).",
                "Name a book in a folder of your own with --book FILE.",
            ) from None
    elif not os.path.isdir(path.parent):
        raise UsageError(
            "no-folder",
            f"The folder {path.parent} does not exist.",
            "Make the folder first, or choose another.",
        )
    return path


def book_name(word: str | Path) -> str | None:
    """Return the name of a sample in the book, or None when `word` names a file.

    A file that happens to be called ``book:…`` is meant by ``./book:…``.
    """
    text = str(word)
    return text[len(PREFIX) :].strip() if text[: len(PREFIX)].lower() == PREFIX else None


def kept_stages(name: str, book: Path | None) -> list[Record]:
    """Return the newest whole measurement at each stage of a sample, in the order of its life.

    Raises
    ------
    UsageError
        If there is no such sample, or nothing of it was measured.
    """
    sample = _sample(name, book)
    newest: dict[str, Record] = {}
    for record in sample.records:
        if record.document is not None:
            newest[record.stage] = record
    if not newest:
        raise UsageError(
            "no-measurement",
            f"The book holds no measurement of “{sample.name}”.",
            "Measure a photo and keep it: pickglass sett PHOTO --json > FILE.json, then pickglass book add.",
        )
    return list(newest.values())


def kept_record(name: str, book: Path | None, stages: Sequence[str]) -> Record:
    """Return the newest measurement at the last of a sample's stages that begins with one of `stages`.

    Raises
    ------
    UsageError
        As `kept_stages`, and when it was never measured at such a stage.
    """
    from .book_record import stage_word

    kept = kept_stages(name, book)
    fitting = [record for record in kept if record.stage.startswith(tuple(stages))]
    if not fitting:
        known = ", ".join(dict.fromkeys(stage_word(record.stage) for record in kept))
        raise UsageError(
            "no-measurement",
            f"The book holds no measurement of “{name}” {' or '.join(stages)}; it was measured {known}.",
            "Measure a photo of it at that stage and keep it with pickglass book add.",
        )
    return fitting[-1]


def _sample(name: str, book: Path | None) -> Sample:
    from .book_file import open_book
    from .book_store import find_sample

    with open_book(book_for_reading(book), write=False) as connection:
        return find_sample(connection, name, whole=True)
