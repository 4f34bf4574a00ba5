"""What `pickglass book add` is given: a measurement from a file or a pipe, a photo, a sett, a day."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from ..calibration.errors import UsageError

if TYPE_CHECKING:
    from .book_record import Record

__all__ = ["record_of", "sett_per_inch", "today"]


def record_of(source: str | None, photo: Path | None, stage: str, day: str) -> Record:
    """Return what --from and --photo give."""
    from .book_exchange import parse_measurement, read_bounded, take_bounded
    from .book_record import Record, figures_of, photo_word

    document = None
    if source is not None:
        most = 50_000_000
        if source == "-":
            where, content = "The measurement", take_bounded(sys.stdin.buffer, "It", most_bytes=most)
        else:
            where, content = source, read_bounded(Path(source), most_bytes=most)
        document = parse_measurement(content, where)
    named = photo.name if photo is not None else (document or {}).get("photo")
    return Record(
        stage=stage,
        date=day,
        photo=photo_word(named, "--photo"),
        photo_sha256=None if photo is None else _sha256(photo),
        figures=None if document is None else figures_of(document, source or ""),
        document=document,
    )


def _sha256(photo: Path) -> str:
    import hashlib

    if os.path.exists(photo) and not os.path.isfile(photo):
        raise UsageError("not-a-file", f"{photo} is not a file.", "Give the photo's file.")
    try:
        with photo.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise UsageError(
            "unreadable-file", f"The photo {photo} cannot be read ({reason}).", "Look at its name and place."
        ) from None


def sett_per_inch(text: str) -> float:
    """Read a sett such as 20/in or 8/cm."""
    from ..measure.quantities import parse_density_per_inch

    return parse_density_per_inch(text, "sett (--sett)", 1.0, 200.0)


def today() -> str:
    """Return the day as YYYY-MM-DD."""
    from datetime import date

    return date.today().isoformat()
