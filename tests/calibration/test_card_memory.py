"""What is remembered of cards and lenses, and that a bad file does no harm."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from pickglass.calibration.card_memory import (
    CheckBars,
    LensRecord,
    parse_measured,
    read_memory,
    remember_check,
    remember_lens,
)
from pickglass.calibration.errors import UsageError

LENS = LensRecord(
    camera="Invented Phone 1",
    focal_length_mm=5.4,
    focal_per_diagonal=0.6,
    focal_per_diagonal_u=0.004,
    k1=-0.012,
    k1_u=0.001,
    photos=4,
)


@pytest.mark.parametrize("text", ["99.2x99.4", " 99,2 x 99,4 ", "99.2mm X 99.4mm", "99.2×99.4", "99.2*99.4"])
def test_measured_bars_read_in_every_usual_spelling(text: str):
    assert parse_measured(text) == CheckBars(across_mm=99.2, upright_mm=99.4)


@pytest.mark.parametrize(
    "text", ["", "99.2", "x", "99.2x", "99x98x97", "-99x99", "nanxnan", "infx99", "1e2x1e2"]
)
def test_what_is_no_pair_of_lengths_is_refused(text: str):
    with pytest.raises(UsageError, match=r"99\.2x99\.4"):
        parse_measured(text)


@pytest.mark.parametrize("text", ["89.9x99", "99x106.1", "0x0", "9.92x9.94", "1000x1000"])
def test_absurd_bars_are_refused_with_the_accepted_range(text: str):
    with pytest.raises(UsageError, match="90 to 106"):
        parse_measured(text)


def test_centimetres_are_recognised():
    with pytest.raises(UsageError, match="centimetres"):
        parse_measured("9.92x9.94")


def test_bars_that_no_printer_stretches_so_differently_are_refused():
    with pytest.raises(UsageError, match="differ"):
        parse_measured("96x100")


def test_scale_of_a_shrunk_print():
    assert CheckBars(across_mm=97.0, upright_mm=97.5).scale == pytest.approx((0.97, 0.975))


def test_memory_round_trip(tmp_path: Path):
    path = tmp_path / "deep" / "memory.json"
    assert read_memory(path).checks == {}
    remember_check(path, "a4-1", CheckBars(across_mm=99.2, upright_mm=99.4))
    remember_check(path, "RAIL-2", CheckBars(across_mm=100.1, upright_mm=99.9))
    remember_lens(path, LENS)
    remember_check(path, "A4-1", CheckBars(across_mm=99.0, upright_mm=99.1))
    memory = read_memory(path)
    assert memory.checks == {
        "A4-1": CheckBars(across_mm=99.0, upright_mm=99.1),
        "RAIL-2": CheckBars(across_mm=100.1, upright_mm=99.9),
    }
    assert memory.lenses == (LENS,)
    assert not memory.damaged
    assert [p.name for p in path.parent.iterdir()] == ["memory.json"]  # nothing half-made is left


@pytest.mark.parametrize(
    "content",
    [b"", b"{", b"[]", b'"x"', b"\xff\xfe\x00", b"[" * 100_000, b'{"schema":"pickglass.memory/99"}', b"null"],
)
def test_damaged_memory_is_empty_and_kept_aside(tmp_path: Path, content: bytes):
    path = tmp_path / "memory.json"
    path.write_bytes(content)
    memory = read_memory(path)
    assert memory.damaged
    assert memory.checks == {}
    remember_check(path, "A4-1", CheckBars(across_mm=99.0, upright_mm=99.0))
    assert list(read_memory(path).checks) == ["A4-1"]
    assert (tmp_path / "memory.json.damaged").read_bytes() == content


def test_sound_entries_of_a_partly_damaged_memory_are_kept(tmp_path: Path):
    path = tmp_path / "memory.json"
    remember_check(path, "A4-1", CheckBars(across_mm=99.0, upright_mm=99.0))
    remember_lens(path, LENS)
    document = json.loads(path.read_text())
    document["cards"]["A4-2"] = {"across_mm": 12.0, "upright_mm": 99.0}
    document["cards"]["A9-1"] = {"across_mm": 99.0, "upright_mm": 99.0}
    document["cards"]["A4-3"] = 5
    document["cards"]["A4-4"] = {"across_mm": "wide"}
    document["lenses"] += [
        {"camera": "x"},
        7,
        {**document["lenses"][0], "k1": 5.0},
        {**document["lenses"][0], "k1_u": None},
    ]
    path.write_text(json.dumps(document))
    memory = read_memory(path)
    assert memory.damaged
    assert list(memory.checks) == ["A4-1"]
    assert memory.lenses == (LENS,)


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="root may write everywhere")
def test_folder_without_rights(tmp_path: Path):
    tmp_path.chmod(0o500)
    with pytest.raises(UsageError, match="cannot be written"):
        remember_check(tmp_path / "memory.json", "A4-1", CheckBars(across_mm=99.0, upright_mm=99.0))


def test_folder_in_the_place_of_the_file(tmp_path: Path):
    with pytest.raises(UsageError, match="cannot be read"):
        read_memory(tmp_path)
    with pytest.raises(UsageError):
        remember_check(tmp_path, "A4-1", CheckBars(across_mm=99.0, upright_mm=99.0))
