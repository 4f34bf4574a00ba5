"""What holds whatever is measured: nothing fetched, nothing half-made or overwritten, the same numbers every time."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path
from typing import Any, NoReturn

import cv2
import numpy as np
import pytest
from bad_input.caller import call
from bad_input.corpus import cloth_bgr
from plan_files import SETT, save

CLOTH = ("--all-cloth", "--px-per-mm", "8")


@pytest.fixture(autouse=True)
def _own_places(tmp_path_factory, monkeypatch) -> None:
    place = tmp_path_factory.mktemp("places")
    monkeypatch.setenv("PICKGLASS_MEMORY", str(place / "memory.json"))
    monkeypatch.setenv("XDG_DATA_HOME", str(place))


@pytest.fixture(name="photo")
def _photo(tmp_path: Path) -> Path:
    path = tmp_path / "cloth.png"
    assert cv2.imwrite(str(path), cloth_bgr((420, 380)))
    return path


def test_nothing_is_fetched(photo: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def forbidden(*_: object, **__: object) -> NoReturn:
        raise AssertionError("a connection was tried")

    for name in ("connect", "connect_ex", "bind", "sendto"):
        monkeypatch.setattr(socket.socket, name, forbidden)
    for name in ("getaddrinfo", "gethostbyname", "create_connection"):
        monkeypatch.setattr(socket, name, forbidden)
    sett, book = tmp_path / "sett.json", tmp_path / "book.db"
    answer = call("sett", str(photo), *CLOTH, "--json", "--report", str(tmp_path / "sett.html"))
    assert answer.code == 0, answer
    sett.write_text(answer.out)
    for words in (
        ("evenness", str(photo), *CLOTH, "--report", str(tmp_path / "even.html")),
        ("shrinkage", str(photo), str(photo), *CLOTH, "--report", str(tmp_path / "wash.html")),
        ("plan", "--width", "20cm", "--length", "1m", "--sample", str(sett), "--sample-is", "off-loom"),
        ("card", "page", "--output", str(tmp_path / "card.pdf")),
        ("book", "add", "band", "--from", str(sett), "--book", str(book)),
        ("book", "show", "band", "--book", str(book)),
    ):
        assert call(*words).code in (0, 3), words
    page = (tmp_path / "sett.html").read_text(encoding="utf-8")
    for reference in ('src="http', "src='http", 'href="http', "url(http", "@import"):
        assert reference not in page


# Every option that writes a file, with a command that is right but for the file being there.
WRITERS = {
    "sett": (
        "--picture=m.png",
        "--repeat-picture=r.png",
        "--report=r.html",
        "--csv=t.csv",
        "--jsonl=t.jsonl",
    ),
    "evenness": ("--picture=m.svg", "--csv=t.csv", "--report=r.html"),
    "shrinkage": ("--picture=m.svg", "--report=r.html"),
    "plan": ("--sheet=s.html", "--csv=t.csv", "--preview=p.png", "--report=r.html"),
    "card": ("--output=c.pdf", "--preview=p.png", "--report=r.html"),
    "lens": ("--report=r.html",),
    "book export": ("b.json", "b.csv"),
    "book show": ("--report=r.html",),
    "book compare": ("--report=r.html",),
}


@pytest.mark.parametrize(
    ("command", "option"), [(command, option) for command, all_ in WRITERS.items() for option in all_]
)
def test_no_command_overwrites_by_surprise(command: str, option: str, photo: Path, tmp_path: Path) -> None:
    book, sett = tmp_path / "book.db", save(tmp_path / "sett.json", SETT)
    if command.startswith("book"):
        for name in ("one", "two"):
            assert call("book", "add", name, "--from", str(sett), "--book", str(book)).code == 0
    flag, _, name = option.rpartition("=")
    target = tmp_path / name
    target.write_text("mine")
    washed = tmp_path / "washed.jpg"  # one photo named twice would leave with 3
    assert cv2.imwrite(str(washed), np.asarray(cv2.imread(str(photo))), [cv2.IMWRITE_JPEG_QUALITY, 95])
    before = {path.name for path in tmp_path.iterdir()}
    own = {
        "sett": (str(photo), *CLOTH),
        "evenness": (str(photo), *CLOTH),
        "shrinkage": (str(photo), str(washed), *CLOTH),
        "plan": ("--width", "20cm", "--length", "1m", "--sett", "20/in", "--picks", "18/in"),
        "card": ("page", *(() if flag == "--output" else ("--output", str(tmp_path / "other.pdf")))),
        "lens": (str(photo),) * 3,
        "book export": ("--book", str(book)),
        "book show": ("one", "--book", str(book)),
        "book compare": ("one", "two", "--book", str(book)),
    }[command]
    words = (*command.split(), *own, *((flag,) if flag else ()), str(target))
    answer = call(*words)
    assert answer.code == 2, answer
    assert "--overwrite" in answer.err or "--skip-done" in answer.err, answer
    assert target.read_text() == "mine"
    assert {path.name for path in tmp_path.iterdir()} == before
    if command != "lens":  # a cloth is no card, and nothing is learned from it
        assert call(*words, "--overwrite").code == 0
        assert target.read_bytes() != b"mine"


# The signal is held back until the command itself has begun: before that there is nobody to say a sentence.
_DRIVER = """
import signal
from pickglass.cli import main as entry
run = entry._run
def begin(words):
    signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
    return run(words)
entry._run = begin
signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
print("ready", flush=True)
entry.main()
"""


@pytest.mark.parametrize("delay_s", [0.0, 0.3, 0.8, 1.5, 2.5])
def test_ctrl_c_leaves_nothing_half_made(delay_s: float, photo: Path, tmp_path: Path) -> None:
    """Interrupted at any moment: each file is either whole or not there, and nothing else is left behind."""
    out = tmp_path / "out"
    out.mkdir()
    files = {"--picture": out / "marks.png", "--report": out / "report.html"}
    words = ["sett", str(photo), *CLOTH, *(str(w) for pair in files.items() for w in pair)]
    process = subprocess.Popen(
        [sys.executable, "-c", _DRIVER, *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    time.sleep(delay_s)
    process.send_signal(signal.SIGINT)
    _, err = process.communicate(timeout=120)
    # While Python itself is closing down the signal ends the process; a shell reports that as 130, too.
    assert process.returncode in (0, 130, -signal.SIGINT), err
    assert "Traceback" not in err
    left = {path.name for path in out.iterdir()}
    assert left <= {"marks.png", "report.html"}
    if "marks.png" in left:
        assert cv2.imread(str(out / "marks.png")) is not None
    if "report.html" in left:
        assert (out / "report.html").read_text(encoding="utf-8").rstrip().endswith("</html>")
    if process.returncode == 130 and delay_s > 0.0:
        assert "nothing half-made" in err


def _document(photo: Path, threads: int | None = None) -> dict[str, Any]:
    code = "import sys, cv2; {}; from pickglass.cli.main import main; main()"
    code = code.format("pass" if threads is None else f"cv2.setNumThreads({threads})")
    own = (
        {}
        if threads is None
        else {f"{name}_NUM_THREADS": str(threads) for name in ("OMP", "OPENBLAS", "MKL")}
    )
    words = [sys.executable, "-c", code, "sett", str(photo), *CLOTH, "--json"]
    done = subprocess.run(words, capture_output=True, text=True, check=False, env=os.environ | own)
    assert done.returncode == 0, done.stderr
    document: dict[str, Any] = json.loads(done.stdout)
    return document


def test_same_numbers_in_every_run_and_with_any_number_of_threads(photo: Path) -> None:
    first = _document(photo)
    assert _document(photo) == first
    for threads in (1, 4):
        other = _document(photo, threads)
        for system in ("ends", "picks"):
            assert other[system]["count"] == first[system]["count"]
            # Sums taken in another order may differ in the last digits of single precision.
            assert other[system]["per_inch"] == pytest.approx(first[system]["per_inch"], rel=1e-6)
        assert other["verdict"] == first["verdict"]
        assert other["weave"] == first["weave"]


def test_saving_the_photo_again_stays_within_the_stated_doubt(photo: Path, tmp_path: Path) -> None:
    first = _document(photo)
    picture = cv2.imread(str(photo))
    for turn in range(2):
        again = tmp_path / f"again{turn}.jpg"
        assert cv2.imwrite(str(again), np.asarray(picture), [cv2.IMWRITE_JPEG_QUALITY, 95])
        picture = cv2.imread(str(again))
        other = _document(again)
        for system in ("ends", "picks"):
            doubt = first[system]["u95_per_inch"]
            assert other[system]["per_inch"] == pytest.approx(first[system]["per_inch"], abs=doubt)
            assert other[system]["count"] == first[system]["count"]
