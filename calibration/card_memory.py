"""What pickglass remembers between photos: measured check bars and learned lenses, in one small JSON file."""

from __future__ import annotations

import json
import math
import os
import re
import tempfile
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from .card_design import CHECK_BAR_MM, parse_card_code
from .errors import PickglassError, UsageError

__all__ = [
    "CardMemory",
    "CheckBars",
    "LensRecord",
    "parse_measured",
    "read_memory",
    "remember_check",
    "remember_lens",
]

SCHEMA = "pickglass.memory/1"

# "Fit to page" between A4 and Letter changes a sheet by 6 %; beyond these limits it is a slip of the rule or the pen.
BAR_RANGE_MM = (90.0, 106.0)
# Feed and scan direction of a printer differ by tenths of a percent; more is a misreading of one of the bars.
LARGEST_RATIO = 1.03


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckBars:
    """Lengths of the two check bars of a printed card, measured with a rule; both nominally 100 mm.

    Raises
    ------
    UsageError
        If a length is outside 90 to 106 mm or the two differ by more than 3 %.
    """

    across_mm: float
    upright_mm: float

    def __post_init__(self) -> None:
        low, high = BAR_RANGE_MM
        for name, value in (("horizontal", self.across_mm), ("vertical", self.upright_mm)):
            if not (math.isfinite(value) and low <= value <= high):
                unit = " (was it centimetres?)" if low <= 10.0 * value <= high else ""
                raise UsageError(
                    "check-bar-range",
                    f"The {name} check bar cannot be {value:g} mm long{unit}; it is drawn {CHECK_BAR_MM:g} mm long.",
                    f"Measure it again from line to line in millimetres; {low:g} to {high:g} is accepted. If it "
                    "really is that far off, print the card again at 100 % (actual size).",
                )
        ratio = max(self.across_mm, self.upright_mm) / min(self.across_mm, self.upright_mm)
        if ratio > LARGEST_RATIO:
            raise UsageError(
                "check-bar-ratio",
                f"The two check bars differ by {100 * (ratio - 1):.1f} %, more than any printer stretches a page.",
                "Measure both again; they may differ by 3 % at most.",
            )

    @property
    def scale(self) -> tuple[float, float]:
        """Return printed size over drawn size, horizontally and vertically."""
        return self.across_mm / CHECK_BAR_MM, self.upright_mm / CHECK_BAR_MM


@dataclass(frozen=True, slots=True, kw_only=True)
class LensRecord:
    """A lens as learned from photos of the page card; all figures are independent of the picture's size.

    Attributes
    ----------
    camera : str
        Maker and model.
    focal_length_mm : float
        EXIF focal length, to tell the lenses of one phone apart.
    focal_per_diagonal, focal_per_diagonal_u : float
        Focal length over the picture's diagonal and its standard uncertainty.
    k1, k1_u : float
        First radial term (OpenCV's model) and its standard uncertainty.
    photos : int
        How many photos it was learned from.
    """

    camera: str
    focal_length_mm: float
    focal_per_diagonal: float
    focal_per_diagonal_u: float
    k1: float
    k1_u: float
    photos: int

    def __post_init__(self) -> None:
        if not isinstance(self.camera, str) or not self.camera:
            raise ValueError("camera must be a name")
        for name in ("focal_length_mm", "focal_per_diagonal", "focal_per_diagonal_u", "k1_u"):
            value = getattr(self, name)
            if not (isinstance(value, int | float) and math.isfinite(value) and 0.0 < value < 1000.0):
                raise ValueError(f"{name} must be positive")
        if not (isinstance(self.k1, int | float) and abs(self.k1) < 1.0):
            raise ValueError("k1 must lie between -1 and 1")
        if not isinstance(self.photos, int) or self.photos < 1:
            raise ValueError("photos must be a positive count")

    @property
    def key(self) -> tuple[str, float]:
        """Return what tells one lens from another."""
        return self.camera, round(self.focal_length_mm, 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class CardMemory:
    """Content of the memory file.

    Attributes
    ----------
    checks : mapping of str to CheckBars
        Measured check bars by card code.
    lenses : tuple of LensRecord
        Learned lenses.
    damaged : bool
        True when the file was there but could not be understood, wholly or in part.
    """

    checks: Mapping[str, CheckBars] = field(default_factory=dict)
    lenses: tuple[LensRecord, ...] = ()
    damaged: bool = False


def parse_measured(text: str) -> CheckBars:
    """Read ``99.2x99.4``: horizontal bar, then vertical bar, in millimetres; a decimal comma is fine.

    Raises
    ------
    UsageError
        If it is no pair of lengths, or an absurd one.
    """
    match = re.fullmatch(
        r"\s*([0-9]+(?:[.,][0-9]+)?)\s*(?:mm)?\s*[x×X*]\s*([0-9]+(?:[.,][0-9]+)?)\s*(?:mm)?\s*", text
    )
    if match is None:
        raise UsageError(
            "check-bar-format",
            f"“{text}” does not read as two lengths.",
            "Give the horizontal bar, an x, and the vertical bar in millimetres, for example 99.2x99.4.",
        )
    across, upright = (float(part.replace(",", ".")) for part in match.groups())
    return CheckBars(across_mm=across, upright_mm=upright)


def read_memory(path: Path) -> CardMemory:
    """Read the memory file; a missing one is empty, a damaged one gives what can be understood.

    Raises
    ------
    UsageError
        If the file is there but may not be read.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return CardMemory()
    except UnicodeDecodeError:
        return CardMemory(damaged=True)
    except OSError as error:
        raise UsageError(
            "memory-unreadable",
            f"The file of remembered cards, {path}, cannot be read ({error.strerror}).",
            "Check who may read this file and folder.",
        ) from None
    try:
        document = json.loads(text)
    except (ValueError, RecursionError):
        return CardMemory(damaged=True)
    if not isinstance(document, dict) or document.get("schema") != SCHEMA:
        return CardMemory(damaged=True)
    checks, lost_checks = _read_checks(document.get("cards", {}))
    lenses, lost_lenses = _read_lenses(document.get("lenses", []))
    return CardMemory(checks=checks, lenses=lenses, damaged=lost_checks or lost_lenses)


def remember_check(path: Path, code: str, bars: CheckBars) -> CardMemory:
    """Remember the check bars of a card, replacing what was known of it; returns the new memory."""
    memory = read_memory(path)
    checks = dict(memory.checks)
    checks[str(parse_card_code(code))] = bars
    return _write(path, replace(memory, checks=checks))


def remember_lens(path: Path, lens: LensRecord) -> CardMemory:
    """Remember a lens, replacing one of the same camera and focal length; returns the new memory."""
    memory = read_memory(path)
    others = tuple(known for known in memory.lenses if known.key != lens.key)
    return _write(path, replace(memory, lenses=(*others, lens)))


def _read_checks(entries: Any) -> tuple[dict[str, CheckBars], bool]:
    checks: dict[str, CheckBars] = {}
    if not isinstance(entries, dict):
        return checks, True
    lost = False
    for code, entry in entries.items():
        try:
            bars = CheckBars(across_mm=float(entry["across_mm"]), upright_mm=float(entry["upright_mm"]))
            checks[str(parse_card_code(code))] = bars
        except (KeyError, TypeError, ValueError, OverflowError, PickglassError):
            lost = True
    return checks, lost


def _read_lenses(entries: Any) -> tuple[tuple[LensRecord, ...], bool]:
    if not isinstance(entries, list):
        return (), True
    lenses = []
    lost = False
    for entry in entries:
        try:
            lenses.append(LensRecord(**entry))
        except (TypeError, ValueError):
            lost = True
    return tuple(lenses), lost


def _write(path: Path, memory: CardMemory) -> CardMemory:
    """Write to a temporary file beside it and replace; a damaged file is kept under another name."""
    document = {
        "schema": SCHEMA,
        "cards": {code: asdict(bars) for code, bars in sorted(memory.checks.items())},
        "lenses": [asdict(lens) for lens in memory.lenses],
    }
    temporary: str | None = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if memory.damaged and path.exists():
            os.replace(path, path.with_name(path.name + ".damaged"))
        handle, temporary = tempfile.mkstemp(prefix=path.name, suffix=".part", dir=path.parent)
        with os.fdopen(handle, "w", encoding="utf-8") as stream:
            json.dump(document, stream, indent=2, ensure_ascii=False, allow_nan=False)
            stream.write("\n")
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(temporary, path)
    except OSError as error:
        if temporary is not None:
            Path(temporary).unlink(missing_ok=True)
        raise UsageError(
            "memory-unwritable",
            f"The file of remembered cards, {path}, cannot be written ({error.strerror}).",
            "Check that the folder exists, that you may write there and that the disk is not full.",
        ) from None
    return replace(memory, damaged=False)
