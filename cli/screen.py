"""What appears on the terminal: words first, colour only as a second signal."""

import os
import re
import sys
import textwrap
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TextIO

__all__ = [
    "Progress",
    "error_text",
    "paragraph",
    "printable",
    "say_written",
    "shade",
    "show_progress",
    "width",
    "written_text",
]

PATIENCE_S = 1.0  # work shorter than this needs no progress line
# A line may not end between a number and its unit, nor inside "13.95 ± 0.25" or a command that is there to be copied.
_TIED = re.compile(
    r"\d (?=%|(?:mm|cm|m|in|yd|px|pixels|points|ends|picks)\b)| ± | × "
    r"|pickglass [a-z]+(?: --[a-z-]+| [A-Z0-9][\w.-]*| > [A-Z]\S+)*"
)
_TIE = "\N{NO-BREAK SPACE}"
_SHADES = {"strong": "1", "good": "32", "care": "33", "bad": "31"}


def width(stream: TextIO) -> int:
    """Return the number of columns to fill: the terminal's own, 88 in a pipe, never a very long line."""
    if not stream.isatty():
        return 88
    try:
        columns = os.get_terminal_size(stream.fileno()).columns
    except (OSError, ValueError):
        return 88
    return max(40, min(columns, 100))


def paragraph(text: str, *, columns: int, indent: str = "", first: str | None = None) -> str:
    """Wrap `text` to `columns`, every line behind `indent`, the first behind `first`; numbers stay with their units."""
    tied = _TIED.sub(lambda found: found.group().replace(" ", _TIE), text)
    filled = textwrap.fill(
        tied,
        columns,
        initial_indent=indent if first is None else first,
        subsequent_indent=indent,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return filled if _TIE in text else filled.replace(_TIE, " ")


def written_text(targets: Iterable[Path | None], *more: str) -> str:
    """Return a line for each file that was written, and for each of the words in `more`; empty where there is none."""
    names = [
        f"{path} (open it in a browser)" if path.suffix.lower() in (".html", ".htm") else str(path)
        for path in targets
        if path is not None
    ]
    return "\n".join(f"  Written: {printable(name)}" for name in (*names, *more))


def say_written(targets: Iterable[Path | None], *more: str) -> None:
    """Print what `written_text` says behind an empty line; nothing where nothing was written."""
    import typer

    text = written_text(targets, *more)
    if text:
        typer.echo(f"\n{text}")


def error_text(problem: str, next_step: str, stream: TextIO) -> str:
    """Return what went wrong and what to do, wrapped for a terminal; in a pipe each on a line of its own."""
    lines = [printable(problem), f"What to do: {printable(next_step)}"]
    if stream.isatty():
        lines = [paragraph(line, columns=width(stream)) for line in lines]
    return "\n".join(lines)


def shade(text: str, kind: str, stream: TextIO) -> str:
    """Return `text` coloured for a terminal; as it is in a pipe or under NO_COLOR (no-color.org)."""
    if not stream.isatty() or os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb":
        return text
    return f"\x1b[{_SHADES[kind]}m{text}\x1b[0m"


def printable(text: str) -> str:
    """Return `text` without characters that would steer the terminal; a file name may hold any."""
    return "".join(c if c.isprintable() else "?" for c in text)


class Progress:
    """One line on a terminal that names the step at work; silent for the first second and in pipes."""

    def __init__(self, stream: TextIO, *, patience_s: float = PATIENCE_S) -> None:
        self._stream = stream
        self._lock = threading.Lock()
        self._step = ""
        self._shown = False
        self._done = False
        self._timer = threading.Timer(patience_s, self._begin)
        self._timer.daemon = True
        if stream.isatty():
            self._timer.start()

    def step(self, name: str) -> None:
        """Say what is being done now."""
        with self._lock:
            self._step = name
            if self._shown:
                self._draw()

    def finish(self) -> None:
        """Take the line away."""
        self._timer.cancel()
        with self._lock:
            if self._shown:
                self._stream.write("\r\x1b[K")
                self._stream.flush()
            self._shown = False
            self._done = True

    def _begin(self) -> None:
        with self._lock:
            if self._done:  # the timer fired while `finish` was waiting for it
                return
            self._shown = True
            self._draw()

    def _draw(self) -> None:
        self._stream.write(f"\r\x1b[K{self._step} …")
        self._stream.flush()


@contextmanager
def show_progress() -> Iterator[Progress]:
    """Show a progress line on stderr while the block runs."""
    progress = Progress(sys.stderr)
    try:
        yield progress
    finally:
        progress.finish()
