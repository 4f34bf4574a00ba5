"""How long and how much memory: the whole command beside a bare process that only decodes the same photo.

    python tests/benchmarks/benchmark.py [PHOTO] [--runs 5] [--megapixels 12] [-- OPTIONS OF PICKGLASS SETT]

Without PHOTO the first demo photo is taken, enlarged to 12 megapixels; PHOTO is taken as it is unless a size is named. Every figure is the middle of the runs; nothing is
asserted, for timings depend on the machine. Compiled modules are kept between the runs, as an installation has them.
"""

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import cv2

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "sample_images"
BARE = "import cv2, sys; print(cv2.imread(sys.argv[1]).shape)"
STAGES = """
import sys, time
from pathlib import Path
from pickglass.cli.process import one_blas_thread
one_blas_thread()
last = time.perf_counter(), time.process_time()
name = "start and imports of the command"
def step(next_name):
    global last, name
    now = time.perf_counter(), time.process_time()
    print(name, f"{now[0] - last[0]:.3f}", f"{now[1] - last[1]:.3f}", sep=";")
    last, name = now, next_name
from pickglass.cli import main, sett_command
from pickglass.cli.pipeline import Request, measure_photo
from pickglass.calibration.errors import PickglassError
try:
    measure_photo(Path(sys.argv[1]), Request(), on_step=step)
except PickglassError as error:
    print(f"({error.code});0;0")
step("end")
"""

FURTHER = """
import sys, time
from pathlib import Path
from pickglass.cli.process import one_blas_thread
one_blas_thread()  # as the command does, before numpy is loaded: threads that wait for each other cost CPU time
import cv2
from pickglass.cli.pipeline import Request, measure_photo
from pickglass.calibration.errors import PickglassError
cv2.setNumThreads(1)
def cpu_s(work):
    start = time.process_time()
    try:
        work()
    except PickglassError:
        pass
    return time.process_time() - start
photo, runs = Path(sys.argv[1]), range(int(sys.argv[2]))
for work in (lambda: cv2.imread(str(photo)), lambda: measure_photo(photo, Request())):
    work()
    print(sorted(cpu_s(work) for _ in runs)[len(runs) // 2])
"""


@dataclass(frozen=True)
class Cost:
    """Middle wall time, CPU time and peak resident memory of a process."""

    wall_s: float
    cpu_s: float
    peak_mib: float


def environment(compiled: str) -> dict[str, str]:
    """Environment in which Python keeps what it compiled in a folder of its own, whatever this process was told."""
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    return kept | {"PYTHONPYCACHEPREFIX": compiled}


def cost(command: list[str], runs: int, env: dict[str, str]) -> Cost:
    """Run `command` several times after one run that warms the disk cache and compiles the modules."""
    samples = []
    for turn in range(runs + 1):
        start = time.perf_counter()
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=env)
        _, _, usage = os.wait4(process.pid, 0)
        process.returncode = 0  # wait4 has reaped it
        if turn:
            samples.append(
                (time.perf_counter() - start, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024)
            )
    return Cost(*(statistics.median(column) for column in zip(*samples, strict=True)))


def resized(source: Path, folder: Path, megapixels: float) -> Path:
    """Write a photo enlarged or reduced to `megapixels` and return its path."""
    picture = cv2.imread(str(source))
    assert picture is not None, f"{source} cannot be read"
    factor = (megapixels * 1e6 / (picture.shape[0] * picture.shape[1])) ** 0.5
    path = folder / f"{source.stem}.jpg"
    way = cv2.INTER_CUBIC if factor > 1 else cv2.INTER_AREA
    changed = cv2.resize(picture, None, fx=factor, fy=factor, interpolation=way)
    cv2.imwrite(str(path), changed, [cv2.IMWRITE_JPEG_QUALITY, 92])
    return path


def main() -> None:
    parser = argparse.ArgumentParser(prog="benchmark", description=__doc__.split("\n")[0])
    parser.add_argument("photo", nargs="?", type=Path)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--megapixels", type=float, help="size to give the photo; 12 without PHOTO")
    own, options = parser.parse_known_args()
    options = [word for word in options if word != "--"]
    with tempfile.TemporaryDirectory() as folder:
        photo = own.photo or min(DEMO.glob("*.jpg"))
        if own.photo is None or own.megapixels is not None:
            photo = resized(photo, Path(folder), own.megapixels or 12.0)
        picture = cv2.imread(str(photo))
        assert picture is not None, f"{photo} cannot be read"
        print(
            f"{photo.name}: {picture.shape[1]} x {picture.shape[0]} px, {picture.nbytes / 2**20:.0f} MiB decoded"
        )
        python, env = sys.executable, environment(str(Path(folder) / "compiled"))
        code = "from pickglass.cli.main import main; main()"
        bare = cost([python, "-c", BARE, str(photo)], own.runs, env)
        sett = cost([python, "-c", code, "sett", str(photo), *options], own.runs, env)
        aid = cost([python, "-c", code, "--help"], own.runs, env)
        print(f"{'':24}{'wall s':>9}{'CPU s':>9}{'peak MiB':>10}")
        for name, figure in (
            ("bare import and decode", bare),
            ("pickglass sett", sett),
            ("pickglass --help", aid),
        ):
            print(f"{name:24}{figure.wall_s:9.2f}{figure.cpu_s:9.2f}{figure.peak_mib:10.0f}")
        print(
            f"ratio of wall times {sett.wall_s / bare.wall_s:.2f}, of CPU times {sett.cpu_s / bare.cpu_s:.2f}; ",
            end="",
        )
        print(f"peak memory {sett.peak_mib * 2**20 / picture.nbytes:.1f} times the decoded picture")
        decode_s, further_s = (
            float(line)
            for line in subprocess.run(
                [python, "-c", FURTHER, str(photo), str(own.runs)],
                capture_output=True,
                text=True,
                check=True,
                env=env,
            ).stdout.split()
        )
        print(
            f"each further photo of one run: {further_s:.2f} s of CPU, decoding {decode_s:.3f} s, "
            f"ratio {further_s / decode_s:.1f}"
        )
        print("\none run in one process, step by step           wall s    CPU s")
        done = subprocess.run(
            [python, "-c", STAGES, str(photo)], capture_output=True, text=True, check=False, env=env
        )
        for line in done.stdout.splitlines():
            name, wall, cpu = line.split(";")
            print(f"  {name:42}{wall:>9}{cpu:>9}")
        if done.returncode:
            print(done.stderr.splitlines()[-1])


if __name__ == "__main__":
    main()
