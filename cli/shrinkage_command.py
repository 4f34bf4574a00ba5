"""`pickglass shrinkage`: what a wash did, from photos before and after it."""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, cast

import typer

from ..calibration.errors import UsageError
from . import options
from .shrinkage_run import compare_series, measure_sources, sources_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from ..calibration.scale import CardChoice
    from ..measure.sample import WarpWay

__all__ = ["EPILOG", "STAGES", "shrinkage"]

EPILOG = """\b
Examples:
  pickglass shrinkage before.jpg after.jpg --report wash.html
  pickglass shrinkage before.jpg wash1.jpg wash2.jpg --picture washes.png
  pickglass shrinkage "book:garden band" washed.jpg
  pickglass shrinkage loom.jpg off.jpg washed.jpg --stage on-loom,off-loom,washed
"""
STAGES = ("on-loom", "off-loom", "washed")
EXIT_CODES = {"measured": 0, "unsure": 3}

_PHOTOS = typer.Argument(
    metavar="PHOTO|book:NAME...",
    help="Photo before, photo after, and after each later wash; book:NAME stands for every stage of a sample that "
    "your book keeps.",
    show_default=False,
)


def _words_of(
    option: str, names: tuple[str, ...], text: str | None, count: int, fallback: list[str]
) -> list[str]:
    """Return one word per photo; a single word stands for all."""
    if text is None:
        return fallback
    words = [options.choice(option, names)(word) for word in text.split(",")]
    if len(words) == 1 and option == "--warp":
        words *= count
    if len(words) != count:
        raise UsageError(
            "bad-option",
            f"{option} names {len(words)} photos, but {count} were given.",
            f"Give one word for each photo, with commas between: {option} {','.join(fallback)}",
        )
    return words


def _numbers_of(
    option: str, parse: Callable[[str], float], text: str | None, count: int
) -> list[float] | list[None]:
    """Return one number per photo; a single number stands for all."""
    if text is None:
        return [None] * count
    values = [parse(word) for word in text.split(",")]
    if len(values) == 1:
        values *= count
    if len(values) != count:
        raise UsageError(
            "bad-option",
            f"{option} names {len(values)} photos, but {count} were given.",
            f"Give one number for all photos, or one for each with commas between: {option} 20.1,19.8",
        )
    return values


def _marked(option: str, text: str | None) -> list[tuple[float, float]] | None:
    if text is None:
        return None
    try:
        values = [float(part) for part in text.split(",")]
    except ValueError:
        values = []
    if len(values) < 4 or len(values) % 2 or not all(math.isfinite(v) for v in values):
        raise UsageError(
            "bad-option",
            f"{option} {text!r} cannot be used.",
            f"Give x and y of each mark in pixels of the upright photo, at least two marks: {option} 310,240,2900,255",
        )
    return list(zip(values[::2], values[1::2], strict=True))


def shrinkage(
    photos: Annotated[list[str], _PHOTOS],
    json: options.Json = False,
    picture: options.Chart = None,
    report: options.Report = None,
    overwrite: options.Overwrite = False,
    stage: Annotated[
        str | None,
        typer.Option(
            "--stage",
            metavar="A,B,...",
            help="State of the cloth in each photo: on-loom, off-loom or washed. Without it: off-loom, then washed.",
        ),
    ] = None,
    book: Annotated[
        Path | None,
        typer.Option("--book", metavar="FILE", help="Another book than your usual one.", show_default=False),
    ] = None,
    marks_before: Annotated[
        str | None,
        typer.Option(
            "--marks-before", metavar="X,Y,X,Y...", help="Bench marks in the first photo, in pixels."
        ),
    ] = None,
    marks_after: Annotated[
        str | None,
        typer.Option(
            "--marks-after", metavar="X,Y,X,Y...", help="The same marks, in the same order, in the second."
        ),
    ] = None,
    force: Annotated[
        bool, typer.Option("--force", help="Compare even photos that seem to show two different samples.")
    ] = False,
    card: options.Card = "auto",
    px_per_mm: Annotated[
        str | None,
        typer.Option(
            "--px-per-mm",
            metavar="X,X,...",
            help="Scale given by hand, pixels per millimetre; one number or one each.",
        ),
    ] = None,
    points: Annotated[
        list[str] | None,
        typer.Option(
            "--points",
            metavar="X1,Y1,X2,Y2=MM",
            help="Scale from two points of a photo (pixels) and the distance between them in mm; once for each photo.",
        ),
    ] = None,
    scan: options.Scan = False,
    dpi: Annotated[
        str | None,
        typer.Option(
            "--dpi",
            metavar="N,N,...",
            help="Resolution of the scans, if the files do not say or say it wrong; one number or one each.",
        ),
    ] = None,
    no_scale: options.NoScaleRefused = False,
    all_cloth: options.AllCloth = False,
    warp: Annotated[
        str | None,
        typer.Option(
            "--warp", metavar="A,B,...", help="Way of the warp: auto, down or across; one word or one each."
        ),
    ] = None,
    weave: options.Weave = None,
    ends_warped: options.EndsWarped = None,
    expect_ends: options.ExpectEnds = None,
    expect_picks: options.ExpectPicks = None,
    cloth_thickness: options.ClothThickness = None,
    card_on_cloth: options.CardOnCloth = False,
) -> None:
    """Tell how a sample changed in the wash, from photos before and after.

    Lay a card beside the sample in each photo; card, camera, distance and turn may differ. Parts of the sample will do,
    for threads are conserved: their spacing tells. Stages are named with each change, take-up apart from shrinkage.
    """
    options.needs_scale(no_scale, "what the wash did")
    sources = sources_of(photos, book)
    if len(sources) < 2:
        raise UsageError(
            "one-photo",
            "A change needs two photos, and only one was named."
            if sources[0].path is not None
            else "A change needs two measurements, and the book holds only one of that sample.",
            "Give the photo before and the photo after; either may be a sample of your book, as book:NAME.",
        )
    places = [k for k, source in enumerate(sources) if source.path is not None]
    count = len(places)
    words = _words_of("--stage", STAGES, stage, count, ["washed" if k else "off-loom" for k in places])
    for k, word in zip(places, words, strict=True):
        sources[k] = replace(sources[k], stage=word)
    stages = [source.stage for source in sources]
    if [STAGES.index(s) for s in stages] != sorted(STAGES.index(s) for s in stages):
        raise UsageError(
            "bad-option",
            f"The stages {', '.join(stages)} go backwards.",
            "Give the photos in the order on-loom, off-loom, washed.",
        )
    warps = _words_of("--warp", options.WARPS, warp, count, ["auto"] * count)
    scales = _numbers_of("--px-per-mm", options.px_per_mm, px_per_mm, count)
    apart: list[options.KnownDistance | None] = [options.points(text) for text in points or ()]
    apart = apart or [None] * count
    if len(apart) != count:
        raise UsageError(
            "bad-option",
            f"--points was given {len(apart)} times for {count} photos.",
            "Give it once for every photo, in the same order, for the points lie elsewhere in each.",
        )
    dots = _numbers_of("--dpi", options.dpi, dpi, count)
    options.one_scale(
        px_per_mm=scales[0] if scales else None,
        points=apart[0] if apart else None,
        scan=scan,
        dpi=dots[0] if dots else None,
        no_scale=False,
        card_on_cloth=card_on_cloth,
    )
    hand = _marked("--marks-before", marks_before), _marked("--marks-after", marks_after)
    if (hand[0] is None) != (hand[1] is None) or len(hand[0] or ()) != len(hand[1] or ()):
        raise UsageError(
            "bad-marks",
            "--marks-before and --marks-after do not name the same number of marks.",
            "Give the same marks in the same order for both photos.",
        )
    if hand[0] is not None and len(sources) != 2:
        raise UsageError("bad-marks", "Marks by hand go with two photos.", "Compare two photos at a time.")
    if hand[0] is not None and count < len(sources):
        raise UsageError(
            "bad-marks",
            "Marks can only be measured on photos, not on what the book keeps.",
            "Give the photo before and the photo after.",
        )
    from .files import check_targets, write_whole
    from .pipeline import Request
    from .screen import show_progress

    check_targets({"--picture": picture, "--report": report}, overwrite=overwrite)
    request = Request(
        card=cast("CardChoice", card),
        scan=scan or dpi is not None,
        all_cloth=all_cloth,
        weave=weave,
        ends_warped=ends_warped,
        expect_ends=expect_ends,
        expect_picks=expect_picks,
        cloth_thickness_mm=cloth_thickness,
        card_on_cloth=card_on_cloth,
    )
    with show_progress() as progress:
        asked = [
            replace(
                request, warp=cast("WarpWay", warps[k]), px_per_mm=scales[k], points=apart[k], dpi=dots[k]
            )
            for k in range(count)
        ]
        shown = measure_sources(sources, asked, with_views=report is not None, on_step=progress.step)
        progress.step("Comparing")
        series = compare_series([one.measurement for one in shown], tuple(stages), hand=hand, force=force)
        if picture is not None:
            from .shrinkage_chart import draw_series

            write_whole(picture, draw_series(series, picture), overwrite=overwrite)
        if report is not None:
            progress.step("Writing the report")
            from .report_shrinkage import shrinkage_report

            write_whole(report, shrinkage_report(series, shown), overwrite=overwrite)
    if json:
        from .sett_json import dump
        from .shrinkage_json import shrinkage_document

        typer.echo(dump(shrinkage_document(series)))
    else:
        from .shrinkage_text import shrinkage_text

        typer.echo(shrinkage_text(series))
    sys.stdout.flush()
    raise typer.Exit(EXIT_CODES[series.verdict])
