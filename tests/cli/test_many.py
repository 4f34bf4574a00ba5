"""Many photos: which are taken, what becomes of bad ones, what is kept, and what the tables hold."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace
from itertools import cycle
from pathlib import Path

import cv2
import numpy as np
import pytest

from pickglass.calibration.errors import UsageError
from pickglass.cli.many import Outcome, Task, gather, measure_all, measure_task
from pickglass.cli.many_command import MOST_PICTURES
from pickglass.cli.many_files import COLUMNS, CsvTable, LinesTable, csv_line
from pickglass.cli.many_text import many_text
from pickglass.cli.pipeline import Request
from pickglass.cli.report_many import many_report
from pickglass.cli.report_pictures import THUMBNAIL_BYTES, Inlay
from pickglass.measure.records import SETT_COLUMNS, empty_record

from .command import run
from .small_photo import ENDS_PER_INCH, OPTIONS, draw

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def drawn(tmp_path_factory) -> Path:
    return draw(tmp_path_factory.mktemp("drawn") / "drawn.png")


@pytest.fixture
def folder(tmp_path, drawn) -> Path:
    """Two good photos, one of them with a name that a spreadsheet would run, and three broken ones."""
    place = tmp_path / "photos"
    place.mkdir()
    shutil.copy(drawn, place / "band.png")
    draw(place / "=1+cmd.png", seed=6)
    (place / "text.jpg").write_text("no photo")
    (place / "cut.png").write_bytes(drawn.read_bytes()[:4000])
    (place / "empty.jpg").write_bytes(b"")
    (place / "notes.txt").write_text("left out by its name")
    (place / ".hidden.jpg").write_bytes(b"")
    return place


def rows_of(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_bytes().decode("utf-8-sig"), newline="")))


def test_bad_photos_never_stop_the_rest(capsys, monkeypatch, tmp_path, folder):
    table, lines = tmp_path / "t.csv", tmp_path / "t.jsonl"
    code, out, err = run(capsys, "sett", folder, *OPTIONS, "--csv", table, "--jsonl", lines, "--jobs", "2")
    assert code == 2  # the highest of 0 (measured) and 2 (unreadable)
    assert err == ""
    assert "5 photos: 2 measured, 3 unreadable" in out
    assert "text.jpg is a text file." in out
    assert out.count("What to do: ") == 3
    found = {row["photo"]: row for row in rows_of(table)}
    assert set(found) == {"band.png", "'=1+cmd.png", "text.jpg", "cut.png", "empty.jpg"}
    assert float(found["band.png"]["ends_per_inch"]) == pytest.approx(ENDS_PER_INCH, rel=0.015)
    assert found["band.png"]["verdict"] == "measured"
    assert found["empty.jpg"]["messages"] == "empty-file"
    assert found["empty.jpg"]["ends_per_inch"] == ""
    documents = [json.loads(line) for line in lines.read_text("ascii").splitlines()]
    assert {d["photo"] for d in documents} == {p.name for p in gather([folder])}
    assert all(d["schema"] == "pickglass.sett/1" and len(d["sha256"]) == 64 for d in documents)

    # A second run finds everything done, adds nothing, and gives the same exit code.
    before = table.read_bytes(), lines.read_bytes()
    again = ("sett", folder, *OPTIONS, "--csv", table, "--jsonl", lines, "--skip-done")
    code, out, _ = run(capsys, *again)
    assert code == 2
    assert "(5 of them done before)" in out
    assert (table.read_bytes(), lines.read_bytes()) == before

    # A half-written line is dropped and its photo measured again; a changed photo counts as new.
    table.write_bytes(before[0][:-40])
    (folder / "text.jpg").write_text("another text")
    code, out, _ = run(capsys, *again)
    assert code == 2
    assert "done before" in out
    rows = rows_of(table)
    assert {row["photo"] for row in rows} == set(found)
    assert all(len(row["sha256"]) == 64 for row in rows)

    # Other options are another question: nothing of it is done.
    asked: list[Task] = []
    monkeypatch.setattr(
        "pickglass.cli.many_command.measure_all",
        lambda tasks, **_: (asked.extend(tasks), iter([outcome(task.path) for task in tasks]))[1],
    )
    assert run(capsys, *again, "--weave", "plain")[0] == 0
    assert len(asked) == 5


def test_table_is_never_overwritten_by_surprise(capsys, tmp_path, drawn):
    table = tmp_path / "t.csv"
    table.write_text("my own table\n")
    code, _, err = run(capsys, "sett", drawn, "--csv", table)
    assert code == 2
    assert "--skip-done" in err
    code, _, err = run(capsys, "sett", drawn, "--csv", table, "--skip-done")
    assert code == 2
    assert "no table of this version" in err
    assert table.read_text() == "my own table\n"


def test_json_of_several_is_one_document(capsys, tmp_path, drawn):
    missing = tmp_path / "missing.jpg"
    code, out, err = run(capsys, "sett", drawn, missing, *OPTIONS, "--json", "--jobs", "1")
    document = json.loads(out)
    assert code == 2
    assert document["schema"] == "pickglass.sett-list/1"
    assert [photo["photo"] for photo in document["photos"]] == [drawn.name, "missing.jpg"]
    assert [photo["exit_code"] for photo in document["photos"]] == [0, 2]
    assert "1 measured, 1 unreadable" in err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("a.jpg", "b.jpg", "--picture", "m.jpg"), "cannot be used with several photos"),
        (("a.jpg", "--skip-done"), "--csv FILE"),
        (("a.jpg", "--csv", "a.xlsx"), "--csv a.csv"),
        (("a.jpg", "--csv", "no-such-folder/a.csv"), "does not exist"),
        (("a.jpg", "b.jpg", "--jobs", "0"), "from 1 to 512"),
    ],
)
def test_wrong_use_is_said_before_anything_is_measured(capsys, tmp_path, monkeypatch, words, said):
    monkeypatch.chdir(tmp_path)
    code, out, err = run(capsys, "sett", *words)
    assert (code, out) == (2, "")
    assert said in err
    assert list(tmp_path.iterdir()) == []


def test_folder_without_photos_is_said(capsys, tmp_path):
    code, _, err = run(capsys, "sett", tmp_path)
    assert code == 2
    assert "There is no photo in" in err


def test_gather_takes_each_photo_once_in_order(folder):
    named = folder / "text.jpg"
    found = gather([named, folder, folder / "notes.txt"])
    assert [path.name for path in found] == [
        "text.jpg",
        "=1+cmd.png",
        "band.png",
        "cut.png",
        "empty.jpg",
        "notes.txt",  # named itself, so taken whatever its name
    ]


def outcome(path: Path, verdict: str = "measured", code: int = 0) -> Outcome:
    return Outcome(
        path=path,
        sha256="0" * 64,
        verdict=verdict,
        exit_code=code,
        document={"photo": path.name, "verdict": verdict, "messages": []},
        record=empty_record(path.name, verdict=verdict, message=""),
    )


@pytest.mark.parametrize(
    ("found", "code"),
    [
        ((("measured", 0), ("measured", 0)), 0),
        ((("measured", 0), ("unsure", 3)), 3),
        ((("unsure", 3), ("refused", 4), ("measured", 0)), 4),
        ((("refused", 2), ("measured", 0)), 2),
        ((("refused", 2), ("unsure", 3)), 3),
    ],
)
def test_exit_code_is_the_highest(capsys, monkeypatch, tmp_path, found, code):
    paths = [tmp_path / f"{number}.jpg" for number in range(len(found))]
    monkeypatch.setattr(
        "pickglass.cli.many_command.measure_all",
        lambda tasks, **_: iter([outcome(t.path, *f) for t, f in zip(tasks, found, strict=True)]),
    )
    assert run(capsys, "sett", *paths)[0] == code


def test_interrupt_keeps_what_is_finished(capsys, monkeypatch, tmp_path):
    def measure(tasks, **_):
        yield outcome(tasks[0].path)
        raise KeyboardInterrupt

    monkeypatch.setattr("pickglass.cli.many_command.measure_all", measure)
    table = tmp_path / "t.csv"
    code, out, err = run(capsys, "sett", tmp_path / "a.jpg", tmp_path / "b.jpg", "--csv", table)
    assert code == 130
    assert "1 measured, 1 not looked at" in out
    assert "1 of 2 photos were finished" in err
    assert "--skip-done" in err
    assert [row["photo"] for row in rows_of(table)] == ["a.jpg"]


def test_a_photo_that_kills_its_process_is_found_and_the_rest_measured():
    def deadly(task: Task) -> Outcome:  # inside, so that it travels to the workers by value
        import os as system
        from pathlib import Path as Place

        from pickglass.cli.many import Outcome as Found

        if task.path.name == "bad.jpg":
            system.kill(system.getpid(), 9)
        return Found(path=Place(task.path), sha256=None, verdict="measured", exit_code=0, document={})

    names = ["a.jpg", "b.jpg", "bad.jpg", *(f"{number}.jpg" for number in range(9))]
    tasks = [Task(path=Path(name), request=Request()) for name in names]
    found = list(measure_all(tasks, jobs=2, measure=deadly))
    assert sorted(o.path.name for o in found) == sorted(names)
    assert [o.path.name for o in found if o.exit_code] == ["bad.jpg"]
    assert next(o for o in found if o.exit_code).record["messages"] == "worker-died"


@pytest.mark.parametrize("text", ["=1+1", "+cmd", "-2+3", "@SUM(A1)", "\tx", "=a\nb"])
def test_no_cell_is_a_formula(text):
    (cell, other) = next(csv.reader(io.StringIO(csv_line((text, -1.5)).decode())))
    assert cell[0] not in "=+-@\t\r\n"
    assert "\n" not in cell
    assert other == "-1.5"  # a negative number is no formula


def test_tables_read_back_what_they_wrote(tmp_path):
    for kind, name in ((CsvTable, "t.csv"), (LinesTable, "t.jsonl")):
        path = tmp_path / name
        with kind(path, overwrite=False, go_on=False) as table:
            table.add(outcome(Path("a.jpg"), "unsure", 3), "weave=plain", "1")
        with kind(path, overwrite=False, go_on=True) as table:
            ((key, before),) = table.done.items()
        assert key == ("0" * 64, "weave=plain")
        assert (before.verdict, before.exit_code) == ("unsure", 3)


def test_foreign_lines_are_not_added_to(tmp_path):
    path = tmp_path / "t.jsonl"
    path.write_text('{"mine": 1}\n')
    with pytest.raises(UsageError, match="not written by pickglass"):
        LinesTable(path, overwrite=False, go_on=True)


def test_columns_are_named_once():
    assert len(COLUMNS) == len(set(COLUMNS))
    assert set(SETT_COLUMNS) < set(COLUMNS)


def test_report_of_many_compares_them(capsys, tmp_path, folder):
    target = tmp_path / "r.html"
    code, _, _ = run(capsys, "sett", folder, *OPTIONS, "--report", target)
    html = target.read_text("utf-8")
    assert code == 2
    assert "5 photos: 2 measured, 3 unreadable." in html
    assert html.count("<img ") == 2
    assert html.count("<svg ") == 2
    assert "=1+cmd.png" in html
    assert "is a text file. Give a JPEG" in html
    assert not re.search(r'(?:src|href)="(?!data:|#)', html)


def test_report_of_many_escapes_names_and_bounds_its_size():
    big = Inlay(
        uri="data:image/jpeg;base64," + "A" * (THUMBNAIL_BYTES * 4 // 3), width=480, height=360, alt=""
    )
    paths = [Path(f"<script>{number}.jpg") for number in range(MOST_PICTURES)]
    outcomes = {path: replace(outcome(path), picture=big) for path in paths}
    page = many_report(paths, outcomes, {}, Request()).decode("utf-8")
    assert "<script" not in page
    assert page.count("<img ") == MOST_PICTURES
    assert len(page) < 3_000_000


def test_report_of_many_says_what_a_better_photo_takes_and_which_photo_a_remark_is_about():
    def told(*texts):
        return {"messages": [{"code": "x", "text": text} for text in texts]}

    paths = [Path(f"{number}.jpg") for number in range(1, 16)]
    outcomes = {path: replace(outcome(path), document=told("All of them.")) for path in paths}
    outcomes[paths[1]] = replace(outcome(paths[1]), document=told("All of them.", "Alone.", "Alone."))
    for k in (3, 5, 6):
        outcomes[paths[k]] = replace(outcome(paths[k]), document=told("All of them.", "Some."))
    outcomes[paths[2]] = replace(outcomes[paths[2]], advice="Try <b>--rule</b> or --scan.")
    html = many_report(paths, outcomes, {}, Request()).decode("utf-8")
    notes = re.findall(r"<li>(.*?)</li>", html)
    assert notes == ["All of them. (15 photos)", "Some. (photos 4, 6 and 7)", "Alone. (photo 2)"]
    assert html.count("Next time: ") == 1
    assert 'Try &lt;b&gt;--rule&lt;/b&gt; or <span class="option">--scan</span>.' in html


def test_outcome_carries_the_advice_for_a_photo_from_too_far():
    found = measure_task(Task(path=ROOT / "sample_images" / "band_striped.jpg", request=Request()))
    assert found.verdict != "refused"
    assert found.advice.startswith("Move to ")


@pytest.mark.slow
def test_pandas_reads_the_table(capsys, tmp_path, folder):
    pandas = pytest.importorskip("pandas")
    table = tmp_path / "t.csv"
    run(capsys, "sett", folder, *OPTIONS, "--csv", table)
    frame = pandas.read_csv(table)
    assert list(frame.columns) == list(COLUMNS)
    assert len(frame) == 5
    assert frame["ends_per_inch"].dtype == float
    assert frame.loc[frame["verdict"] == "measured", "ends_count"].notna().all()


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="signals of a terminal")
def test_ctrl_c_on_a_terminal_keeps_what_is_finished(tmp_path):
    """The signal goes to the whole process group, workers included, as a terminal sends it."""
    place = tmp_path / "photos"
    place.mkdir()
    for number in range(12):
        draw(place / f"{number:02}.png", seed=number)
    table = tmp_path / "t.csv"
    command = [
        sys.executable,
        "-m",
        "pickglass.cli.main",
        "sett",
        place,
        *OPTIONS,
        "--csv",
        table,
        "--jobs",
        "2",
    ]
    running = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
    )
    deadline = time.monotonic() + 120
    while not (table.exists() and table.read_bytes().count(b"\n") >= 3) and time.monotonic() < deadline:
        time.sleep(0.05)
    os.killpg(running.pid, signal.SIGINT)
    out, err = running.communicate(timeout=60)
    assert running.returncode == 130
    assert "Traceback" not in err
    assert "not looked at" in out
    finished = rows_of(table)
    assert 2 <= len(finished) < 12
    assert all(len(row["sha256"]) == 64 for row in finished)
    done = subprocess.run([*command, "--skip-done"], capture_output=True, text=True, check=False)
    assert done.returncode in (0, 3, 4)
    assert f"({len(finished)} of them done before)" in done.stdout
    assert len(rows_of(table)) == 12


@pytest.mark.slow
def test_forty_mixed_photos_with_three_broken(capsys, tmp_path):
    place = tmp_path / "photos"
    place.mkdir()
    for number, suffix in zip(range(34), cycle((".jpg", ".png", ".webp", ".tif")), strict=False):
        draw(place / f"{number:02}{suffix}", shape=(300 + 20 * (number % 3), 260), seed=number)
    for number, grey in enumerate((20, 128, 235)):  # no cloth at all
        cv2.imwrite(str(place / f"table {number}.png"), np.full((300, 260, 3), grey, np.uint8))
    (place / "text.jpg").write_text("no photo")
    (place / "empty.jpg").write_bytes(b"")
    (place / "cut.png").write_bytes((place / "01.png").read_bytes()[:4000])
    table = tmp_path / "t.csv"
    code, out, _ = run(capsys, "sett", place, *OPTIONS, "--csv", table)
    rows = rows_of(table)
    assert len(rows) == 40
    assert {row["photo"] for row in rows if row["exit_code"] == "2"} == {"text.jpg", "empty.jpg", "cut.png"}
    assert {row["photo"] for row in rows if row["exit_code"] == "4"} == {f"table {n}.png" for n in range(3)}
    assert all(row["what_to_do"] for row in rows if row["exit_code"] in ("2", "4"))
    assert sum(row["verdict"] == "measured" for row in rows) >= 30
    assert "40 photos: " in out
    assert code == max(int(row["exit_code"]) for row in rows)
    # the same numbers whatever the number of jobs
    alone = tmp_path / "alone.csv"
    run(capsys, "sett", place / "00.jpg", place / "01.png", *OPTIONS, "--csv", alone, "--jobs", "1")
    together = {row["photo"]: row for row in rows}
    assert all(row == together[row["photo"]] for row in rows_of(alone))


@pytest.mark.slow
def test_a_cluster_gives_the_same_numbers(tmp_path, folder):
    """Two worker processes on this machine; the photos travel to them, for a cluster need not share a disk."""
    distributed = pytest.importorskip("distributed")
    script = "import sys; from pickglass.cli.main import main\nif __name__ == '__main__': main(sys.argv[1:])"
    tables = {}
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, host="127.0.0.1"
    ) as cluster:
        for name, extra in (("here", ()), ("there", ("--cluster", cluster.scheduler_address))):
            tables[name] = tmp_path / f"{name}.csv"
            words = ["sett", str(folder), *OPTIONS, "--csv", str(tables[name]), *extra]
            done = subprocess.run(
                [sys.executable, "-c", script, *words], capture_output=True, text=True, check=False
            )
            assert done.returncode == 2, done.stderr
    here, there = ({row["photo"]: row for row in rows_of(tables[name])} for name in ("here", "there"))
    assert here == there
    nobody = [sys.executable, "-c", script, "sett", str(folder), "--cluster", "tcp://127.0.0.1:9"]
    done = subprocess.run(nobody, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "No cluster answers" in done.stderr
    assert "Traceback" not in done.stderr


def test_the_end_says_why_a_photo_is_unsure_and_what_to_do():
    paths = [Path("a.jpg"), Path("b.jpg"), Path("c.jpg")]
    why = {"doubt": "It is not clear that this is woven.", "doubt_step": "Take a sharper photo."}
    outcomes = {path: replace(outcome(path, "unsure", 3), **why) for path in paths[:2]}
    outcomes[paths[2]] = outcome(paths[2])
    text = many_text(paths, outcomes, {})
    assert text.count("It is not clear that this is woven.") == 2
    assert text.count("What to do with these: Take a sharper photo.") == 1
    assert "  a.jpg: It is" in text
    html = many_report(paths, outcomes, {}, Request()).decode("utf-8")
    assert html.count("It is not clear that this is woven. Take a sharper photo.") == 2


def test_remarks_that_differ_only_in_a_number_are_one():
    def told(code, text):
        return {"messages": [{"code": code, "text": text}]}

    paths = [Path(f"{number}.jpg") for number in range(1, 5)]
    tilts = (17, 20, 9)
    outcomes = {
        path: replace(outcome(path), document=told("tilted", f"The phone was tilted by {tilt} degrees."))
        for path, tilt in zip(paths, tilts, strict=False)
    }
    outcomes[paths[3]] = replace(outcome(paths[3]), document=told("bent", "Card A4-1 does not lie flat."))
    html = many_report(paths, outcomes, {}, Request()).decode("utf-8")
    assert re.findall(r"<li>(.*?)</li>", html) == [
        "The phone was tilted by 9 to 20 degrees. (photos 1, 2 and 3)",
        "Card A4-1 does not lie flat. (photo 4)",
    ]


def test_a_photo_that_was_refused_is_shown(tmp_path):
    bare = tmp_path / "table.png"
    cv2.imwrite(str(bare), np.full((400, 600, 3), 150, np.uint8))
    (tmp_path / "text.jpg").write_text("no photo")
    found = [
        measure_task(Task(path=path, request=Request(), with_picture=True))
        for path in (bare, tmp_path / "text.jpg")
    ]
    assert [o.picture is not None for o in found] == [True, False]
    assert found[0].picture.alt == "The photo as it is"
    assert found[0].exit_code == 4
