"""Fetch open pictures of surfaces from Debian's registry and lay them out for the accuracy command.

    python tests/accuracy/open_pictures.py FOLDER
    python tests/accuracy FOLDER

Two painting programs' data packages, `gimp-data` and `krita-data` (free software licences, see the copyright file of each), hold
pictures of stone, wood, paper, leather, chain mail and the like, and one of an open woven tissue. Whatever is not woven has
to be refused. The tissue was counted by its holes along a row and along a column, twice, on strips enlarged three times
with a pixel ruler: from the hole at 13 px to that at 510 px lie 31 threads along x (16.03 px each), and the picture is a
seamless tile of 512 px, so 32 threads go into it either way: 16.00 px each.

Needs apt-get and dpkg-deb. Nothing is installed and nothing of it is kept in this repository.
"""

from __future__ import annotations

import csv
import shutil
import struct
import subprocess
import sys
import tempfile
from pathlib import Path

import cv2
import numpy as np

PACKAGES = ("gimp-data", "krita-data")
PLACES = (
    "usr/share/gimp/2.0/patterns/**/*.pat",
    "usr/share/gimp/2.0/gimpressionist/Paper/*.pgm",
    "usr/share/krita/patterns/*.p[an][tg]",
)
LEAST_SIDE_PX = 96
TISSUE = "02b_WoofTissue"
COUNT = {
    "threads_across_{}": "32",
    "span_{}_px": "512",
    "px_per_thread_{}": "16.00",
    "tolerance_percent_{}": "1.0",
}
# Cloth that was not counted (threads of three pixels, or seven threads in all), and drawings of which nobody can say
# whether they are woven. "Torchon" is paper that was pressed with a coarse cloth.
LEFT_OUT = ("01_canvas", "02_rough-canvas", "canvas2", "burlap", "struc", "05_paper-torchon", "DITH_")


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


def unpack(folder: Path) -> None:
    """Download the packages and unpack them below the folder."""
    subprocess.run(["apt-get", "download", "-q", *PACKAGES], cwd=folder, check=True, capture_output=True)
    for package in folder.glob("*.deb"):
        subprocess.run(["dpkg-deb", "-x", package.name, "."], cwd=folder, check=True)


def lay_out(source: Path, target: Path) -> None:
    """Write pictures and tables as the accuracy command reads them."""
    for name in ("img", "negatives"):
        (target / name).mkdir(parents=True, exist_ok=True)
    others = []
    for path in sorted(p for place in PLACES for p in source.glob(place)):
        if any(part in path.stem for part in LEFT_OUT):
            continue
        bgr = read_pattern(path) if path.suffix == ".pat" else cv2.imread(str(path))
        if bgr is None or min(bgr.shape[:2]) < LEAST_SIDE_PX:
            continue
        package = "gimp" if "gimp" in path.parts else "krita"
        file = f"{package}_{path.stem.replace(' ', '_')}.png"
        woven = path.stem == TISSUE
        cv2.imwrite(str(target / ("img" if woven else "negatives") / file), bgr)
        if woven:
            row = {"file": file} | {k.format(axis): v for k, v in COUNT.items() for axis in "xy"}
            with (target / "truth.csv").open("w", newline="") as lines:
                writer = csv.DictWriter(lines, list(row))
                writer.writeheader()
                writer.writerow(row)
        else:
            others.append(file)
    with (target / "negatives.csv").open("w", newline="") as lines:
        csv.writer(lines).writerows([["file"], *([file] for file in others)])


def main() -> None:
    if len(sys.argv) != 2:
        sys.exit(__doc__)
    if not (shutil.which("apt-get") and shutil.which("dpkg-deb")):
        sys.exit("apt-get and dpkg-deb are needed to fetch the pictures")
    with tempfile.TemporaryDirectory() as scratch:
        unpack(Path(scratch))
        lay_out(Path(scratch), Path(sys.argv[1]))


if __name__ == "__main__":
    main()
