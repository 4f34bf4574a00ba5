"""The file of the book: what is kept, under which rule, and that nothing kept is ever lost."""

import json
import os
import sqlite3
import stat
from contextlib import closing
from dataclasses import replace

import pytest
from book_samples import measurement, record, sample

from pickglass.calibration.errors import UsageError
from pickglass.cli import book_file
from pickglass.cli.book_file import VERSION, open_book, transaction
from pickglass.cli.book_record import document_from_figures
from pickglass.cli.book_store import find_sample, keep_sample, load_measurement, read_samples


@pytest.fixture
def path(tmp_path):
    return tmp_path / "it's a #100% book?.db"


def keep(path, *samples, newer_facts_win=True):
    with open_book(path, write=True) as connection, transaction(connection):
        return [keep_sample(connection, one, newer_facts_win=newer_facts_win) for one in samples]


def read(path, *, whole=True):
    with open_book(path, write=False) as connection:
        return read_samples(connection, whole=whole)


def refusal(path, *, write=False, **options):
    with pytest.raises(UsageError) as refused, open_book(path, write=write, **options) as connection:
        read_samples(connection, whole=True)
    assert str(path) in refused.value.problem
    assert refused.value.next_step
    return refused.value.code


def test_what_is_kept_comes_back(path):
    one = sample(
        "Garden “band” 🧵",
        record("on-loom"),
        record("washed-1", ends=26.0),
        warp_yarn="cotton 8/2",
        sett_per_inch=24.0,
        notes=("first", "second"),
    )
    keep(path, one)
    assert read(path) == [one]
    (listed,) = read(path, whole=False)
    assert [r.document for r in listed.records] == [None, None]
    assert [r.figures for r in listed.records] == [r.figures for r in one.records]


def test_samples_come_by_name_and_records_by_life(path):
    keep(path, sample("b", record("washed-2"), record("on-loom"), record("off-loom")), sample("A"))
    first, second = read(path)
    assert (first.name, second.name) == ("A", "b")
    assert [r.stage for r in second.records] == ["on-loom", "off-loom", "washed-2"]


def test_the_same_measurement_is_kept_once(path):
    keep(path, sample("band", record()))
    (change,) = keep(path, sample("BAND", record(date="2025-01-01"), record("washed-1")))
    assert (change.created, change.name, change.added, change.known) == (False, "band", 1, 1)
    assert [(r.stage, r.date) for r in read(path)[0].records] == [
        ("off-loom", "2024-05-31"),
        ("washed-1", "2024-05-31"),
    ]


@pytest.mark.parametrize(("newer_facts_win", "heddle"), [(True, "reed 12"), (False, "reed 10")])
def test_facts_fill_what_is_empty_and_differ_by_rule(path, newer_facts_win, heddle):
    keep(path, sample("band", heddle="reed 10", notes=("one",)))
    (change,) = keep(
        path,
        sample("band", heddle="reed 12", weave="twill", notes=("one", "two")),
        newer_facts_win=newer_facts_win,
    )
    (got,) = read(path)
    assert change.facts == (("heddle", "reed 10", "reed 12"),)
    assert (got.heddle, got.weave, got.notes) == (heddle, "twill", ("one", "two"))


def test_a_whole_measurement_takes_the_place_of_its_row_in_a_table(path):
    whole = record()
    row = replace(whole, document=document_from_figures(whole.figures, "band.jpg"))
    keep(path, sample("band", row))
    keep(path, sample("band", whole))
    assert read(path)[0].records == (whole,)
    keep(path, sample("band", row))
    assert read(path)[0].records == (whole,)


def test_load_measurement_for_other_commands(path):
    keep(path, sample("band", record("on-loom", ends=20.0), record("off-loom", ends=22.0)), sample("bare"))
    with open_book(path, write=False) as connection:
        assert load_measurement(connection, "Band") == measurement(ends=22.0)
        assert load_measurement(connection, "band", "on-loom") == measurement(ends=20.0)
        with pytest.raises(UsageError, match=r"no washed measurement.* on-loom, off-loom"):
            load_measurement(connection, "band", "washed")
        with pytest.raises(UsageError, match="never measured"):
            load_measurement(connection, "bare")


def test_an_unknown_name_gets_the_nearest_ones(path):
    keep(path, sample("Garden band"), sample("it's a scarf"))
    with open_book(path, write=False) as connection:
        with pytest.raises(UsageError, match="Did you mean “Garden band”"):
            find_sample(connection, "gardne band")
        with pytest.raises(UsageError, match="it's a scarf"):
            find_sample(connection, "scarf")
        for odd in ("'; DROP TABLE samples; --", "%", "_", "", "\ud83e", "\x00"):
            with pytest.raises(UsageError, match="no sample"):
                find_sample(connection, odd)


def test_nothing_of_a_transaction_that_fails_is_kept(path):
    keep(path, sample("first"))
    halves = (sample("second", record()), "no sample")
    with pytest.raises(AttributeError):
        keep(path, *halves)
    assert [one.name for one in read(path)] == ["first"]


def test_reading_changes_not_a_byte(path):
    keep(path, sample("band", record()))
    before = path.read_bytes()
    read(path)
    assert path.read_bytes() == before
    assert os.listdir(path.parent) == [path.name]  # one file, whole at every moment, fit to be copied


# Older and newer books.


def old_book(path, rows):
    """Write a book as the first version of the tables had it."""
    with closing(sqlite3.connect(path)) as connection, connection:
        book_file._first_tables(connection)
        connection.execute("PRAGMA user_version = 1")
        connection.execute("INSERT INTO samples (name, name_key, heddle) VALUES ('Old', 'old', 'reed 10')")
        connection.executemany(
            "INSERT INTO records (sample, stage, date, photo, photo_sha256, document)"
            " VALUES (1, ?, ?, ?, NULL, ?)",
            rows,
        )


OLD_ROWS = [
    ("off-loom", "2024-05-31", "band.jpg", json.dumps(measurement())),
    (
        "off-loom",
        "2024-06-02",
        "band.jpg",
        json.dumps(measurement()),
    ),  # kept twice: the old tables allowed it
    ("washed-1", "2024-06-03", "band.jpg", json.dumps(measurement(ends=26.0))),
]


def test_an_old_book_is_read_as_it_is_and_brought_up_to_date_by_writing(path):
    old_book(path, OLD_ROWS)
    wanted = [sample("Old", record(), record("washed-1", date="2024-06-03", ends=26.0), heddle="reed 10")]
    before = path.read_bytes()
    assert read(path) == wanted
    assert path.read_bytes() == before
    (change,) = keep(path, sample("old", record()))
    assert (change.created, change.known) == (False, 1)
    assert read(path) == wanted
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA user_version").fetchone() == (VERSION,)


def test_an_old_book_that_cannot_be_brought_up_to_date_stays_as_it_was(path):
    old_book(path, [*OLD_ROWS, ("off-loom", "2024-05-31", None, "{half a measurem")])
    before = path.read_bytes()
    assert refusal(path, write=True) == "book-damaged"
    assert path.read_bytes() == before


def test_a_newer_book_is_left_alone(path):
    keep(path, sample("band"))
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(f"PRAGMA user_version = {VERSION + 1}")
    before = path.read_bytes()
    assert refusal(path) == refusal(path, write=True) == "newer-book"
    assert path.read_bytes() == before


def test_the_file_of_another_program_is_left_alone(path):
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE samples (bread TEXT)")
    before = path.read_bytes()
    assert refusal(path) == refusal(path, write=True) == "not-a-book"
    assert path.read_bytes() == before


# Files that are no books, or no longer.


def test_no_database_at_all(path):
    path.write_bytes(b"name,warp_yarn\nband,cotton\n" * 400)
    assert refusal(path) == refusal(path, write=True) == "not-a-book"
    assert refusal(path.parent, write=True) == "not-a-book"


def test_an_empty_file_is_an_empty_book(path):
    path.touch()
    assert read(path) == []
    keep(path, sample("band"))
    assert len(read(path)) == 1


def test_a_missing_book_is_not_made_by_reading(path):
    assert refusal(path) == "no-book"
    assert not path.exists()
    assert refusal(path.with_name("x" * 300)) == "no-book"
    assert refusal(path.parent / "missing" / "book.db", write=True) == "book-unreachable"


@pytest.mark.parametrize("part", range(1, 8))
def test_a_damaged_book_never_gives_something_else(path, part):
    samples = [sample(f"band {n:02d}", record(), notes=("x" * 500,)) for n in range(60)]
    keep(path, *samples)
    content = bytearray(path.read_bytes())
    start = len(content) * part // 8
    content[start : start + 3 * 4096] = b"\xa5" * (3 * 4096)
    path.write_bytes(content)
    with open_book(path, write=False) as connection:
        try:
            got = read_samples(connection, whole=True)
        except sqlite3.DatabaseError:
            got = None
    if got is None:
        assert refusal(path) == "book-damaged"
    else:
        assert got == samples  # only pages that reading does not need were hit


def test_a_book_cut_off_is_damaged(path):
    keep(path, *(sample(f"band {n}", record(), notes=("x" * 500,)) for n in range(60)))
    os.truncate(path, path.stat().st_size // 2)
    assert refusal(path) == "book-damaged"


@pytest.mark.parametrize(
    ("column", "value"), [("figures", "{}"), ("figures", "[1"), ("document", "5"), ("stage", "sold")]
)
def test_a_damaged_record_is_told(path, column, value):
    keep(path, sample("band", record()))
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(f"UPDATE records SET {column} = ?", (value,))
    assert refusal(path) == "book-damaged"


def test_a_book_that_another_program_holds(path):
    keep(path, sample("band"))
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        assert refusal(path, busy_s=0.05) == "book-busy"
        with (
            pytest.raises(UsageError, match="another program"),
            open_book(path, write=True, busy_s=0.05) as connection,
        ):
            keep_sample(connection, sample("second"), newer_facts_win=True)
    assert [one.name for one in read(path)] == ["band"]


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write everywhere")
def test_a_book_that_may_not_be_written(path):
    keep(path, sample("band"))
    path.chmod(stat.S_IRUSR)
    path.parent.chmod(stat.S_IRUSR | stat.S_IXUSR)
    try:
        assert len(read(path)) == 1
        with pytest.raises(UsageError) as refused:
            keep(path, sample("second"))
        assert refused.value.code == "book-read-only"
    finally:
        path.parent.chmod(stat.S_IRWXU)
