"""Fetch open pictures of surfaces from Debian's registry and lay them out for the accuracy command.

    python tests/accuracy/open_pictures.py FOLDER [--set painting | game | tempting] [--half fitted | unseen]
    python tests/accuracy FOLDER

`painting` (the default): two painting programs' data packages, `gimp-data` and `krita-data`, hold pictures of stone, wood, paper,
leather, chain mail and the like, and one of an open woven tissue. The network and the weights of the decision were fitted with them in
view. `game`: the package `ufoai-textures` (340 MB) holds pictures of walls, floors, grass, metal and the like, of which every
fourth is taken, and two woven things, one of them in five colours. `tempting`: of the same package and of those of two other games and
a program for furnishing (another 570 MB), every second picture whose name tells of what is most easily taken for cloth: bricks, roofs, fences,
grates, nets, tiles.

`--half` lays out one half of what is not woven. The network was trained and one weight of the decision fitted with the half `fitted` and with
what is woven in `game`; the half `unseen` is there to judge them. Which half a picture falls into is decided by the
CRC-32 of its name without figures, so that a series (roof003, roof010) stays together.

Whatever is not woven has to be refused. What is woven was counted on strips enlarged three to twelve times beside a pixel ruler, twice:

- The tissue, by its holes: from the hole at 13 px to that at 510 px lie 31 threads along x (16.03 px each), and the picture is a
  seamless tile of 512 px, so 32 threads go into it either way: 16.00 px each.
- The cover of a couch, coarse plain weave, by the seams between its threads: from 7 px to 504 px lie 31 threads along x (16.03 px
  each), and it is a seamless tile of 512 px, too: 32 threads either way. The five colours are one picture dyed.
- The blind, warp-faced plain weave in coloured stripes, whose tile of 128 px lies twice in each direction of the picture: 36 ends
  (3.56 px each) and, by the 14 floats of an end, 28 picks (4.57 px each).

All are free software; the licences are in the copyright file of each package. Needs apt-get and dpkg-deb. Nothing is installed and
nothing of it is kept in this repository.
"""

from __future__ import annotations

import argparse
import csv
import re
import shutil
import struct
import subprocess
import sys
import tempfile
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from PIL import Image


@dataclass(frozen=True)
class Count:
    """Threads counted by hand along x and y, and the pixels over which they lie."""

    threads: tuple[int, int]
    span_px: tuple[int, int]

    def row(self, file: str) -> dict[str, str]:
        """Return one row of truth.csv."""
        row = {"file": file}
        for axis, threads, span_px in zip("xy", self.threads, self.span_px, strict=True):
            row |= {
                f"threads_across_{axis}": str(threads),
                f"span_{axis}_px": str(span_px),
                f"px_per_thread_{axis}": f"{span_px / threads:.3f}",
                f"tolerance_percent_{axis}": "1.0",
            }
        return row


@dataclass(frozen=True)
class Source:
    """Packages, where pictures lie in them, which were counted, and which to leave out."""

    packages: tuple[str, ...]
    places: tuple[str, ...]
    counted: dict[str, Count]
    left_out: tuple[str, ...]  # parts of names
    least_side_px: int
    least_contrast: float = 0.0  # standard deviation in levels, for flat colours mislead nobody
    every: int = 1  # one of so many pictures that are not woven
    named: tuple[str, ...] = ("",)  # parts of names, one of which is wanted


HALVES = ("fitted", "unseen")
TILE = Count((32, 32), (512, 512))
# Maps of slopes, gloss and glow that go with a picture, and woven or knotted things too fine or too faint to count.
MAPS = ("_nm", "_gm", "_sm", "_rm", "_norm", "_gloss", "_bump", "_glow", "_glw", "_fx", "_trans", "-trans")
UNCOUNTED = ("carpet", "jute", "textil00", "clothes", "cushion", "billiard")
SOURCES = {
    "painting": Source(
        packages=("gimp-data", "krita-data"),
        places=(
            "usr/share/gimp/2.0/patterns/**/*.pat",
            "usr/share/gimp/2.0/gimpressionist/Paper/*.pgm",
            "usr/share/krita/patterns/*.p[an][tg]",
        ),
        counted={"02b_WoofTissue": TILE},
        # Cloth that was not counted (threads of three pixels, or seven threads in all), and drawings of which nobody can say
        # whether they are woven. "Torchon" is paper that was pressed with a coarse cloth.
        left_out=("01_canvas", "02_rough-canvas", "canvas2", "burlap", "struc", "05_paper-torchon", "DITH_"),
        least_side_px=96,
    ),
    "game": Source(
        packages=("ufoai-textures",),
        places=("*/textures/**/*.jpg", "*/textures/**/*.png"),
        counted={
            **dict.fromkeys(("couch_d", "couch_e", "textil001", "textil002", "textil003"), TILE),
            "curtains_m_1": Count((72, 56), (256, 256)),
        },
        left_out=(*MAPS[:4], *UNCOUNTED),
        least_side_px=200,
        least_contrast=6.0,
        every=4,
    ),
    "tempting": Source(
        packages=("ufoai-textures", "nexuiz-textures", "openarena-081-textures", "sweethome3d"),
        places=(
            *(f"*/textures/**/*.{kind}" for kind in ("jpg", "png", "tga")),
            "*/com/eteks/sweethome3d/io/resources/textures/*.jpg",
        ),
        counted={},
        left_out=(*MAPS, *UNCOUNTED, "magnet", "cloth", "jump"),
        least_side_px=200,
        least_contrast=6.0,
        every=2,
        named=(
            "brick",
            "roof",
            "fence",
            "fnce",
            "grate",
            "mesh",
            "net",
            "tile",
            "scale",
            "shingle",
            "parquet",
        ),
    ),
}


def read_pattern(path: Path) -> np.ndarray:
    """Read a GIMP pattern (header of big-endian words, documented in GIMP's devel-docs/pat.txt) as uint8 BGR."""
    data = path.read_bytes()
    header, _, width, height, depth, magic = struct.unpack(">5I4s", data[:24])
    if magic != b"GPAT":
        raise ValueError(f"{path} is no pattern")
    pixels = np.frombuffer(data[header : header + width * height * depth], np.uint8).reshape(
        height, width, depth
    )
    if depth >= 3:
        return np.ascontiguousarray(pixels[:, :, 2::-1])
    return cv2.cvtColor(np.ascontiguousarray(pixels[:, :, 0]), cv2.COLOR_GRAY2BGR)


def read_picture(path: Path) -> np.ndarray | None:
    """Read a picture as uint8 BGR, or None where nobody can."""
    if path.suffix == ".pat":
        return read_pattern(path)
    if path.suffix != ".tga":  # which OpenCV does not read
        return cv2.imread(str(path))
    with Image.open(path) as opened:
        return np.ascontiguousarray(np.asarray(opened.convert("RGB"))[..., ::-1])


def half_of(name: str) -> str:
    """Say into which half a picture falls; those whose names differ in figures only stay together."""
    series = re.sub(r"\d+", "", name).rstrip("_")
    return HALVES[zlib.crc32(series.encode()) % 2]


def unpack(folder: Path, packages: tuple[str, ...]) -> None:
    """Download the packages and unpack them, and the archives in them, below the folder."""
    subprocess.run(["apt-get", "download", "-q", *packages], cwd=folder, check=True, capture_output=True)
    for package in folder.glob("*.deb"):
        subprocess.run(["dpkg-deb", "-x", package.name, "."], cwd=folder, check=True)
    for archive in sorted([*folder.rglob("*.pk3"), *folder.rglob("*.jar")]):
        with zipfile.ZipFile(archive) as opened:
            opened.extractall(folder / archive.name)


def pictures(folder: Path, source: Source) -> Iterator[tuple[Path, np.ndarray]]:
    """Yield every picture of a source that is large enough and shows something, in the order of their names."""
    for path in sorted({p for place in source.places for p in folder.glob(place)}):
        if path.stem not in source.counted and (
            any(part in path.stem for part in source.left_out)
            or not any(part in path.stem.lower() for part in source.named)
        ):
            continue
        bgr = read_picture(path)
        if (
            bgr is not None
            and min(bgr.shape[:2]) >= source.least_side_px
            and bgr.std() >= source.least_contrast
        ):
            yield path, bgr


def lay_out(folder: Path, source: Source, target: Path, half: str | None = None) -> None:
    """Write pictures and tables as the accuracy command reads them, of what is not woven one half if so told."""
    for name in ("img", "negatives"):
        (target / name).mkdir(parents=True, exist_ok=True)
    rows, others, passed, known = [], [], 0, set()
    for path, bgr in pictures(folder, source):
        file = "_".join((*path.parts[-3:-1], f"{path.stem}.png")).replace(" ", "_")
        if path.stem in source.counted:
            rows.append(source.counted[path.stem].row(file))
            cv2.imwrite(str(target / "img" / file), bgr)
            continue
        if file in known:  # two packages hold the same
            continue
        known.add(file)
        if passed % source.every == 0 and half in (None, half_of(Path(file).stem)):
            others.append(file)
            cv2.imwrite(str(target / "negatives" / file), bgr)
        passed += 1
    with (target / "truth.csv").open("w", newline="") as lines:
        writer = csv.DictWriter(lines, list(TILE.row("")))
        writer.writeheader()
        writer.writerows(rows)
    with (target / "negatives.csv").open("w", newline="") as lines:
        csv.writer(lines).writerows([["file"], *([file] for file in others)])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--set", choices=sorted(SOURCES), default="painting")
    parser.add_argument("--half", choices=HALVES)
    asked = parser.parse_args()
    if not (shutil.which("apt-get") and shutil.which("dpkg-deb")):
        sys.exit("apt-get and dpkg-deb are needed to fetch the pictures")
    source = SOURCES[asked.set]
    with tempfile.TemporaryDirectory() as scratch:
        unpack(Path(scratch), source.packages)
        lay_out(Path(scratch), source, asked.folder, asked.half)


if __name__ == "__main__":
    main()
