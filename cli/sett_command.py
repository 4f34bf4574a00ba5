"""`pickglass sett`: photos in, ends and picks per inch out."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from ..calibration.errors import UsageError
from . import options
from .photo_options import with_photo_options
from .pipeline import Request

__all__ = ["EPILOG", "sett"]

EPILOG = """\b
Examples:
  pickglass sett band.jpg --picture marks.jpg
  pickglass sett band.jpg --report band.html
  pickglass sett band.jpg samples/ --csv samples.csv
  pickglass sett scan.tif --scan
  pickglass sett closeup.png --all-cloth --px-per-mm 42.5
"""
EXIT_CODES = {"measured": 0, "unsure": 3, "refused": 4}

_PHOTO = typer.Argument(
    metavar="PHOTO...",
    help="Photos or scans (JPEG, PNG, TIFF, WebP, HEIC), or folders of them.",
    show_default=False,
)


@with_photo_options()
def sett(
    photo: Annotated[list[Path], _PHOTO],
    request: Request,
    json: options.Json = False,
    picture: Annotated[
        Path | None,
        typer.Option(
            parser=options.picture_path("--picture"),
            metavar="FILE",
            help="Write the photo with every tenth end and pick marked and numbered (.png or .jpg).",
        ),
    ] = None,
    repeat_picture: Annotated[
        Path | None,
        typer.Option(
            parser=options.picture_path("--repeat-picture"),
            metavar="FILE",
            help="Write the averaged repeat of the weave (.png or .jpg).",
        ),
    ] = None,
    report: options.Report = None,
    csv: Annotated[
        Path | None,
        typer.Option(
            parser=options.file_path("--csv", (".csv",)),
            metavar="FILE",
            help="Write each photo's result as a row of this table as soon as it is known (.csv).",
        ),
    ] = None,
    jsonl: Annotated[
        Path | None,
        typer.Option(
            parser=options.file_path("--jsonl", (".jsonl", ".ndjson")),
            metavar="FILE",
            help="The same as JSON Lines, one document for each photo (.jsonl).",
        ),
    ] = None,
    skip_done: Annotated[
        bool,
        typer.Option(
            "--skip-done", help="Add to the table, leaving out photos it holds with the same options."
        ),
    ] = False,
    jobs: Annotated[
        int | None,
        typer.Option(
            parser=options.integer("--jobs", 1, 512, "how many photos to measure side by side"),
            metavar="N",
            help="Photos to measure side by side; by default one for each core.",
        ),
    ] = None,
    cluster: Annotated[
        str | None,
        typer.Option(
            "--cluster",
            metavar="ADDRESS",
            help="Measure on a running dask.distributed cluster that you trust.",
        ),
    ] = None,
    overwrite: options.Overwrite = False,
    explain: options.Explain = False,
) -> None:
    """Read ends and picks per inch, the width and the weave from photos.

    The sample lies flat beside a bank-sized card (number side down), on a card drawn by `pickglass card`, or beside a
    steel rule (--rule). What is known beforehand (the weave, the ends warped, the range expected) is checked against the photo, not simply believed.
    Of several photos each is measured alone; one that fails does not stop the rest, and the exit code is the highest.
    """
    files = {"--picture": picture, "--repeat-picture": repeat_picture, "--report": report}
    several = len(photo) > 1 or photo[0].is_dir() or csv is not None or jsonl is not None
    if several or skip_done or cluster is not None:
        _only_for_one(
            {"--picture": picture, "--repeat-picture": repeat_picture, "--explain": explain or None}
        )
    _check_targets({"--csv": csv, "--jsonl": jsonl} | files, overwrite=overwrite, go_on=skip_done)

    if several or skip_done or cluster is not None:
        from .many_command import Wanted, run_many

        wanted = Wanted(
            json=json,
            csv=csv,
            jsonl=jsonl,
            report=report,
            overwrite=overwrite,
            skip_done=skip_done,
            jobs=jobs,
            cluster=cluster,
        )
        raise typer.Exit(run_many(photo, request, wanted))
    raise typer.Exit(
        _run_one(
            photo[0],
            request,
            picture=picture,
            repeat_picture=repeat_picture,
            report=report,
            overwrite=overwrite,
            json=json,
            explain=explain,
        )
    )


def _run_one(
    path: Path,
    request: Request,
    *,
    picture: Path | None,
    repeat_picture: Path | None,
    report: Path | None,
    overwrite: bool,
    json: bool,
    explain: bool,
) -> int:
    """Measure one photo, write what was asked for, say the result, and return the exit code."""
    from .files import write_whole
    from .pipeline import measure_photo
    from .screen import say_written, show_progress

    with show_progress() as progress:
        photograph, measurement = measure_photo(path, request, on_step=progress.step)
        result, plane = measurement.result, measurement.plane
        if picture is not None or repeat_picture is not None:
            progress.step("Drawing the picture")
            from .marks import marks_of
            from .overlay import draw_marks, encode, enlarge_repeat

            marks = marks_of(measurement)
            if picture is not None:
                write_whole(picture, encode(draw_marks(photograph.bgr, marks), picture), overwrite=overwrite)
            if repeat_picture is not None and marks.repeat_bgr is not None:
                write_whole(
                    repeat_picture,
                    encode(enlarge_repeat(marks.repeat_bgr), repeat_picture),
                    overwrite=overwrite,
                )
        if report is not None:
            progress.step("Writing the report")
            from .report import sett_report

            write_whole(report, sett_report(photograph, measurement, request), overwrite=overwrite)
    from .sett_text import explain_text, sett_text

    if json:
        from .sett_json import dump, measurement_document

        typer.echo(dump(measurement_document(measurement)))
    else:
        name = None if picture is None else picture.name
        typer.echo(sett_text(result, plane, picture=name, quality=measurement.quality))
        say_written((repeat_picture, report))
    if explain:
        typer.echo(f"\n{explain_text(result, plane, measurement.quality)}", err=json)
    sys.stdout.flush()
    return EXIT_CODES[result.verdict]


def _only_for_one(options_given: dict[str, object]) -> None:
    """Refuse what makes sense for a single photo only."""
    given = [name for name, value in options_given.items() if value is not None]
    if given:
        raise UsageError(
            "one-photo-only",
            f"{' and '.join(given)} cannot be used with several photos or a table.",
            "Measure the photo alone for that, without --csv and --jsonl.",
        )


def _check_targets(files: dict[str, Path | None], *, overwrite: bool, go_on: bool) -> None:
    """Refuse files that could not be written, before anything is measured."""
    from .files import check_target, different_targets

    for name, path in different_targets(files).items():
        table = name in ("--csv", "--jsonl")
        if table and path.is_file() and not overwrite and not go_on:
            raise UsageError(
                "file-exists",
                f"{path} is already there and was left as it is.",
                "Add --skip-done to add to it, or --overwrite to replace it, or choose another name.",
            )
        check_target(path, overwrite=overwrite or (table and go_on))
