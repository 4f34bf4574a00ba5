"""Things people hand to a program that wants a photo of cloth: a corpus made by this script, nothing of it stored.

python tests/bad_input/corpus.py FOLDER     (to look at it)
"""

from __future__ import annotations

import io
import os
import struct
import sys
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, PngImagePlugin

from cloth import Yarn, make_cloth

UNREADABLE, REFUSED, ANY = (2,), (2, 4), (0, 3, 4)
"""Exit codes: not a photo; nothing to measure; read, and whatever it shows said honestly."""

Bgr = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Case:
    """One thing handed over, and the exit codes that are right for it."""

    name: str
    codes: tuple[int, ...]
    make: Callable[[Path], Path]


def cloth_bgr(shape: tuple[int, int] = (300, 260)) -> Bgr:
    """Draw a small plain weave."""
    yarn = Yarn(colours=((0.25, 0.2, 0.6),), cover=0.95)
    other = Yarn(colours=((0.7, 0.75, 0.75),), cover=0.95)
    return make_cloth(shape, end_pitch_px=10.0, pick_pitch_px=12.0, ends=yarn, picks=other, seed=5).bgr


def encoded(bgr: Bgr, suffix: str) -> bytes:
    """Encode a picture as a file of its suffix."""
    done, data = cv2.imencode(suffix, bgr)
    assert done
    return bytes(data)


def _file(content: bytes, name: str) -> Callable[[Path], Path]:
    def make(folder: Path) -> Path:
        path = folder / name
        path.write_bytes(content)
        return path

    return make


def _pillow(image: Image.Image, name: str, **options: object) -> Callable[[Path], Path]:
    def make(folder: Path) -> Path:
        path = folder / name
        image.save(path, **options)
        return path

    return make


def _png_claiming(width: int, height: int) -> bytes:
    """Return a PNG whose header claims a size that its few bytes of pixels do not have."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(b"\0" * 4096))
        + chunk(b"IEND", b"")
    )


def _jpeg_claiming(width: int, height: int) -> bytes:
    """Return a JPEG whose frame header claims another size."""
    data = bytearray(encoded(cloth_bgr(), ".jpg"))
    at = data.find(b"\xff\xc0")
    data[at + 5 : at + 9] = struct.pack(">HH", height, width)
    return bytes(data)


def _exif(orientation: object, *, damaged: bool = False) -> bytes:
    exif = Image.Exif()
    exif[0x0112] = orientation
    exif[0x010F], exif[0x0110] = "<script>alert(1)</script>", "A\x00B"
    content = exif.tobytes()
    return content[:20] + b"\xff" * 12 + content[26:] if damaged else content


def _looped(folder: Path) -> Path:
    first, second = folder / "loop-a.jpg", folder / "loop-b.jpg"
    first.symlink_to(second)
    second.symlink_to(first)
    return first


def _locked(folder: Path) -> Path:
    path = _file(encoded(cloth_bgr(), ".jpg"), "locked.jpg")(folder)
    path.chmod(0)
    return path


def _folder(folder: Path) -> Path:
    path = folder / "folder.jpg"
    path.mkdir()
    return path


def _pipe(folder: Path) -> Path:
    path = folder / "pipe.jpg"
    os.mkfifo(path)
    return path


def _missing(folder: Path) -> Path:
    return folder / "missing.jpg"


def _unusual() -> list[Case]:
    """Whole pictures of unusual kinds: they are read, and measured or honestly not."""
    bgr = cloth_bgr()
    rgb = Image.fromarray(np.ascontiguousarray(bgr[..., ::-1]))
    grey16 = (cv2.cvtColor(bgr, cv2.COLOR_BGR2GRAY).astype(np.uint16)) * 257
    nan = grey16.astype(np.float32) / 65535
    nan[10:40, 20:60] = np.nan
    nan[100, 100] = np.inf
    palette = rgb.quantize(16)
    palette.info["transparency"] = 3
    frames = [rgb.rotate(angle).convert("P") for angle in (0, 90, 180)]
    text = PngImagePlugin.PngInfo()
    text.add_text("Comment", "x" * 100_000)
    cases = [
        Case("wrong suffix", ANY, _file(encoded(bgr, ".png"), "really-a-png.jpg")),
        Case("no suffix", ANY, _file(encoded(bgr, ".jpg"), "photo")),
        Case("animated gif", ANY, _pillow(frames[0], "moving.gif", save_all=True, append_images=frames[1:])),
        Case("16-bit grey", ANY, _file(encoded(grey16, ".png"), "deep.png")),
        Case("16-bit colour", ANY, _file(encoded(bgr.astype(np.uint16) * 257, ".tif"), "deep.tif")),
        Case("CMYK", ANY, _pillow(rgb.convert("CMYK"), "print.jpg")),
        Case("one bit", ANY, _pillow(rgb.convert("1"), "fax.tif")),
        Case("palette with alpha", ANY, _pillow(palette, "palette.png", transparency=3)),
        Case("alpha", ANY, _pillow(rgb.convert("RGBA"), "alpha.webp", lossless=True)),
        Case("NaN in float", ANY, _pillow(Image.fromarray(nan), "float.tif")),
        Case("long comment", ANY, _pillow(rgb, "comment.png", pnginfo=text)),
        Case("bytes after the end", ANY, _file(encoded(bgr, ".jpg") + b"\0" * 5000, "tail.jpg")),
        Case("broken EXIF", ANY, _pillow(rgb, "exif.jpg", exif=_exif(6, damaged=True))),
        Case("EXIF of nonsense", ANY, _pillow(rgb, "nonsense.jpg", exif=_exif(77))),
    ]
    for turn in range(1, 9):
        cases.append(Case(f"rotation {turn}", ANY, _pillow(rgb, f"turn{turn}.jpg", exif=_exif(turn))))
    return cases


def _named() -> list[Case]:
    """Good photos under names that break careless programs."""
    good = encoded(cloth_bgr(), ".jpg")
    names = (
        "with spaces.jpg",
        'it\'s "quoted".jpg',
        "emoji \U0001f9f6.jpg",
        "line\nbreak.jpg",
        "-leading-dash.jpg",
        "<script>alert(1)<script>.jpg",
        "percent%20%s{x}.jpg",
        "\u202egpj.exe.jpg",
        "tab\tand\x1b[31mcolour.jpg",
        "x" * 240 + ".jpg",
    )
    return [Case(f"name {ascii(name)[:40]}", ANY, _file(good, name)) for name in names]


def _hopeless() -> list[Case]:
    """What is no photo, or a photo of nothing."""
    rng = np.random.default_rng(0)
    jpg, png, webp = (encoded(cloth_bgr(), suffix) for suffix in (".jpg", ".png", ".webp"))
    buffer = io.BytesIO()
    Image.new("RGB", (300, 300)).save(buffer, "TIFF")
    tif = buffer.getvalue()
    blank = np.zeros((300, 260, 3), np.uint8)
    noise = rng.integers(0, 256, (400, 400, 3)).astype(np.uint8)
    flat_noise = np.clip(rng.normal(128, 2, (400, 400, 3)), 0, 255).astype(np.uint8)
    return [
        Case("zero bytes", UNREADABLE, _file(b"", "empty.jpg")),
        Case("one byte", UNREADABLE, _file(b"\xff", "one.jpg")),
        Case("only zeros", UNREADABLE, _file(b"\0" * 10_000, "zeros.jpg")),
        Case("text", UNREADABLE, _file(b"ends 24, picks 12\n" * 50, "notes.jpg")),
        Case("a page", UNREADABLE, _file(b"<!DOCTYPE html><html></html>", "page.png")),
        Case("PDF", UNREADABLE, _file(b"%PDF-1.7\n%\xe2\xe3\n1 0 obj\n", "scan.pdf")),
        Case("SVG", UNREADABLE, _file(b'<?xml version="1.0"?><svg width="9" height="9"/>', "draw.svg")),
        Case("archive", UNREADABLE, _file(b"PK\x03\x04" + b"\0" * 200, "photos.zip")),
        *(
            Case(f"{kind} cut at {share}", UNREADABLE, _file(data[: int(len(data) * share)], f"cut.{kind}"))
            for kind, data in (("jpg", jpg), ("png", png), ("webp", webp), ("tif", tif))
            for share in (0.01, 0.4, 0.95)
        ),
        Case("1 x 1", UNREADABLE, _file(encoded(blank[:1, :1], ".png"), "dot.png")),
        Case("1 x 20000", UNREADABLE, _file(encoded(np.zeros((1, 20000, 3), np.uint8), ".png"), "line.png")),
        Case("20000 x 1", UNREADABLE, _file(encoded(np.zeros((20000, 1, 3), np.uint8), ".png"), "pole.png")),
        Case("PNG bomb", UNREADABLE, _file(_png_claiming(60_000, 60_000), "bomb.png")),
        Case("PNG of the largest size", UNREADABLE, _file(_png_claiming(2**31 - 1, 2**31 - 1), "huge.png")),
        Case("PNG with pixels missing", UNREADABLE, _file(_png_claiming(5_000, 5_000), "hollow.png")),
        Case("JPEG bomb", UNREADABLE, _file(_jpeg_claiming(65_500, 65_500), "bomb.jpg")),
        Case("JPEG of size nought", UNREADABLE, _file(_jpeg_claiming(0, 0), "nought.jpg")),
        Case("loop of links", UNREADABLE, _looped),
        Case("locked", UNREADABLE, _locked),
        Case("missing", UNREADABLE, _missing),
        Case("pipe", UNREADABLE, _pipe),
        Case("all black", REFUSED, _file(encoded(blank, ".jpg"), "black.jpg")),
        Case("all white", REFUSED, _file(encoded(blank + 255, ".jpg"), "white.jpg")),
        Case("all grey", REFUSED, _file(encoded(blank + 128, ".jpg"), "grey.jpg")),
        Case("noise", (3, 4), _file(encoded(noise, ".png"), "noise.png")),
        Case("faint noise", (3, 4), _file(encoded(flat_noise, ".png"), "faint.png")),
    ]


def corpus() -> list[Case]:
    """Return every case; files are made when they are wanted."""
    return [*_hopeless(), *_unusual(), *_named()]


if __name__ == "__main__":
    target = Path(sys.argv[1])
    target.mkdir(parents=True, exist_ok=True)
    for case in corpus():
        try:
            print(case.codes, case.name, case.make(target))
        except OSError as error:
            print(case.name, error)
