"""`pickglass card` and `pickglass lens` as a weaver types them."""

from __future__ import annotations

import json
import re
from pathlib import Path

import cv2
import numpy as np
import pypdfium2
import pytest
import typer
from card_scene import Shot, replace, write_photo

from pickglass.calibration.card_memory import CheckBars, read_memory
from pickglass.calibration.errors import PickglassError, UsageError
from pickglass.cli.card_command import card
from pickglass.cli.lens_command import lens

app = typer.Typer()
app.command("card")(card)
app.command("lens")(lens)


@pytest.fixture(autouse=True)
def memory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "memory" / "memory.json"
    monkeypatch.setenv("PICKGLASS_MEMORY", str(path))
    return path


def run(*words: str) -> None:
    app(args=list(words), standalone_mode=False)


@pytest.mark.parametrize(
    ("words", "code", "pages", "size_mm"),
    [
        (("page",), "A4-1", 1, (210.0, 297.0)),
        (("page", "--paper", "letter", "--copy", "3"), "LETTER-3", 1, (215.9, 279.4)),
        (("pocket", "--copy", "2"), "POCKET-2", 1, (210.0, 297.0)),
        (("rail",), "RAIL-1", 2, (297.0, 210.0)),
        (("rail", "--length", "2000", "--paper", "letter"), "RAIL-1", 3, (279.4, 215.9)),
    ],
)
def test_cards_are_drawn(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    words: tuple[str, ...],
    code: str,
    pages: int,
    size_mm: tuple[float, float],
):
    target, picture = tmp_path / "my card.pdf", tmp_path / "look.png"
    run("card", *words, "--output", str(target), "--preview", str(picture))
    said = capsys.readouterr().out
    assert code in said
    assert "100 %" in said
    document = pypdfium2.PdfDocument(target)
    assert len(document) == pages
    assert np.array(document[0].get_size()) * 25.4 / 72 == pytest.approx(size_mm, abs=0.02)
    text = document[0].get_textpage().get_text_range()
    assert code in text
    document.close()
    shown = cv2.imread(str(picture))
    assert shown is not None
    assert shown.shape[1] / size_mm[0] == pytest.approx(6.0, rel=0.01)


def test_the_command_said_is_the_one_that_works(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], memory: Path
):
    run("card", "page", "--output", str(tmp_path / "c.pdf"))
    said = capsys.readouterr().out
    match = re.search(r"pickglass (card --code \S+ --measured \S+)", said)
    assert match is not None
    run(*match[1].split())
    assert read_memory(memory).checks == {"A4-1": CheckBars(across_mm=100.0, upright_mm=100.0)}


def test_measured_bars_are_remembered(memory: Path, capsys: pytest.CaptureFixture[str]):
    run("card", "--measured", "99.2x99.4", "--code", "a4-1")
    said = capsys.readouterr().out
    assert "A4-1" in said
    assert "printed 0.8 % too narrow and 0.6 % too low" in said
    assert json.loads(memory.read_text())["cards"]["A4-1"] == {"across_mm": 99.2, "upright_mm": 99.4}


def test_damaged_memory_is_said_and_kept(memory: Path, capsys: pytest.CaptureFixture[str]):
    memory.parent.mkdir()
    memory.write_text("{not json")
    run("card", "--measured", "99x99", "--code", "RAIL-1")
    assert "memory.json.damaged" in capsys.readouterr().err
    assert memory.with_name("memory.json.damaged").read_text() == "{not json"


def test_nothing_is_overwritten_by_surprise(tmp_path: Path):
    target = tmp_path / "card.pdf"
    target.write_bytes(b"mine")
    with pytest.raises(UsageError, match="--overwrite"):
        run("card", "page", "--output", str(target))
    preview = tmp_path / "p.png"
    preview.write_bytes(b"mine too")
    with pytest.raises(UsageError, match="--overwrite"):
        run("card", "page", "--output", str(tmp_path / "new.pdf"), "--preview", str(preview))
    assert not (tmp_path / "new.pdf").exists()
    assert target.read_bytes() == b"mine"
    run("card", "page", "--output", str(target), "--overwrite")
    assert target.read_bytes().startswith(b"%PDF")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["card.pdf", "p.png"]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ((), "page, pocket or rail"),
        (("page",), "--output"),
        (("page", "--output", "card.png"), r"\.pdf"),
        (("pge", "--output", "card.pdf"), "Did you mean page"),
        (("page", "--output", "c.pdf", "--paper", "a5"), "a4, letter"),
        (("page", "--output", "c.pdf", "--length", "500"), "no --length"),
        (("page", "--output", "c.pdf", "--copy", "7"), "from 1 to 4"),
        (("rail", "--output", "c.pdf", "--length", "9000"), "120 to 4320"),
        (("page", "--output", "no/such/folder/c.pdf"), "does not exist"),
        (("page", "--measured", "99x99", "--code", "A4-1"), "not both"),
        (("--measured", "99x99"), "--code A4-1"),
        (("--code", "A4-1"), "--measured"),
        (("--measured", "49x99", "--code", "A4-1"), "90 to 106"),
        (("--measured", "wide", "--code", "A4-1"), r"99\.2x99\.4"),
        (("--measured", "99x99", "--code", "Z9"), "A4-1, LETTER-1"),
    ],
)
def test_wrong_use_is_explained(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, memory: Path, words: tuple[str, ...], says: str
):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(PickglassError, match=says) as caught:
        run("card", *words)
    assert caught.value.exit_code == 2
    assert list(tmp_path.iterdir()) == []
    assert not memory.exists()


def test_lens_is_learned_and_remembered(tmp_path: Path, memory: Path, capsys: pytest.CaptureFixture[str]):
    shot = Shot(width_px=1600, height_px=1200, k1=-0.03)
    names = []
    for k, towards in enumerate((10.0, 130.0, 250.0)):
        names.append(str(tmp_path / f"card{k}.jpg"))
        write_photo(
            tmp_path / f"card{k}.jpg",
            replace(shot, tilt_deg=21.0, tilt_towards_deg=towards, distance_mm=450.0),
        )
    run("lens", *names)
    assert "3 photos" in capsys.readouterr().out
    (record,) = read_memory(memory).lenses
    assert record.k1 == pytest.approx(-0.03, abs=0.003)
    assert "Phone 1" in record.camera


def test_lens_refuses_what_it_cannot_use(tmp_path: Path, memory: Path):
    place = tmp_path / "photos"
    place.mkdir()
    for number in range(3):
        cv2.imwrite(str(place / f"blank{number}.png"), np.full((300, 400, 3), 99, np.uint8))
    with pytest.raises(UsageError, match="which camera"):
        run("lens", str(place))
    with pytest.raises(UsageError, match="too few"):
        run("lens", *[str(place / "blank0.png")] * 3)
    with pytest.raises(UsageError):
        run("lens", str(tmp_path / "none.jpg"))
    assert not memory.exists()
