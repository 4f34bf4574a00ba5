"""Killed programs and two writers: what was kept stays kept, and what was half done is not there."""

import os
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing, contextmanager

import pytest

from pickglass.cli.book_file import open_book
from pickglass.cli.book_store import read_samples

TESTS = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
START = """
import sys
from pathlib import Path
sys.path.insert(0, sys.argv[1])
from book_samples import record, sample
from pickglass.cli.book_file import open_book, transaction
from pickglass.cli.book_store import keep_sample
path, word = Path(sys.argv[2]), sys.argv[3]
STAGES = [f"washed-{n}" for n in range(1, 13)]
print("ready", flush=True)
sys.stdin.readline()
"""
# Every sample with all its records is one transaction; a name is printed when it is kept.
WRITE = """
for number in range(int(sys.argv[4])):
    with open_book(path, write=True, busy_s=120.0) as connection, transaction(connection):
        one = sample(f"{word} {number}", *(record(stage) for stage in STAGES), notes=("x" * 2000,))
        keep_sample(connection, one, newer_facts_win=True)
        keep_sample(connection, sample("both", notes=(one.name,)), newer_facts_win=True)
    print(one.name, flush=True)
"""
# A transaction too large for the memory it is given, so that half of it stands in the file when the program stops.
HANG = """
with open_book(path, write=True) as connection, transaction(connection):
    connection.execute("PRAGMA cache_size = 2")
    for number in range(40):
        one = sample(f"{word} {number}", *(record(stage) for stage in STAGES), notes=("x" * 2000,))
        keep_sample(connection, one, newer_facts_win=True)
    print("half", flush=True)
    sys.stdin.readline()
"""


@contextmanager
def running(script, path, word, count=0):
    command = [sys.executable, "-c", START + script, TESTS, str(path), word, str(count)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout.readline() == "ready\n"
            yield process
        finally:
            process.kill()


def go(process):
    process.stdin.write("\n")
    process.stdin.flush()


def names(path, *, write=False):
    """Return the samples, each checked to be whole."""
    with open_book(path, write=write) as connection:
        samples = read_samples(connection, whole=True)
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    both = [one for one in samples if one.name == "both"]
    whole = [one for one in samples if one.name != "both"]
    assert {len(one.records) for one in whole} <= {12}
    assert [set(one.notes) for one in both] in ([], [{one.name for one in whole}])
    return {one.name for one in whole}


def test_killed_while_writing_loses_nothing_kept(tmp_path):
    path = tmp_path / "book.db"
    kept = set()
    for turn, after in enumerate((1, 4, 9, 13)):
        with running(WRITE, path, f"turn {turn},", 10_000) as process:
            go(process)
            kept |= {process.stdout.readline().strip() for _ in range(after)}
            time.sleep(0.0007 * after)  # somewhere within one of the next writes
            process.send_signal(signal.SIGKILL)
            kept |= {line.strip() for line in process.stdout if line.endswith("\n")}
            assert process.wait() == -signal.SIGKILL
        found = names(path)
        assert kept <= found
        assert len(found - kept) <= turn + 1  # at most one was kept and killed before it could say so
    assert len(kept) >= 27


@pytest.mark.parametrize("write", [False, True])
def test_killed_in_the_middle_of_a_write_leaves_none_of_it(tmp_path, write):
    path = tmp_path / "book.db"
    with running(WRITE, path, "first", 3) as process:
        go(process)
        assert len(process.stdout.read().splitlines()) == 3
    with closing(sqlite3.connect(path)) as connection:
        (pages,) = connection.execute("PRAGMA page_count").fetchone()
    with running(HANG, path, "second") as process:
        go(process)
        assert process.stdout.readline() == "half\n"
        process.send_signal(signal.SIGKILL)
        process.wait()
    journal = path.with_name(path.name + "-journal")
    assert journal.stat().st_size > 0  # so the kill did hit a write: it has to be undone
    assert path.stat().st_size > pages * 4096
    assert names(path, write=write) == {"first 0", "first 1", "first 2"}
    assert not journal.exists()


def test_two_writers_on_one_new_book(tmp_path):
    path = tmp_path / "book.db"
    with running(WRITE, path, "left", 25) as left, running(WRITE, path, "right", 25) as right:
        go(left)
        go(right)
        said = {*left.stdout.read().splitlines(), *right.stdout.read().splitlines()}
        assert (left.wait(), right.wait()) == (0, 0)
    assert len(said) == 50
    assert names(path) == said
