"""The options that say what a photo shows and how its scale is known: declared once, for every command that measures.

A command takes a `Request` as its parameter `request`; on the command line the options stand in its place.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated, Any, cast

import typer

from . import options
from .pipeline import Request

if TYPE_CHECKING:
    from ..calibration.rule_scale import RuleKind
    from ..calibration.scale import CardChoice
    from ..measure.sample import WarpWay

__all__ = ["with_photo_options"]

Command = Callable[..., None]

Card = Annotated[
    str,
    typer.Option(
        "--card",
        parser=options.choice("--card", options.CARDS),
        metavar="|".join(options.CARDS),
        help="Which reference card lies in the photo.",
    ),
]

PxPerMm = Annotated[
    float | None,
    typer.Option(
        "--px-per-mm",
        parser=options.px_per_mm,
        metavar="X",
        help="Scale given by hand, pixels per millimetre.",
    ),
]
Points = Annotated[
    options.KnownDistance | None,
    typer.Option(
        "--points",
        parser=options.points,
        metavar="X1,Y1,X2,Y2=MM",
        help="Scale from two points of the photo (pixels) and the distance between them in mm.",
    ),
]
Rule = Annotated[
    str | None,
    typer.Option(
        "--rule",
        parser=options.choice("--rule", options.RULES),
        metavar="|".join(options.RULES),
        help="Scale from a steel rule lying flat in the photo: its millimetres, or its sixteenths of an inch.",
    ),
]
Scan = Annotated[
    bool, typer.Option("--scan", help="A flat-bed scan: scale from the file's resolution, or from --dpi.")
]
Dpi = Annotated[
    float | None,
    typer.Option(
        "--dpi",
        parser=options.dpi,
        metavar="N",
        help="Resolution of the scan, if the file does not say or says it wrong.",
    ),
]
NoScale = Annotated[
    bool,
    typer.Option(
        "--no-scale",
        help="No card and no scale: threads per 1000 pixels only, and so are those you expect.",
    ),
]
NoScaleRefused = Annotated[bool, typer.Option("--no-scale", hidden=True)]
AllCloth = Annotated[bool, typer.Option("--all-cloth", help="The whole picture is cloth.")]
Area = Annotated[
    options.Rectangle | None,
    typer.Option(
        "--area",
        parser=options.area,
        metavar="X,Y,W,H",
        help="Measure only this rectangle of the upright photo, in pixels.",
    ),
]
Warp = Annotated[
    str,
    typer.Option(
        "--warp",
        parser=options.choice("--warp", options.WARPS),
        metavar="|".join(options.WARPS),
        help="Which way the warp runs in the photo; auto takes a band's length.",
    ),
]
Weave = Annotated[
    str | None,
    typer.Option(
        "--weave",
        parser=options.choice("--weave", options.WEAVES),
        metavar="NAME",
        help="The weave, if you know it: plain, basket, twill or satin.",
    ),
]
EndsWarped = Annotated[
    int | None,
    typer.Option(
        "--ends-warped",
        parser=options.integer("--ends-warped", 2, 20000, "the number of ends you warped"),
        metavar="N",
        help="How many ends you warped over the whole width, if you know it.",
    ),
]
ExpectEnds = Annotated[
    options.Span | None,
    typer.Option(
        "--expect-ends",
        parser=options.span("--expect-ends", 0.5, 1000, "the ends per inch you expect"),
        metavar="LO..HI",
        help="Ends per inch you expect, such as 20..30.",
    ),
]
ExpectPicks = Annotated[
    options.Span | None,
    typer.Option(
        "--expect-picks",
        parser=options.span("--expect-picks", 0.5, 1000, "the picks per inch you expect"),
        metavar="LO..HI",
        help="Picks per inch you expect, such as 10..14.",
    ),
]
ClothThickness = Annotated[
    float | None,
    typer.Option(
        "--cloth-thickness",
        parser=options.number("--cloth-thickness", 0.05, 30, "the thickness of the cloth in millimetres"),
        metavar="MM",
        help="Thickness of the cloth, if you measured it.",
    ),
]
CardOnCloth = Annotated[
    bool, typer.Option("--card-on-cloth", help="The card lies on the cloth, not beside it.")
]


def with_photo_options(
    *, leave_out: tuple[str, ...] = (), needs_scale: str = ""
) -> Callable[[Command], Command]:
    """Give a command the options that make up a `Request`.

    Parameters
    ----------
    leave_out : tuple of str
        Options that the command declares in a form of its own, such as one value for each photo.
    needs_scale : str
        What cannot be told without a scale; then `--no-scale` is refused in words instead of being offered.
    """

    def decorate(command: Command) -> Command:
        own = inspect.signature(command, eval_str=True)
        taken = inspect.signature(_request, eval_str=True).parameters
        shared = {name: one for name, one in taken.items() if name not in leave_out}
        if needs_scale:
            shared["no_scale"] = shared["no_scale"].replace(annotation=NoScaleRefused)

        def run(**given: Any) -> None:
            told = {name: given.pop(name) for name in shared}
            if needs_scale:
                options.needs_scale(told["no_scale"], needs_scale)
            command(request=_request(**told), **given)

        kept = [one for one in own.parameters.values() if one.name != "request"]
        both = [one.replace(kind=inspect.Parameter.KEYWORD_ONLY) for one in (*kept, *shared.values())]
        run.__name__, run.__doc__, run.__module__ = command.__name__, command.__doc__, command.__module__
        run.__signature__ = own.replace(parameters=both)  # type: ignore[attr-defined]
        run.__annotations__ = {one.name: one.annotation for one in both}
        return run

    return decorate


def _request(
    card: Card = "auto",
    px_per_mm: PxPerMm = None,
    points: Points = None,
    rule: Rule = None,
    scan: Scan = False,
    dpi: Dpi = None,
    no_scale: NoScale = False,
    all_cloth: AllCloth = False,
    area: Area = None,
    warp: Warp = "auto",
    weave: Weave = None,
    ends_warped: EndsWarped = None,
    expect_ends: ExpectEnds = None,
    expect_picks: ExpectPicks = None,
    cloth_thickness: ClothThickness = None,
    card_on_cloth: CardOnCloth = False,
) -> Request:
    """Return what was asked for; refuse ways to the scale that contradict each other."""
    options.one_scale(
        px_per_mm=px_per_mm,
        points=points,
        rule=rule,
        scan=scan,
        dpi=dpi,
        no_scale=no_scale,
        card_on_cloth=card_on_cloth,
        card=card,
    )
    return Request(
        card=cast("CardChoice", card),
        px_per_mm=px_per_mm,
        points=points,
        rule=cast("RuleKind | None", rule),
        scan=scan or dpi is not None,
        dpi=dpi,
        no_scale=no_scale,
        all_cloth=all_cloth,
        area_px=area,
        warp=cast("WarpWay", warp),
        weave=weave,
        ends_warped=ends_warped,
        expect_ends=expect_ends,
        expect_picks=expect_picks,
        cloth_thickness_mm=cloth_thickness,
        card_on_cloth=card_on_cloth,
    )
