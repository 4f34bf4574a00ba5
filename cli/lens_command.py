"""`pickglass lens`: learn a phone's lens once from photos of the page card."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from . import options

if TYPE_CHECKING:
    from ..calibration.lens import LearnedLens

__all__ = ["EPILOG", "lens"]

EPILOG = """\b
Examples:
  pickglass lens card1.jpg card2.jpg card3.jpg
  pickglass lens card1.jpg card2.jpg card3.jpg --report lens.html
"""


def lens(
    photos: Annotated[
        list[Path],
        typer.Argument(
            metavar="PHOTO...",
            help="Three or more photos of the page card by one phone, from different sides; or a folder of them.",
            show_default=False,
        ),
    ],
    report: options.Report = None,
    overwrite: options.Overwrite = False,
    json: options.Json = False,
) -> None:
    """Learn how a phone's lens bends the picture, and remember it for all its later photos.

    Lay the page card flat and empty; take one photo from straight above and the others tilted by about 20°
    to different sides, the card filling the picture.
    """
    from ..calibration.card_memory import read_memory, remember_lens
    from ..calibration.lens import learn_lens
    from ..calibration.photo import load_photo
    from .files import check_targets, write_whole
    from .many import gather
    from .places import memory_path
    from .screen import printable, say_written, show_progress

    check_targets({"--report": report}, overwrite=overwrite)
    path = memory_path()
    memory = read_memory(path)
    with show_progress() as progress:
        progress.step("Opening the photos")
        photos = gather(photos)
        loaded = [load_photo(photo) for photo in photos]
        progress.step("Learning the lens")
        learned = learn_lens(loaded, memory.checks)
        if report is not None:
            from .report_card import lens_report

            write_whole(report, lens_report(learned, [photo.name for photo in photos]), overwrite=overwrite)
    record = learned.record
    remember_lens(path, record)
    if memory.damaged:
        typer.echo(
            f"What was remembered before was damaged in part; the old file is kept as {path.name}.damaged.",
            err=True,
        )
    if json:
        from dataclasses import asdict

        from .sett_json import dump

        document = {"schema": "pickglass.lens/1"} | asdict(record)
        shift = {"corner_shift_percent": learned.corner_shift_percent, "rms_px": learned.rms_px}
        typer.echo(dump(document | shift | {"focal_from_photos": learned.focal_from_photos}))
        return
    radial_term = f"radial term k1 = {record.k1:+z.4f} ± {2 * record.k1_u:z.4f}"
    lines = [
        f"Learned from {record.photos} photos: {printable(record.camera)} at {record.focal_length_mm:g} mm.",
        f"It moves the corners of the picture {_corner_words(learned)}.",
        f"The card's squares then fit within {learned.rms_px:z.2f} pixels ({radial_term}).",
    ]
    if not learned.focal_from_photos:
        lines.append(
            "The photos were too much alike to check the focal length, so the one in the files was kept; tilt the "
            "phone more to different sides to have it checked."
        )
    lines.append("Later photos by this lens are corrected without being asked.")
    typer.echo("\n".join(lines))
    say_written((report,))


def _corner_words(learned: LearnedLens) -> str:
    """Return how far the lens moves the corners, and which way."""
    from .rounding import with_uncertainty

    shift = learned.corner_shift_percent
    way = "inwards" if shift < 0 else "outwards"
    return f"{with_uncertainty(abs(shift), learned.corner_shift_u95_percent)} % {way}"
