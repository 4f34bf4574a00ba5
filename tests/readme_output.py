"""Keeps the README true: runs every command it shows and writes what came out beneath it.

    python tests/readme_output.py            # rewrite the blocks and the pictures
    python tests/readme_output.py --check    # only say which blocks differ

A block begins with ``<!-- run: COMMAND -->`` and ends with ``<!-- end -->``.
"""

import re
import shlex
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
README = ROOT / "README.md"
KEPT = {"marks.jpg": ROOT / "sample_images" / "marks" / "sampler_plain.jpg"}
BLOCK = re.compile(r"(<!-- run: (?P<command>.+?) -->\n)(?P<shown>.*?)(?=<!-- end -->)", re.DOTALL)
NUMBER = re.compile(r"[+-]?\d+(?:\.\d+)?")


def run(command: str, *, keep: bool = False) -> str:
    """Run `command` in a scratch folder that looks like the project, and return its block."""
    words = shlex.split(command)
    program = {"pickglass": ["-m", "pickglass.cli.main"], "python": []}[words[0]]
    with tempfile.TemporaryDirectory() as folder:
        for name in ("sample_images", "tests"):
            (Path(folder) / name).symlink_to(ROOT / name)
        done = subprocess.run(
            [sys.executable, "-W", "ignore", *program, *words[1:]],
            cwd=folder,
            capture_output=True,
            encoding="utf-8",
            check=False,
            env={"PYTHONIOENCODING": "utf-8", "OMP_NUM_THREADS": "1", "PATH": "/usr/bin:/bin"},
        )
        for name, target in KEPT.items():
            if keep and (Path(folder) / name).exists():
                target.parent.mkdir(exist_ok=True)
                shutil.copyfile(Path(folder) / name, target)
    said = f"{done.stdout.rstrip()}\n{done.stderr}".rstrip()
    if "--markdown" in words:
        return f"{said}\n"
    return f"```text\n$ {command}\n{said}\n```\n"


def same(shown: str, fresh: str) -> bool:
    """Say whether two outputs agree: the same words, numbers within 1 % or three units of their last digit.

    Versions of the maths libraries differ in the last bits, which can turn a rounding; whole numbers must agree.
    """
    if NUMBER.sub("#", shown).split() != NUMBER.sub("#", fresh).split():
        return False
    return all(_close(a, b) for a, b in zip(NUMBER.findall(shown), NUMBER.findall(fresh), strict=True))


def _close(shown: str, fresh: str) -> bool:
    last_digit = 10.0 ** -len(shown.partition(".")[2])
    return abs(float(shown) - float(fresh)) <= max(
        3.01 * last_digit if "." in shown else 0.0, 0.01 * abs(float(shown))
    )


def blocks(text: str) -> list[tuple[str, str]]:
    """Return every command of the README with the block shown beneath it."""
    return [(found["command"], found["shown"]) for found in BLOCK.finditer(text)]


def main() -> None:
    text = README.read_text(encoding="utf-8")
    if "--check" in sys.argv[1:]:
        stale = [command for command, shown in blocks(text) if not same(shown, run(command))]
        print("\n".join(stale) or "every block is true")
        raise SystemExit(bool(stale))
    README.write_text(
        BLOCK.sub(lambda found: found[1] + run(found["command"], keep=True), text), encoding="utf-8"
    )


if __name__ == "__main__":
    main()
