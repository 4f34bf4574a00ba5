"""`pickglass evenness`: where and how the weaving changed along a band."""

from __future__ import annotations

import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ..calibration.errors import UsageError
from . import options
from .photo_options import with_photo_options
from .pipeline import Request

if TYPE_CHECKING:
    from collections.abc import Sequence

    from .evenness_run import Part, Run, Targets

__all__ = ["EPILOG", "evenness"]

EPILOG = """\b
Examples:
  pickglass evenness band.jpg --picture chart.png
  pickglass evenness band.jpg --report band.html
  pickglass evenness left.jpg right.jpg --start-at 0 --start-at 180 --csv picks.csv
  pickglass evenness monday.jpg friday.jpg --compare
"""
EXIT_CODES = {"measured": 0, "unsure": 3, "refused": 4}
LONGEST_BAND_MM = 100_000.0

_PHOTOS = typer.Argument(
    metavar="PHOTO...",
    help="One photo of the band, several along it, or a folder of them.",
    show_default=False,
)


@with_photo_options(needs_scale="places along the band")
def evenness(
    photos: Annotated[list[Path], _PHOTOS],
    request: Request,
    json: options.Json = False,
    start_at: Annotated[
        list[str] | None,
        typer.Option(
            "--start-at",
            metavar="MM",
            help="Where the first pick of each photo lies along the band; give it once for every photo.",
        ),
    ] = None,
    compare: Annotated[
        bool, typer.Option("--compare", help="The photos show different bands: compare them.")
    ] = False,
    spacing: Annotated[
        float,
        typer.Option(
            parser=options.number(
                "--spacing", 1, 1000, "the distance from station to station in millimetres"
            ),
            metavar="MM",
            help="Distance from one station to the next.",
        ),
    ] = 10.0,
    window: Annotated[
        float,
        typer.Option(
            parser=options.number("--window", 2, 1000, "the length each station sums up in millimetres"),
            metavar="MM",
            help="Length of cloth that each station sums up.",
        ),
    ] = 10.0,
    picture: options.Chart = None,
    csv: Annotated[
        Path | None,
        typer.Option(
            "--csv",
            parser=options.file_path("--csv", (".csv",)),
            metavar="FILE",
            help="Write every pick to FILE and every station to FILE-stations (.csv).",
        ),
    ] = None,
    crops: Annotated[
        Path | None,
        typer.Option("--crops", metavar="FOLDER", help="Write a picture of every fault into this folder."),
    ] = None,
    report: options.Report = None,
    overwrite: options.Overwrite = False,
) -> None:
    """Follow every pick along a band and say where beat, width and tension change.

    Places count in millimetres along the warp from the first pick seen, from the left (or top) end of the upright photo.
    Photos with a rail card beside the band are joined by themselves; others with --start-at for each.
    """
    from .many import gather

    photos = gather(photos)
    if request.points is not None and len(photos) > 1:
        raise UsageError(
            "one-photo-only",
            "Two points lie elsewhere in every photo, so --points goes with one photo.",
            "Lay a card beside the band in each photo, or take the photos one by one.",
        )
    starts = _starts(start_at or [], len(photos), compare=compare)
    targets = _targets(picture, csv, crops, report, overwrite=overwrite)
    from .screen import error_text, show_progress

    with show_progress() as progress:
        from ..measure.evenness import EvennessOptions
        from .evenness_run import run_evenness, write_targets

        found = run_evenness(
            photos,
            request,
            EvennessOptions(spacing_mm=spacing, window_mm=window),
            starts_mm=starts,
            compare=compare,
            with_views=report is not None,
            on_step=progress.step,
        )
        written = write_targets(found, targets, request, on_step=progress.step)
    _tell(found, as_json=json)
    if written and not json:
        typer.echo(f"\n{written}")
    sys.stdout.flush()
    for _, error in found.failed:
        typer.echo(error_text(error.problem, error.next_step, sys.stderr), err=True)
    raise typer.Exit(max(EXIT_CODES[found.verdict], *(error.exit_code for _, error in found.failed), 0))


def _starts(texts: Sequence[str], photos: int, *, compare: bool) -> list[float] | None:
    """Read the places of the photos, given one by one or with commas between."""
    words = [word for text in texts for word in text.split(",")]
    if not words:
        return None
    if compare:
        raise UsageError(
            "join-or-compare",
            "--start-at joins photos of one band, --compare sets different bands beside each other.",
            "Give one of the two.",
        )
    values = []
    for word in words:
        try:
            value = float(word)
        except ValueError:
            value = math.nan
        if not abs(value) <= LONGEST_BAND_MM:
            raise UsageError(
                "bad-option",
                f"--start-at “{word}” cannot be used.",
                "Give the place of each photo's first pick in millimetres along the band: --start-at 0 --start-at 180",
            )
        values.append(value)
    if photos == 1:
        raise UsageError(
            "starts-and-photos",
            "--start-at says where each of several photos lies along a band, and only one photo was named.",
            "Leave it out: the places in one photo count from its first pick. Or name the other photos, too.",
        )
    if len(values) != photos:
        places = "One place was" if len(values) == 1 else f"{len(values)} places were"
        raise UsageError(
            "starts-and-photos",
            f"{places} given with --start-at for {photos} photos.",
            "Give --start-at once for every photo, in the same order.",
        )
    return values


def _targets(
    picture: Path | None, csv: Path | None, crops: Path | None, report: Path | None, *, overwrite: bool
) -> Targets:
    from .evenness_csv import stations_path
    from .evenness_run import Targets
    from .files import check_targets

    stations = None if csv is None else stations_path(csv)
    check_targets(
        {"--picture": picture, "--csv": csv, "the stations": stations, "--report": report},
        overwrite=overwrite,
    )
    if crops is not None and crops.exists() and not crops.is_dir():
        raise UsageError(
            "no-folder", f"{crops} is not a folder.", "Give a folder for the pictures of the faults."
        )
    if crops is not None and not crops.parent.is_dir():
        raise UsageError(
            "no-folder", f"The folder {crops.parent} does not exist.", "Make it first, or choose another."
        )
    return Targets(picture=picture, csv=csv, crops=crops, report=report, overwrite=overwrite)


def _tell(found: Run, *, as_json: bool) -> None:
    if as_json:
        from .evenness_json import evenness_document, several_document
        from .sett_json import dump

        if len(found.parts) == 1 and not found.failed:
            part = found.parts[0]
            document = evenness_document(part.measurement.result, part.measurement.plane, part.evenness)
        else:
            document = several_document(
                [(p.measurement.result, p.measurement.plane, p.evenness) for p in found.parts],
                joined=found.joined,
                placed=found.placed,
                comparisons=found.comparisons,
                verdict=found.verdict,
            )
        if found.failed:
            document["failed"] = [
                {"photo": name, "code": error.code, "text": str(error)} for name, error in found.failed
            ]
        typer.echo(dump(document))
        return
    from .evenness_text import comparison_text, evenness_text, joined_text, safety_text

    if found.joined is not None:
        notes = [note for part in found.parts for note in _notes(part)]
        name = f"{len(found.parts)} photos of one band"
        text = evenness_text(found.joined, name=name, verdict=found.verdict, notes=list(dict.fromkeys(notes)))
        typer.echo(f"{text}\n\n{joined_text(found.placed)}\n\n{safety_text()}")
        return
    for part in found.parts:
        result = part.measurement.result
        typer.echo(
            evenness_text(part.evenness, name=result.photo, verdict=result.verdict, notes=_notes(part))
        )
        typer.echo("")
    for a, b, compared in found.comparisons:
        names = [found.parts[k].measurement.result.photo for k in (a, b)]
        typer.echo(f"{comparison_text(names[0], names[1], compared)}\n")
    typer.echo(safety_text())


def _notes(part: Part) -> list[str]:
    """Return the remarks on one photo, each once; first what leaves it unsure, with what settles that."""
    from .doubt_words import doubt_advice, doubt_codes, doubt_words

    result, told = part.measurement.result, doubt_codes(part.measurement.result)
    doubts = doubt_words(result)
    if doubts:
        doubts[-1] = f"{doubts[-1]} {doubt_advice(result)}".rstrip()
    notices = (*part.measurement.plane.notices, *result.notices)
    return list(dict.fromkeys([*doubts, *(notice.text for notice in notices if notice.code not in told)]))
