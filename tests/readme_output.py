"""Keeps the README true: runs every command it shows and writes what came out beneath it.

    python tests/readme_output.py            # rewrite the blocks and the pictures
    python tests/readme_output.py --check    # only say which blocks differ

A block begins with ``<!-- run: COMMAND -->`` and ends with ``<!-- end -->``. A block of several commands has one a line;
they run one after the other in one folder, with a book and a memory of their own. Pictures of pages need a Chromium.
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
_WALK = ROOT / "sample_images" / "walk"
# What the commands write, and where the README shows it.
KEPT = {
    "marks.jpg": ROOT / "sample_images" / "marks" / "sampler_plain.jpg",
    "card.png": _WALK / "card.png",
    "even.png": _WALK / "evenness.jpg",
    "washes.png": _WALK / "washes.png",
    "face.png": _WALK / "plan_face.png",
    "warp.html": _WALK / "warping_sheet.jpg",
    "sampler.html": _WALK / "report.jpg",
}
WIDEST_PX = 1000
PAGES_PX = {"sampler.html": ((1000, 1500), (360, 1500)), "warp.html": ((760, 1060),)}  # windows, side by side
BLOCK = re.compile(r"(<!-- run:\s+(?P<command>.+?)\s*-->\n)(?P<shown>.*?)(?=<!-- end -->)", re.DOTALL)
NUMBER = re.compile(r"[+-]?\d+(?:\.\d+)?")


def run(command: str, *, keep: bool = False) -> str:
    """Run the commands in a scratch folder that looks like the project, and return their block."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "pickglass"
        folder.mkdir()
        for name in ("sample_images", "tests"):
            (folder / name).symlink_to(ROOT / name)
        said = [_said(line, folder) for line in command.splitlines()]
        if keep:
            for name, target in KEPT.items():
                if (folder / name).exists():
                    target.parent.mkdir(exist_ok=True)
                    _keep(folder / name, target)
    if "--markdown" in command:
        return f"{said[0]}\n"
    shown = "\n\n".join(
        f"$ {line}\n{out}".rstrip() for line, out in zip(command.splitlines(), said, strict=True)
    )
    return f"```text\n{shown}\n```\n"


def _said(line: str, folder: Path) -> str:
    """Run one line as a shell would, and return what it says."""
    programs = folder.parent / "bin"
    if not programs.exists():
        programs.mkdir()
        python = shlex.quote(sys.executable)
        for name, call in (("pickglass", f"{python} -W ignore -m pickglass.cli.main"), ("python", python)):
            script = programs / name
            script.write_text(f'#!/bin/sh\nexec {call} "$@"\n', encoding="utf-8")
            script.chmod(0o755)
    done = subprocess.run(
        ["/bin/sh", "-c", line],
        cwd=folder,
        capture_output=True,
        encoding="utf-8",
        check=False,
        env={
            "PYTHONIOENCODING": "utf-8",
            "OMP_NUM_THREADS": "1",
            "PATH": f"{programs}:/usr/bin:/bin",
            "PICKGLASS_BOOK": str(folder.parent / "samples.book"),
            "PICKGLASS_MEMORY": str(folder.parent / "memory.json"),
        },
    )
    return f"{done.stdout.rstrip()}\n{done.stderr}".strip("\n")


def _keep(made: Path, target: Path) -> None:
    """Put a picture where the README shows it, small enough for a page."""
    from PIL import Image

    if made.suffix == ".html":
        _picture_page(made, target)
    elif target.parent.name == "marks":
        shutil.copyfile(made, target)
    else:
        picture = Image.open(made).convert("RGB")
        picture.thumbnail((WIDEST_PX, 2 * WIDEST_PX))
        if target.suffix == ".png":
            picture.quantize(64).save(target, optimize=True)
        else:
            picture.save(target, quality=80)


def _picture_page(page: Path, target: Path) -> None:
    """Show a page as it looks in windows of several widths, side by side."""
    from PIL import Image

    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        print(f"no Chromium here: {target.name} was left as it is", file=sys.stderr)
        return
    shots = []
    for number, (width, height) in enumerate(PAGES_PX[page.name]):
        frame, shot = page.with_name(f"frame{number}.html"), page.with_name(f"shot{number}.png")
        # a narrow page needs a frame: browsers make no window as narrow as a phone
        frame.write_text(
            f'<!doctype html><body style="margin:0"><iframe style="border:0;width:{width}px;height:{height}px" '
            f'src="{page.name}"></iframe>',
            encoding="utf-8",
        )
        words = (
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--hide-scrollbars",
            "--allow-file-access-from-files",
        )
        size = f"--window-size={max(width, 500)},{height}"
        profile = f"--user-data-dir={page.parent.parent / 'profile'}"
        command = [chromium, *words, size, profile, f"--screenshot={shot}", frame.as_uri()]
        subprocess.run(command, capture_output=True, check=True, timeout=120)
        shots.append(Image.open(shot).convert("RGB").crop((0, 0, width, height)))
    gap = 24 if len(shots) > 1 else 0
    total = (sum(s.width + gap for s in shots) - gap, max(s.height for s in shots))
    sheet = Image.new("RGB", total, "#8a8478")
    left = 0
    for shot_picture in shots:
        sheet.paste(shot_picture, (left, 0))
        left += shot_picture.width + gap
    sheet.thumbnail((WIDEST_PX, 2 * WIDEST_PX))
    sheet.save(target, quality=80)


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
