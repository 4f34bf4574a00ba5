"""Bad input: one clear sentence, the right exit code, no traceback, nothing half-made, in bounded time and memory."""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import time
from pathlib import Path

import cv2
import numpy as np
import pytest

from .caller import call, check, leftovers
from .corpus import ANY, Case, cloth_bgr, corpus, encoded

MOST_SECONDS = 60.0  # for a tiny picture on a machine that does other work as well
CASES = corpus()


@pytest.fixture(autouse=True)
def _own_memory(tmp_path_factory, monkeypatch):
    monkeypatch.setenv("PICKGLASS_MEMORY", str(tmp_path_factory.mktemp("memory") / "memory.json"))


@pytest.mark.parametrize("case", CASES, ids=lambda case: ascii(case.name))
def test_whatever_is_handed_over(case: Case, tmp_path: Path) -> None:
    if case.name == "locked" and os.geteuid() == 0:
        pytest.skip("permissions do not bind this user")
    photo = case.make(tmp_path)
    report, before = tmp_path / "report.html", {path.name for path in tmp_path.iterdir()}
    words = ("sett", "--json", "--all-cloth", "--no-scale", "--report", str(report), "--", str(photo))
    start = time.monotonic()
    answer = call(*words)
    assert time.monotonic() - start < MOST_SECONDS
    check(answer, *words)
    assert answer.code in case.codes, answer
    document = json.loads(answer.out)
    if answer.code in (2, 4):
        assert leftovers(tmp_path, before) == set()
        assert document["verdict"] == "refused"
        assert document["messages"]
    else:
        assert leftovers(tmp_path, before) == {"report.html"}
        page = report.read_text(encoding="utf-8")
        assert "<script>alert" not in page
        assert "\x1b" not in page


@pytest.mark.parametrize(
    "case", [c for c in CASES if c.codes == (2,)][::4], ids=lambda case: ascii(case.name)
)
@pytest.mark.parametrize("command", ["evenness", "shrinkage", "lens"])
def test_every_command_that_takes_photos(command: str, case: Case, tmp_path: Path) -> None:
    if case.name == "locked" and os.geteuid() == 0:
        pytest.skip("permissions do not bind this user")
    photo = str(case.make(tmp_path))
    before = {path.name for path in tmp_path.iterdir()}
    words = (command, "--json", *({"shrinkage": (photo, photo), "lens": (photo,) * 3}.get(command, (photo,))))
    answer = call(*words)
    check(answer, *words)
    assert answer.code in (2, 4), answer
    assert leftovers(tmp_path, before) == set()


def test_a_folder_of_them_all_stops_at_none(tmp_path: Path) -> None:
    """Every file gets its row, bad ones do not stop the rest."""
    (tmp_path / "in").mkdir()
    chosen = [
        c for c in CASES if c.name in ("text", "zero bytes", "jpg cut at 0.4", "all black", "rotation 6")
    ]
    for case in chosen:
        case.make(tmp_path / "in")
    table = tmp_path / "out.jsonl"
    words = ("sett", "--all-cloth", "--no-scale", "--jobs", "1", "--jsonl", str(table), str(tmp_path / "in"))
    answer = call(*words)
    assert answer.code in (2, 4)
    rows = [json.loads(line) for line in table.read_text(encoding="utf-8").splitlines()]
    assert len(rows) == len(chosen)
    assert sum(row["verdict"] == "refused" for row in rows) == len(chosen) - 1
    assert "Traceback" not in answer.err


@pytest.mark.parametrize(
    "place", ["missing/out.html", "file.txt/out.html", "out.exe", ".", "locked/out.html"]
)
def test_places_that_cannot_be_written(place: str, tmp_path: Path) -> None:
    (tmp_path / "file.txt").write_text("mine")
    locked = tmp_path / "locked"
    locked.mkdir()
    locked.chmod(0o500)
    if place.startswith("locked") and os.access(locked, os.W_OK):
        pytest.skip("permissions do not bind this user")
    photo = tmp_path / "good.png"
    photo.write_bytes(encoded(cloth_bgr(), ".png"))
    before = {path.name for path in tmp_path.iterdir()}
    for option in ("--report", "--picture", "--csv"):
        words = ("sett", "--all-cloth", "--no-scale", option, str(tmp_path / place), str(photo))
        answer = call(*words)
        check(answer, *words)
        assert answer.code == 2, answer
    assert leftovers(tmp_path, before) == set()
    assert (tmp_path / "file.txt").read_text() == "mine"


_BOUNDED = """
import resource, sys
resource.setrlimit(resource.RLIMIT_AS, ({limit}, {limit}))
resource.setrlimit(resource.RLIMIT_CPU, ({cpu_s}, {cpu_s}))
from pickglass.cli.main import main
try:
    main(sys.argv[1:])
finally:
    print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, file=sys.stderr)
"""


def _bounded(photo: Path, *, gib: float, cpu_s: int) -> subprocess.CompletedProcess[str]:
    """Measure within these bounds; those of time count the work, for a busy machine lets every process wait."""
    code = _BOUNDED.format(limit=int(gib * 2**30), cpu_s=cpu_s)
    words = [sys.executable, "-c", code, "sett", "--all-cloth", "--no-scale", str(photo)]
    # The address space holds what threads set aside as well, and a machine of many cores starts many.
    few = {"OPENCV_FOR_THREADS_NUM": "2", "OMP_NUM_THREADS": "2", "MALLOC_ARENA_MAX": "2"}
    return subprocess.run(
        words, capture_output=True, text=True, timeout=max(300, 2 * cpu_s), check=False, env=os.environ | few
    )


@pytest.mark.parametrize(
    "name", ["PNG bomb", "PNG of the largest size", "JPEG bomb", "PNG with pixels missing"]
)
def test_bombs_are_refused_in_little_memory(name: str, tmp_path: Path) -> None:
    done = _bounded(next(c for c in CASES if c.name == name).make(tmp_path), gib=3.0, cpu_s=60)
    assert done.returncode == 2, done.stderr
    assert float(done.stderr.split()[-1]) < 600


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["cloth", "noise", "blank"])
def test_two_hundred_megapixels(kind: str, tmp_path: Path) -> None:
    """The largest phone pictures: an answer within minutes and within twelve times the decoded picture."""
    side = (12_240, 16_320)
    if kind == "cloth":
        tile = cloth_bgr((1200, 1300))
        picture = np.tile(tile, (side[0] // 1200 + 1, side[1] // 1300 + 1, 1))[: side[0], : side[1]]
    elif kind == "noise":
        picture = np.random.default_rng(0).integers(0, 256, (*side, 3), dtype=np.uint8)
    else:
        picture = np.full((*side, 3), 200, np.uint8)
    photo = tmp_path / "large.jpg"
    assert cv2.imwrite(str(photo), picture, [cv2.IMWRITE_JPEG_QUALITY, 80])
    decoded = picture.nbytes
    del picture
    done = _bounded(photo, gib=16, cpu_s=600)
    assert done.returncode in ANY or done.returncode == 2, done.stderr
    assert "Traceback" not in done.stderr
    assert float(done.stderr.split()[-1]) * 2**20 < 12 * decoded


def test_memory_is_that_of_this_machine() -> None:
    """The bounds above mean something only where the limits of the system hold."""
    assert resource.getrlimit(resource.RLIMIT_AS)[0] != 0
