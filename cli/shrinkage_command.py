"""`pickglass shrinkage`: what a wash did, from photos before and after it."""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, cast

import typer

from ..calibration.errors import UsageError
from . import options
from .photo_options import with_photo_options
from .pipeline import Request
from .shrinkage_run import compare_series, measure_sources, sources_of

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from ..measure.sample import WarpWay
    from .shrinkage_run import Points, Source

__all__ = ["EPILOG", "STAGES", "shrinkage"]

EPILOG = """\b
Examples:
  pickglass shrinkage before.jpg after.jpg --report wash.html
  pickglass shrinkage before.jpg wash1.jpg wash2.jpg --picture washes.png
  pickglass shrinkage "book:garden band" washed.jpg
  pickglass shrinkage loom.jpg off.jpg washed.jpg --stage on-loom,off-loom,washed
"""
STAGES = ("on-loom", "off-loom", "washed")
_THICKNESS = options.number("--cloth-thickness", 0.05, 30, "the thickness of the cloth in millimetres")
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
    if words and count == 0:
        raise UsageError(
            "bad-option",
            f"{option} is about photos, and none was named.",
            "Leave it out; what the book keeps was measured already.",
        )
    if len(words) != count:
        raise UsageError(
            "bad-option",
            f"{option} needs one word for each of the {count} photos, and has {len(words)}.",
            f"Put commas between them: {option} {','.join(fallback)}",
        )
    return words


def _numbers_of(
    option: str, parse: Callable[[str], float], text: str | None, count: int
) -> list[float | None]:
    """Return one number per photo; a single number stands for all, and ``auto`` for a photo that needs none."""
    if text is None:
        return [None] * count
    values = [None if word.strip().lower() == "auto" else parse(word) for word in text.split(",")]
    if len(values) == 1:
        values *= count
    if len(values) != count:
        raise UsageError(
            "bad-option",
            f"{option} needs one number, or one for each of the {count} photos, and has {len(values)}.",
            f"Put commas between them, and auto for a photo without: {option} 20.1,auto",
        )
    return values


def _areas_of(texts: list[str] | None, count: int) -> list[options.Rectangle | None]:
    """Return the part of each photo to look at; None is the whole of it."""
    if not texts:
        return [None] * count
    if len(texts) != count:
        raise UsageError(
            "bad-option",
            f"--area was given {len(texts)} times for {count} photos.",
            "Give it once for every photo, in the same order: --area 400,300,1200,900 --area whole",
        )
    return [None if text.strip().lower() == "whole" else options.area(text) for text in texts]


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
            f"{option} “{text}” cannot be used.",
            f"Give x and y of each mark in pixels of the upright photo, at least two marks: {option} 310,240,2900,255",
        )
    return list(zip(values[::2], values[1::2], strict=True))


@with_photo_options(
    leave_out=("px_per_mm", "points", "dpi", "area", "warp", "cloth_thickness"),
    needs_scale="what the wash did",
)
def shrinkage(
    photos: Annotated[list[str], _PHOTOS],
    request: Request,
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
    book: options.Book = None,
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
    px_per_mm: Annotated[
        str | None,
        typer.Option(
            "--px-per-mm",
            metavar="X,X,...",
            help="Scale given by hand, pixels per millimetre; one number, or one each with auto for none.",
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
    dpi: Annotated[
        str | None,
        typer.Option(
            "--dpi",
            metavar="N,N,...",
            help="Resolution of scans, if the files do not say or say it wrong; one number, or one each with auto for none.",
        ),
    ] = None,
    warp: Annotated[
        str | None,
        typer.Option(
            "--warp", metavar="A,B,...", help="Way of the warp: auto, down or across; one word or one each."
        ),
    ] = None,
    area: Annotated[
        list[str] | None,
        typer.Option(
            "--area",
            metavar="X,Y,W,H|whole",
            help="Look only at this rectangle of the upright photo, in pixels; once for each photo, whole for none.",
        ),
    ] = None,
    cloth_thickness: Annotated[
        str | None,
        typer.Option(
            "--cloth-thickness",
            metavar="MM,MM,...",
            help="Thickness of the cloth, if you measured it; one number or one each.",
        ),
    ] = None,
) -> None:
    """Tell how a sample changed in the wash, from photos before and after.

    Lay a card beside the sample in each photo; card, camera, distance and turn may differ. Parts of the sample will do,
    for threads are conserved: their spacing tells. Stages are named with each change, take-up apart from shrinkage.
    """
    sources = sources_of(photos, book)
    if len(sources) < 2:
        raise UsageError(
            "one-photo",
            "A change needs two photos, and only one was named."
            if sources[0].path is not None
            else "A change needs two measurements, and the book holds only one of that sample.",
            "Give the photo before and the photo after; either may be a sample of your book, as book:NAME.",
        )
    sources = _staged(sources, stage)
    count = sum(source.path is not None for source in sources)
    asked = _requests(
        request,
        count,
        warp=warp,
        px_per_mm=px_per_mm,
        points=points,
        dpi=dpi,
        area=area,
        cloth_thickness=cloth_thickness,
    )
    hand = _marked("--marks-before", marks_before), _marked("--marks-after", marks_after)
    _check_marks(hand, sources)
    from .files import check_targets, write_whole
    from .screen import say_written, show_progress

    check_targets({"--picture": picture, "--report": report}, overwrite=overwrite)
    with show_progress() as progress:
        shown = measure_sources(sources, asked, with_views=report is not None, on_step=progress.step)
        progress.step("Comparing")
        series = compare_series(
            [one.measurement for one in shown],
            tuple(source.stage for source in sources),
            hand=hand,
            force=force,
        )
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
        say_written((picture, report))
    sys.stdout.flush()
    raise typer.Exit(EXIT_CODES[series.verdict])


def _staged(sources: Sequence[Source], told: str | None) -> list[Source]:
    """Return the sources with the stage of every photo, as told or off-loom first and then washed."""
    places = [k for k, source in enumerate(sources) if source.path is not None]
    words = _words_of("--stage", STAGES, told, len(places), ["washed" if k else "off-loom" for k in places])
    staged = list(sources)
    for k, word in zip(places, words, strict=True):
        staged[k] = replace(staged[k], stage=word)
    order = [STAGES.index(source.stage) for source in staged]
    if order != sorted(order):
        raise UsageError(
            "bad-option",
            f"The stages {', '.join(source.stage for source in staged)} go backwards.",
            "Give the photos in the order on-loom, off-loom, washed.",
        )
    return staged


def _check_marks(hand: tuple[Points, Points], sources: Sequence[Source]) -> None:
    """Refuse marks by hand that do not go with two photos."""
    if (hand[0] is None) != (hand[1] is None) or len(hand[0] or ()) != len(hand[1] or ()):
        raise UsageError(
            "bad-marks",
            "--marks-before and --marks-after do not name the same number of marks.",
            "Give the same marks in the same order for both photos.",
        )
    if hand[0] is not None and len(sources) != 2:
        raise UsageError("bad-marks", "Marks by hand go with two photos.", "Compare two photos at a time.")
    if hand[0] is not None and any(source.path is None for source in sources):
        raise UsageError(
            "bad-marks",
            "Marks can only be measured on photos, not on what the book keeps.",
            "Give the photo before and the photo after.",
        )


def _requests(
    request: Request,
    count: int,
    *,
    warp: str | None,
    px_per_mm: str | None,
    points: list[str] | None,
    dpi: str | None,
    area: list[str] | None,
    cloth_thickness: str | None,
) -> list[Request]:
    """Return what is asked of each photo: the same of all, and what was given for each."""
    warps = _words_of("--warp", options.WARPS, warp, count, ["auto"] * count)
    scales = _numbers_of("--px-per-mm", options.px_per_mm, px_per_mm, count)
    dots = _numbers_of("--dpi", options.dpi, dpi, count)
    thick = _numbers_of("--cloth-thickness", _THICKNESS, cloth_thickness, count)
    areas = _areas_of(area, count)
    apart: list[options.KnownDistance | None] = [options.points(text) for text in points or ()]
    apart = apart or [None] * count
    if len(apart) != count:
        raise UsageError(
            "bad-option",
            f"--points was given {len(apart)} times for {count} photos.",
            "Give it once for every photo, in the same order, for the points lie elsewhere in each.",
        )
    asked = [
        replace(
            request,
            warp=cast("WarpWay", warps[k]),
            px_per_mm=scales[k],
            points=apart[k],
            dpi=dots[k],
            scan=request.scan or dots[k] is not None,
            area_px=areas[k],
            cloth_thickness_mm=thick[k],
        )
        for k in range(count)
    ]
    for one in asked:
        options.one_scale(
            px_per_mm=one.px_per_mm,
            points=one.points,
            rule=one.rule,
            scan=one.scan,
            dpi=one.dpi,
            no_scale=False,
            card_on_cloth=one.card_on_cloth,
            card=one.card,
        )
    return asked
