"""The loom waste a weaver has measured, remembered per loom in a small JSON file."""

from __future__ import annotations

import json
import math
from pathlib import Path

from ..calibration.errors import UsageError
from .files import write_whole

__all__ = ["recall_waste_mm", "remember_waste"]

_SCHEMA = "pickglass.looms/1"
_MOST_MM = 3000.0
_LONGEST_NAME = 60


def _read(path: Path) -> dict[str, float]:
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        looms = document["waste_mm"] if document["schema"] == _SCHEMA else None
    except FileNotFoundError:
        return {}
    except (OSError, ValueError, KeyError, TypeError):
        looms = None
    if not isinstance(looms, dict):
        raise UsageError(
            "loom-file-damaged",
            f"The list of looms in {path} cannot be read.",
            "Rename or remove that file; then give --waste once for every loom.",
        )
    return {
        str(name): float(value)
        for name, value in looms.items()
        if isinstance(value, int | float) and math.isfinite(value) and 0 <= value <= _MOST_MM
    }


def _checked_name(name: str) -> str:
    tidy = " ".join(name.split())
    if not tidy or len(tidy) > _LONGEST_NAME or not tidy.isprintable():
        raise UsageError(
            "bad-loom-name",
            "The name of the loom is empty or too long.",
            f"Give a name of 1 to {_LONGEST_NAME} letters, such as --loom kitchen.",
        )
    return tidy


def recall_waste_mm(path: Path, name: str) -> float:
    """Return the remembered waste of a loom.

    Raises
    ------
    UsageError
        If the loom is not known, naming those that are.
    """
    looms, tidy = _read(path), _checked_name(name)
    if tidy in looms:
        return looms[tidy]
    known = f"Known looms: {', '.join(sorted(looms))}. " if looms else "No loom is remembered yet. "
    raise UsageError(
        "unknown-loom",
        f"No waste is remembered for the loom “{tidy}”.",
        f"{known}Give its waste once: --loom {tidy!r} --waste 24in",
    )


def remember_waste(path: Path, name: str, waste_mm: float) -> None:
    """Keep the waste of a loom, replacing an earlier figure of the same loom."""
    looms = _read(path) | {_checked_name(name): waste_mm}
    path.parent.mkdir(parents=True, exist_ok=True)
    document = {"schema": _SCHEMA, "waste_mm": dict(sorted(looms.items()))}
    write_whole(path, (json.dumps(document, indent=1) + "\n").encode(), overwrite=True)
