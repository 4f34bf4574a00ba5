"""Property fuzz of everything that reads what others wrote: photos, saved measurements, books, tables, the command line.

A few hundred cases run with the tests; the marked run has some eight thousand:

    python -m pytest tests/bad_input/test_fuzz.py -m slow
"""

from __future__ import annotations

import io
import json
import random
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from book_samples import measurement
from PIL import Image
from plan_files import SETT, SHRINKAGE

from pickglass.calibration.errors import PhotoError, PickglassError
from pickglass.calibration.photo import load_photo
from pickglass.cli.book_exchange import parse_csv, parse_json, parse_measurement

from .caller import call, check, leftovers
from .corpus import cloth_bgr

MOST_SECONDS = (
    20.0  # for one damaged picture of a hundred pixels a side, on a machine that does other work too
)
FORMATS = ("JPEG", "PNG", "TIFF", "WEBP", "GIF", "BMP", "PPM", "HEIF", "JPEG2000", "MPO", "ICO", "TGA", "PCX")


def seeds(few: int, many: int) -> list[object]:
    """Batches of cases: a few by default, the rest only in the marked run."""
    return [*range(few), *(pytest.param(n, marks=pytest.mark.slow) for n in range(few, many))]


@pytest.fixture(autouse=True)
def _own_memory(tmp_path_factory, monkeypatch):
    place = tmp_path_factory.mktemp("memory")
    monkeypatch.setenv("PICKGLASS_MEMORY", str(place / "memory.json"))
    monkeypatch.setenv("XDG_DATA_HOME", str(place))


def damaged(data: bytes, rng: random.Random) -> bytes:
    """Change, lose, double or swap bytes of a file, most often in its head, where sizes and tags stand."""
    content = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 4, 16))):
        if not content:
            break
        at = rng.randrange(min(len(content), 400) if rng.random() < 0.6 else len(content))
        kind = rng.randrange(7)
        if kind == 0:
            content[at] ^= 1 << rng.randrange(8)
        elif kind == 1:
            content[at : at + 4] = rng.choice(
                (b"\0\0\0\0", b"\xff\xff\xff\xff", b"\x7f\xff\xff\xff", b"\0\0\0\1")
            )
        elif kind == 2:
            del content[at : at + rng.choice((1, 2, 8, 200))]
        elif kind == 3:
            content[at:at] = rng.randbytes(rng.choice((1, 4, 64)))
        elif kind == 4:
            content = content[:at]
        elif kind == 5:
            content[at:at] = content[at : at + rng.choice((4, 32, 500))]
        else:
            content[at] = rng.randrange(256)
    return bytes(content)


def whole_photos() -> dict[str, bytes]:
    """Encode a small cloth in every format, with the tags that phones write."""
    import pillow_heif

    exif = Image.Exif()
    exif[0x0112], exif[0x010F], exif[0x0110], exif[0x011A] = 6, "Maker", "Model", 300.0
    exif.get_ifd(0x8769)[0x920A] = 4.2
    rgb = Image.fromarray(np.ascontiguousarray(cloth_bgr((96, 104))[..., ::-1]))
    photos = {}
    for name in FORMATS:
        buffer = io.BytesIO()
        tags = {"exif": exif} if name in ("JPEG", "PNG", "TIFF", "WEBP", "HEIF") else {}
        more = {"save_all": True, "append_images": [rgb]} if name in ("MPO", "GIF") else {}
        if name == "HEIF":
            pillow_heif.from_pillow(rgb).save(buffer, **tags)
        else:
            rgb.save(buffer, name, **tags, **more)
        photos[name] = buffer.getvalue()
    return photos


@pytest.fixture(scope="module", name="photos")
def _photos() -> dict[str, bytes]:
    return whole_photos()


@pytest.mark.parametrize("seed", seeds(3, 80))
@pytest.mark.parametrize("kind", FORMATS)
def test_a_damaged_photo_is_read_or_refused(kind, seed, photos, tmp_path, capfd) -> None:
    rng = random.Random(f"{kind}{seed}")
    for n in range(4):
        path = tmp_path / f"{n}.bin"
        path.write_bytes(damaged(photos[kind], rng))
        start = time.monotonic()
        try:
            photo = load_photo(path)
        except PhotoError as error:
            refusal: PhotoError | None = error
        else:
            refusal = None
            assert photo.bgr.dtype == np.uint8
            assert photo.bgr.ndim == 3
            assert min(photo.bgr.shape[:2]) >= 64
            assert photo.dpi is None or photo.dpi > 0
        assert refusal is None or (refusal.problem.endswith((".", "?")) and refusal.next_step)
        assert time.monotonic() - start < MOST_SECONDS
    out, err = capfd.readouterr()
    assert out == ""
    assert "Traceback" not in err


def _values(rng: random.Random) -> object:
    """Return something that does not belong there."""
    return rng.choice(
        (
            None, True, -1, 0, 1e308, -1e308, float("nan"), float("inf"), 10**400, "", "x" * 3000, "<script>", "\0",
            "\ud800", [], {}, [[]], [None] * 3, {"a": {"b": {}}}, "24", "1e999", "NaN", 0.1 + 1e-17,
        )
    )  # fmt: skip


def _places(document: object) -> Iterator[tuple[object, object]]:
    """Yield every container and key of a document."""
    items = document.items() if isinstance(document, dict) else enumerate(document)  # type: ignore[arg-type]
    for key, value in list(items):
        yield document, key
        if isinstance(value, dict | list):
            yield from _places(value)


def spoiled(document: object, rng: random.Random) -> bytes:
    """Return a saved document with values replaced, keys lost, or its bytes damaged."""
    copy = json.loads(json.dumps(document))
    for _ in range(rng.choice((1, 1, 2, 5))):
        places = list(_places(copy))
        if not places:
            break
        holder, key = rng.choice(places)
        if rng.random() < 0.25:
            del holder[key]  # type: ignore[index]
        else:
            holder[key] = _values(rng)  # type: ignore[index]
    text = json.dumps(copy).encode("utf-8", errors="surrogatepass")
    return damaged(text, rng) if rng.random() < 0.3 else text


def _book() -> dict[str, object]:
    kept = {"stage": "off-loom", "date": "2024-05-31", "photo": "band.jpg", "photo_sha256": None}
    sample = {"name": "garden band", "notes": ["a"], "measurements": [kept | {"measurement": measurement()}]}
    return {"schema": "pickglass.book/1", "samples": [sample]}


TABLE = "name,warp_yarn,notes,stage,date,ends_per_inch,picks_per_inch\nband,wool,a,washed,2024-05-31,24,12\n"


def _refused_or_read(read: Callable[[bytes], object], content: bytes) -> None:
    try:
        read(content)
    except PickglassError as error:
        refusal = error
    else:
        return
    assert refusal.problem
    assert refusal.next_step


@pytest.mark.parametrize("seed", seeds(10, 120))
def test_spoiled_documents_are_read_or_refused(seed) -> None:
    rng = random.Random(seed)
    for _ in range(4):
        _refused_or_read(lambda content: parse_json(content, "book.json"), spoiled(_book(), rng))
        _refused_or_read(lambda content: parse_measurement(content, "sett.json"), spoiled(measurement(), rng))
        table = damaged(TABLE.encode(), rng)
        _refused_or_read(lambda content: parse_csv(content, "book.csv"), table)


@pytest.mark.parametrize("seed", seeds(12, 150))
def test_commands_that_take_documents(seed, tmp_path) -> None:
    """Through the command line: nothing but the kept book may be written, and nothing of a refused file is kept."""
    rng = random.Random(seed)
    sett, wash, book = tmp_path / "sett.json", tmp_path / "wash.json", tmp_path / "book.json"
    table, kept = tmp_path / "book.csv", tmp_path / "kept.db"
    sett.write_bytes(spoiled(rng.choice((SETT, measurement())), rng))
    wash.write_bytes(spoiled(SHRINKAGE, rng))
    book.write_bytes(spoiled(_book(), rng))
    table.write_bytes(damaged(TABLE.encode(), rng))
    before = {path.name for path in tmp_path.iterdir()}
    for words in (
        ("plan", "--width", "20cm", "--length", "1m", "--sample", str(sett), "--sample-is", "off-loom"),
        ("plan", "--width", "20cm", "--length", "1m", "--sett", "20/in", "--shrinkage", str(wash), "--json"),
        ("book", "import", str(book), "--book", str(kept)),
        ("book", "import", str(table), "--book", str(kept)),
        ("book", "add", "band", "--from", str(sett), "--book", str(kept)),
        ("book", "list", "--json", "--book", str(kept)),
        ("book", "show", "garden band", "--book", str(kept)),
    ):
        answer = call(*words)
        check(answer, *words)
    assert all(name.startswith("kept.db") for name in leftovers(tmp_path, before))


COMMANDS = (
    "sett",
    "evenness",
    "shrinkage",
    "plan",
    "card",
    "lens",
    "book",
    "book add",
    "book list",
    "book export",
)
OPTIONS = (
    "--json", "--picture", "--report", "--csv", "--jsonl", "--overwrite", "--explain", "--card", "--px-per-mm", "--scan",
    "--dpi", "--no-scale", "--all-cloth", "--area", "--warp", "--weave", "--ends-warped", "--expect-ends",
    "--expect-picks", "--cloth-thickness", "--card-on-cloth", "--jobs", "--start-at", "--spacing", "--window", "--stage",
    "--marks-before", "--marks-after", "--width", "--length", "--pieces", "--sett", "--picks", "--shrink-width",
    "--take-up", "--warp-yarn", "--order", "--heddle", "--wraps", "--waste", "--fibre", "--measured", "--code", "--paper",
    "--copy", "--preview", "--ends", "--yarn", "--date", "--note", "--help", "-h", "--", "-", "--no-such", "-x",
)  # fmt: skip
WORDS = (
    "", " ", "0", "-1", "1e308", "nan", "inf", "-inf", "24", "20..30", "30..20", "..", "1,2,3,4", "1,2,3", "0,0,0,0",
    "20cm", "20/in", "40/10cm", "8%", "8% ± 2", "cotton 8/2", "8 red, 2 (1 white 1 blue)", "((((", "(" * 500, "9" * 400,
    "plain", "twill 2/2", "bank", "auto", "down", "off-loom", "99.2x99.4", "A4-1", "2024-13-45", "x" * 5000, "\u202e",
    "\ud800", "<script>", "'; --", "$(true)", "%s%n", "missing.jpg", "text.jpg", "book:nothing", "..", "/", "/dev/null",
    "\U0001f9f6", "½", "٣", "1_000", "0x10", "1.5.2", "−3",
)  # fmt: skip


@pytest.mark.parametrize("seed", seeds(25, 300))
def test_any_words_on_the_command_line(seed, tmp_path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("text.jpg").write_text("no photo")
    rng = random.Random(f"words {seed}")
    for _ in range(5):
        words = rng.choice(COMMANDS).split()
        for _ in range(rng.randrange(7)):
            words.append(rng.choice(OPTIONS) if rng.random() < 0.55 else rng.choice(WORDS))
        before = {path.name for path in tmp_path.iterdir()}
        answer = call(*words)
        if "-h" not in words:
            check(answer, *words)
        assert "Traceback" not in answer.err
        assert "was not made for" not in answer.err, (words, answer.err)
        assert not any(name.startswith(".pickglass-") for name in leftovers(tmp_path, before))
