"""`pickglass shrinkage`: what a wash did, from photos before and after it."""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, cast

import typer

from ..calibration.errors import RefusedError, UsageError
from ..calibration.notices import Notice
from . import options

if TYPE_CHECKING:
    from collections.abc import Callable

    from ..calibration.scale import CardChoice
    from ..measure.results import Verdict
    from ..measure.sample import WarpWay
    from ..measure.sett import SettMeasurement
    from ..measure.shrinkage import Change, ChangeOfSize, Direction

__all__ = ["EPILOG", "STAGES", "Series", "shrinkage"]

EPILOG = """\b
Examples:
  pickglass shrinkage before.jpg after.jpg
  pickglass shrinkage before.jpg wash1.jpg wash2.jpg --picture washes.png
  pickglass shrinkage loom.jpg off.jpg washed.jpg --stage on-loom,off-loom,washed
"""
STAGES = ("on-loom", "off-loom", "washed")
EXIT_CODES = {"measured": 0, "unsure": 3}

_PHOTOS = typer.Argument(
    metavar="BEFORE AFTER...",
    help="Photo before, photo after, and after each later wash.",
    show_default=False,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """Photos of one sample in the order of its washes, with K changes between K + 1 photos."""

    photos: tuple[str, ...]
    stages: tuple[str, ...]
    from_first: tuple[ChangeOfSize, ...]
    from_previous: tuple[ChangeOfSize, ...]
    settled: tuple[bool, ...]
    verdict: Verdict
    notices: tuple[Notice, ...]


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


def _points(option: str, text: str | None) -> list[tuple[float, float]] | None:
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
    photos: Annotated[list[Path], _PHOTOS],
    json: options.Json = False,
    picture: options.Chart = None,
    overwrite: options.Overwrite = False,
    stage: Annotated[
        str | None,
        typer.Option(
            "--stage",
            metavar="A,B,...",
            help="State of the cloth in each photo: on-loom, off-loom or washed. Without it: off-loom, then washed.",
        ),
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
    count = len(photos)
    if count < 2:
        raise UsageError(
            "one-photo", "A change needs two photos.", "Give the photo before and the photo after."
        )
    stages = _words_of("--stage", STAGES, stage, count, ["off-loom"] + ["washed"] * (count - 1))
    if [STAGES.index(s) for s in stages] != sorted(STAGES.index(s) for s in stages):
        raise UsageError(
            "bad-option",
            f"The stages {', '.join(stages)} go backwards.",
            "Give the photos in the order on-loom, off-loom, washed.",
        )
    warps = _words_of("--warp", options.WARPS, warp, count, ["auto"] * count)
    options.needs_scale(no_scale, "what the wash did")
    scales = _numbers_of("--px-per-mm", options.px_per_mm, px_per_mm, count)
    dots = _numbers_of("--dpi", options.dpi, dpi, count)
    options.one_scale(
        px_per_mm=scales[0], scan=scan, dpi=dots[0], no_scale=False, card_on_cloth=card_on_cloth
    )
    hand = _points("--marks-before", marks_before), _points("--marks-after", marks_after)
    if (hand[0] is None) != (hand[1] is None) or len(hand[0] or ()) != len(hand[1] or ()):
        raise UsageError(
            "bad-marks",
            "--marks-before and --marks-after do not name the same number of marks.",
            "Give the same marks in the same order for both photos.",
        )
    if hand[0] is not None and count != 2:
        raise UsageError("bad-marks", "Marks by hand go with two photos.", "Compare two photos at a time.")
    from .files import check_target, write_whole
    from .pipeline import Request, measure_photo
    from .screen import show_progress

    if picture is not None:
        check_target(picture, overwrite=overwrite)
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
        found = []
        for k, path in enumerate(photos):
            asked = replace(request, warp=cast("WarpWay", warps[k]), px_per_mm=scales[k], dpi=dots[k])
            found.append(measure_photo(path, asked, on_step=progress.step)[1])
        progress.step("Comparing")
        series = compare_series(found, tuple(stages), hand=hand, force=force)
        if picture is not None:
            from .shrinkage_chart import draw_series

            write_whole(picture, draw_series(series, picture), overwrite=overwrite)
    if json:
        from .sett_json import dump
        from .shrinkage_json import shrinkage_document

        typer.echo(dump(shrinkage_document(series)))
    else:
        from .shrinkage_text import shrinkage_text

        typer.echo(shrinkage_text(series))
    sys.stdout.flush()
    raise typer.Exit(EXIT_CODES[series.verdict])


Points = list[tuple[float, float]] | None


def compare_series(
    found: list[SettMeasurement],
    stages: tuple[str, ...],
    *,
    hand: tuple[Points, Points] = (None, None),
    force: bool = False,
) -> Series:
    """Compare every photo with the first and with the one before it.

    Raises
    ------
    RefusedError
        ``different-samples``, unless `force`.
    """
    from ..measure.common_stretch import find_common
    from ..measure.same_sample import differences
    from ..measure.shrinkage import compare_sizes, has_settled

    notices: list[Notice] = []
    shared = [find_common(found[0], m) for m in found[1:]]
    for other, common in zip(found[1:], shared, strict=True):
        reasons = differences(found[0], other, common)
        if reasons and not force:
            raise RefusedError(
                "different-samples",
                f"{found[0].result.photo} and {other.result.photo} seem to show two different samples: "
                f"{'; '.join(reasons)}.",
                "Give two photos of one sample; if a sample lies with its warp across the photo, say --warp down,across; "
                "if it is the same sample after all, add --force.",
            )
        if reasons:
            text = f"{other.result.photo} may show another sample ({'; '.join(reasons)}); compared because of --force."
            notices.append(Notice("forced", text))
    to_first = [
        compare_sizes(found[0], m, marks=_marks(found[0], m, hand), common=common)
        for m, common in zip(found[1:], shared, strict=True)
    ]
    to_previous = [to_first[0]]
    to_previous += [
        compare_sizes(a, b, marks=_marks(a, b, (None, None)), common=find_common(a, b))
        for a, b in pairwise(found[1:])
    ]
    for size in (*to_first, *to_previous):
        notices += [n for n in size.notices if n not in notices]
    return Series(
        photos=tuple(m.result.photo for m in found),
        stages=stages,
        from_first=tuple(to_first),
        from_previous=tuple(to_previous),
        settled=tuple(has_settled(s.warpwise) and has_settled(s.weftwise) for s in to_previous),
        verdict="unsure" if notices else "measured",
        notices=tuple(notices),
    )


def _marks(
    before: SettMeasurement, after: SettMeasurement, hand: tuple[Points, Points]
) -> dict[Direction, Change] | None:
    import numpy as np

    from ..measure.bench_marks import change_of_marks, find_marks, marks_by_hand, match_marks

    if hand[0] is not None and hand[1] is not None:
        return change_of_marks(
            marks_by_hand(before, np.array(hand[0])), marks_by_hand(after, np.array(hand[1]))
        )
    pair = match_marks(find_marks(before), find_marks(after))
    return None if pair is None else change_of_marks(*pair)
