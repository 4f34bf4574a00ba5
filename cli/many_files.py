"""Results of many photos as tables that grow line by line: CSV for spreadsheets, JSON Lines for programs.

Each photo is one line, written and flushed as soon as it is known; a line that was cut short by a lost power supply is
dropped when the file is taken up again.
"""

from __future__ import annotations

import csv
import io
import json
import os
from collections.abc import Container
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, BinaryIO, Self

from ..calibration.errors import UsageError
from ..measure.records import SETT_COLUMNS
from .files import check_target
from .plan_csv import safe_cell
from .sett_json import dump

if TYPE_CHECKING:
    from ..measure.records import Cell
    from .many import Outcome

__all__ = ["COLUMNS", "CsvTable", "Done", "Key", "LinesTable", "csv_line"]

COLUMNS: tuple[str, ...] = (
    "file",
    *SETT_COLUMNS,
    "exit_code",
    "problem",
    "what_to_do",
    "options",
    "pickglass",
    "sha256",
)
_BOM = b"\xef\xbb\xbf"  # spreadsheets need it to see that the file is UTF-8
NOT_THE_PHOTO = ("internal-error", "worker-died")

Key = tuple[str, str]  # SHA-256 of the photo, options in words


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """What an earlier run found of a photo."""

    verdict: str
    exit_code: int


class _Growing:
    """The file beneath a table: opened new or taken up, one whole line at a time."""

    def __init__(self, path: Path, *, overwrite: bool, go_on: bool) -> None:
        self.path = path
        self.done: dict[Key, Done] = {}
        self._go_on = go_on and path.exists()
        self._file: BinaryIO | None = None
        check_target(path, overwrite=overwrite or self._go_on)
        if self._go_on:
            self._read(_whole_lines(path))

    def __enter__(self) -> Self:
        try:
            if self._go_on:
                kept = len(_whole_lines(self.path))
                self._file = self.path.open("r+b", buffering=0)
                self._file.truncate(kept)
                self._file.seek(kept)
            else:
                self._file = self.path.open("wb", buffering=0)
            if self._file.tell() == 0:
                self._write(self._head())
        except OSError as error:
            raise _not_written(self.path, error) from error
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._file is not None:
            self._file.close()

    def _write(self, line: bytes) -> None:
        if self._file is None or not line:
            return
        try:
            self._file.write(line)
            os.fsync(self._file.fileno())
        except OSError as error:
            raise _not_written(self.path, error) from error

    def _head(self) -> bytes:
        return b""

    def _read(self, content: bytes) -> None:
        raise NotImplementedError


class CsvTable(_Growing):
    """Results as CSV: one row for each photo, the columns `COLUMNS`, no cell that a spreadsheet would run."""

    def add(self, outcome: Outcome, options: str, version: str) -> None:
        """Write one row."""
        self._write(csv_line([_row(outcome, options, version)[name] for name in COLUMNS]))

    def _head(self) -> bytes:
        return _BOM + csv_line(COLUMNS)

    def _read(self, content: bytes) -> None:
        text = content.decode("utf-8-sig", errors="replace")
        reader = csv.DictReader(io.StringIO(text, newline=""))
        if text and tuple(reader.fieldnames or ()) != COLUMNS:
            raise UsageError(
                "other-table",
                f"{self.path} is no table of this version of pickglass, so nothing is added to it.",
                "Choose another name.",
            )
        for row in reader:
            codes = row["messages"].split()
            _note(self.done, row["sha256"], row["options"], row["verdict"], row["exit_code"], codes)


class LinesTable(_Growing):
    """Results as JSON Lines: the document of `pickglass sett --json` for each photo, with what the table adds."""

    def add(self, outcome: Outcome, options: str, version: str) -> None:
        """Write one line."""
        row = _row(outcome, options, version)
        added = {name: row[name] for name in ("file", "exit_code", "options", "pickglass", "sha256")}
        self._write(dump(outcome.document | added).encode("ascii") + b"\n")

    def _read(self, content: bytes) -> None:
        for number, line in enumerate(content.splitlines(), start=1):
            try:
                row = json.loads(line)
                codes = [message["code"] for message in row["messages"]]
                _note(self.done, row["sha256"], row["options"], row["verdict"], row["exit_code"], codes)
            except (ValueError, KeyError, TypeError) as error:
                raise UsageError(
                    "other-table",
                    f"Line {number} of {self.path} was not written by pickglass, so nothing is added to it.",
                    "Choose another name.",
                ) from error


def csv_line(cells: tuple[Cell, ...] | list[Cell]) -> bytes:
    """Return one line of CSV: numbers to six digits, text on one line and safe in a spreadsheet."""
    out = io.StringIO()
    csv.writer(out).writerow([_cell(cell) for cell in cells])
    return out.getvalue().encode("utf-8", errors="backslashreplace")


def _cell(value: Cell) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:z.6g}"
    if isinstance(value, int):
        return str(value)
    return safe_cell(" ".join(value.splitlines()))


def _row(outcome: Outcome, options: str, version: str) -> dict[str, Cell]:
    return {
        "file": str(outcome.path),
        **outcome.record,
        "exit_code": outcome.exit_code,
        "problem": outcome.problem,
        "what_to_do": outcome.next_step,
        "options": options,
        "pickglass": version,
        "sha256": outcome.sha256,
    }


def _note(
    done: dict[Key, Done],
    sha256: str | None,
    options: str,
    verdict: str,
    exit_code: str | int,
    codes: Container[str],
) -> None:
    """Keep what was found of a photo, unless the fault was not the photo's own and may be gone by now."""
    if sha256 and not any(code in codes for code in NOT_THE_PHOTO):
        done[sha256, options] = Done(verdict=verdict, exit_code=int(exit_code))


def _whole_lines(path: Path) -> bytes:
    """Return the content up to the end of its last whole line."""
    try:
        content = path.read_bytes()
    except OSError as error:
        raise UsageError(
            "unreadable-file",
            f"{path} cannot be read ({error.strerror or error}).",
            "Look at its rights, or choose another name.",
        ) from error
    return content[: content.rfind(b"\n") + 1]


def _not_written(path: Path, error: OSError) -> UsageError:
    return UsageError(
        "not-written",
        f"{path} could not be written ({error.strerror or error}).",
        "Look whether the disk is full or the folder protected; with --skip-done a new run goes on from here.",
    )
