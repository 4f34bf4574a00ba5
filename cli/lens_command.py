"""`pickglass lens`: learn a phone's lens once from photos of the page card."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["EPILOG", "lens"]

EPILOG = """\b
Example:
  pickglass lens card1.jpg card2.jpg card3.jpg
"""


def lens(
    photos: Annotated[
        list[Path],
        typer.Argument(
            metavar="PHOTO...",
            help="Three or more photos of the page card by one phone, from different sides.",
            show_default=False,
        ),
    ],
) -> None:
    """Learn how a phone's lens bends the picture, and remember it for all its later photos.

    Lay the page card flat and empty; take one photo from straight above and the others tilted by about 20°
    to different sides, the card filling the picture.
    """
    from ..calibration.card_memory import read_memory, remember_lens
    from ..calibration.lens import learn_lens
    from ..calibration.photo import load_photo
    from .places import memory_path
    from .screen import printable

    path = memory_path()
    memory = read_memory(path)
    learned = learn_lens([load_photo(photo) for photo in photos], memory.checks)
    record = learned.record
    remember_lens(path, record)
    if memory.damaged:
        typer.echo(
            f"What was remembered before was damaged in part; the old file is kept as {path.name}.damaged.",
            err=True,
        )
    lines = [
        f"Learned from {record.photos} photos: {printable(record.camera)} at {record.focal_length_mm:g} mm.",
        f"It moves the corners of the picture by {learned.corner_shift_percent:+.2f} %.",
        f"k1 = {record.k1:+.4f} ± {2 * record.k1_u:.4f}; the markers fit within {learned.rms_px:.2f} px.",
    ]
    if not learned.focal_from_photos:
        lines.append(
            "The photos were too much alike to check the focal length, so the one in the files was kept; tilt the "
            "phone more to different sides to have it checked."
        )
    lines.append("Later photos by this lens are corrected without being asked.")
    typer.echo("\n".join(lines))
