"""`pickglass plan`: from a measured sample and a wish to the warp to make."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from . import options

__all__ = ["EPILOG", "plan"]

EPILOG = """\b
Examples:
  pickglass plan --width 20in --length 72in --sett 20/in --picks 18/in
  pickglass plan --sample band.json --width 25mm --length 2m --order "8 red, 4 (1 white 1 blue), 8 red"
  pickglass plan --sample "book:garden band" --width 25mm --length 2m --report plan.html
  pickglass plan --sample s.json --shrinkage wash.json --width 50cm --length 1.8m --sheet warp.html
"""
STATES = ("heddle", "off-loom", "finished")
PARITIES = ("any", "odd", "even")
OPENINGS = ("slot", "hole")
PAPERS = ("a4", "letter")
FIBRES = ("wool", "cotton", "linen", "silk")
LOOMS = ("floor", "rigid-heddle", "small-band", "body-tensioned")

_WISH, _KNOWN, _LOSSES, _YARN, _COLOUR, _OUT = (
    "What you want",
    "What you measured",
    "What weaving and washing take",
    "Yarn",
    "Colour order and threading",
    "What to write",
)


def _text(flag: str, panel: str, metavar: str, help_text: str) -> typer.models.OptionInfo:
    found: typer.models.OptionInfo = typer.Option(
        flag, metavar=metavar, help=help_text, rich_help_panel=panel, show_default=False
    )
    return found


def _pick(flag: str, names: tuple[str, ...], panel: str, help_text: str) -> typer.models.OptionInfo:
    found: typer.models.OptionInfo = typer.Option(
        flag,
        parser=options.choice(flag, names),
        metavar="|".join(names),
        help=help_text,
        rich_help_panel=panel,
    )
    return found


def _file(flag: str, panel: str, help_text: str) -> typer.models.OptionInfo:
    found: typer.models.OptionInfo = typer.Option(
        flag, metavar="FILE", help=help_text, rich_help_panel=panel, show_default=False
    )
    return found


_LOSS = "like 8%, “8% ± 2”, 10-25%, or lengths “14 in to 12.75 in”"


def plan(
    width: Annotated[
        str,
        _text(
            "--width", _WISH, "LENGTH", "Finished width, like 20in or 50cm; its unit comes first in the plan."
        ),
    ],
    length: Annotated[str, _text("--length", _WISH, "LENGTH", "Finished length of one piece.")],
    pieces: Annotated[
        int,
        typer.Option(
            parser=options.integer("--pieces", 1, 200, "the number of pieces"),
            metavar="N",
            help="Pieces on this warp.",
        ),
    ] = 1,
    fringe: Annotated[str, typer.Option(metavar="LENGTH", help="Fringe at each end of a piece.")] = "0mm",
    gap: Annotated[str, typer.Option(metavar="LENGTH", help="More space between two pieces.")] = "0mm",
    sampling: Annotated[
        str | None,
        _text("--sampling", _WISH, "LENGTH", "Warp for a sampler first (12 in, or none with --sample)."),
    ] = None,
    sample: Annotated[
        str | None,
        _text("--sample", _KNOWN, "FILE|book:NAME", "Saved pickglass sett --json, or a sample in your book."),
    ] = None,
    sample_state: Annotated[
        str | None,
        _pick("--sample-is", STATES[1:], _KNOWN, "Whether the sample was washed (finished); the book knows."),
    ] = None,
    shrinkage: Annotated[
        str | None,
        _text(
            "--shrinkage",
            _KNOWN,
            "FILE|book:NAME",
            "Saved pickglass shrinkage --json, or a sample in your book.",
        ),
    ] = None,
    book: Annotated[Path | None, _file("--book", _KNOWN, "Another book than your usual one.")] = None,
    sett: Annotated[
        str | None,
        _text("--sett", _KNOWN, "N/LENGTH", "Ends by hand: 20/in, 40/10cm, or ends over width 33/15mm."),
    ] = None,
    sett_state: Annotated[
        str | None,
        _pick("--sett-is", STATES, _KNOWN, "Where --sett was counted (heddle; finished for bands)."),
    ] = None,
    picks: Annotated[str | None, _text("--picks", _KNOWN, "N/LENGTH", "Picks by hand, like 18/in.")] = None,
    picks_state: Annotated[
        str | None, _pick("--picks-is", STATES[1:], _KNOWN, "Where --picks was counted (off-loom).")
    ] = None,
    band: Annotated[
        bool | None,
        typer.Option("--band/--cloth", help="A warp-faced band, or cloth with a set width in the heddle."),
    ] = None,
    shrink_width: Annotated[
        str | None,
        _text("--shrink-width", _LOSSES, "LOSS", f"Lost in the wash, of the off-loom width: {_LOSS}."),
    ] = None,
    shrink_length: Annotated[
        str | None, _text("--shrink-length", _LOSSES, "LOSS", "The same for the length.")
    ] = None,
    draw_in: Annotated[
        str | None, _text("--draw-in", _LOSSES, "LOSS", "Lost from the width in the heddle by weaving.")
    ] = None,
    take_up: Annotated[
        str | None,
        _text("--take-up", _LOSSES, "LOSS", "Lost from the warp's length by weaving: “95yd to 90yd”."),
    ] = None,
    give: Annotated[
        str | None,
        _text("--give", _LOSSES, "LOSS", "Lost from the cloth's length when the tension is let off."),
    ] = None,
    weft_crimp: Annotated[
        str | None, _text("--weft-crimp", _LOSSES, "LOSS", "How much longer a pick is than the woven width.")
    ] = None,
    fibre: Annotated[
        str | None, _pick("--fibre", FIBRES, _LOSSES, "For the usual shrinkage, until you measured it.")
    ] = None,
    waste: Annotated[
        str | None,
        _text("--waste", _LOSSES, "LENGTH", "Warp your loom cannot weave; with --loom it is remembered."),
    ] = None,
    loom: Annotated[str | None, _text("--loom", _LOSSES, "NAME", "Your own name for the loom.")] = None,
    loom_kind: Annotated[
        str, _pick("--loom-kind", LOOMS, _LOSSES, "For the usual waste, until you measured it.")
    ] = "rigid-heddle",
    warp_yarn: Annotated[
        str | None,
        _text("--warp-yarn", _YARN, "YARN", "“cotton 8/2”, “Nm 28/2”, “400 m/100g”, “10 m weighs 4.2 g”."),
    ] = None,
    weft_yarn: Annotated[str | None, _text("--weft-yarn", _YARN, "YARN", "The same for the weft.")] = None,
    wraps: Annotated[
        str | None, _text("--wraps", _YARN, "N/LENGTH", "Wraps of the yarn around a rule, like 24/in.")
    ] = None,
    weave: Annotated[
        str, typer.Option(metavar="WEAVE", help="For a first sett: plain, “twill 2/2”, “satin 5” …")
    ] = "plain",
    heddle: Annotated[
        list[str] | None,
        _text("--heddle", _YARN, "N/LENGTH", "A heddle or reed on hand, like 40/10cm; may be repeated."),
    ] = None,
    order: Annotated[
        str | None,
        _text("--order", _COLOUR, "ORDER", "“8 red, 2 (1 white 1 blue), 8 red”; [ ] repeats to fill."),
    ] = None,
    weft_order: Annotated[
        str | None, _text("--weft-order", _COLOUR, "ORDER", "The same for the picks.")
    ] = None,
    colour: Annotated[
        list[str] | None,
        _text("--colour", _COLOUR, "NAME=#RRGGBB", "Paint for a colour name; may be repeated."),
    ] = None,
    selvedge_ends: Annotated[
        int,
        typer.Option(
            "--selvedge-ends",
            parser=options.integer("--selvedge-ends", 0, 40, "extra ends at each selvedge"),
            metavar="N",
            help="Extra ends at each selvedge.",
        ),
    ] = 0,
    parity: Annotated[
        str,
        _pick("--count", PARITIES, _COLOUR, "Odd: both edges alike in a two-shed heddle; even: one of each."),
    ] = "any",
    first: Annotated[str, _pick("--first", OPENINGS, _COLOUR, "Where the leftmost end goes.")] = "slot",
    title: Annotated[
        str, typer.Option(metavar="WORDS", help="Name of the piece on the sheet.")
    ] = "The next warp",
    sheet: Annotated[Path | None, _file("--sheet", _OUT, "Write the warping sheet to print (.html).")] = None,
    paper: Annotated[str, _pick("--paper", PAPERS, _OUT, "Paper of the sheet.")] = "a4",
    csv: Annotated[Path | None, _file("--csv", _OUT, "Write the threading as a table (.csv).")] = None,
    preview: Annotated[Path | None, _file("--preview", _OUT, "Write a picture of the face (.png).")] = None,
    report: options.Report = None,
    overwrite: options.Overwrite = False,
    json: options.Json = False,
) -> None:
    """Work out the next warp: ends, length to wind, picks, yarn, and how sure all that is."""
    from ..measure.plan import make_plan
    from ..measure.quantities import parse_density_per_inch
    from ..measure.sett_advice import substitute_heddle
    from .places import memory_path
    from .plan_colours import parse_paint
    from .plan_outputs import Wanted, check_outputs, write_outputs
    from .plan_request import Options, prepare

    wanted = Wanted(
        sheet=sheet, csv=csv, preview=preview, report=report, overwrite=overwrite, title=title, paper=paper
    )
    check_outputs(wanted)
    paint = parse_paint(colour or ())
    typed = Options(
        width=width,
        length=length,
        pieces=pieces,
        fringe=fringe,
        gap=gap,
        sample=sample,
        sample_state=sample_state,
        shrinkage=shrinkage,
        book=book,
        sett=sett,
        sett_state=sett_state,
        picks=picks,
        picks_state=picks_state,
        shrink_width=shrink_width,
        shrink_length=shrink_length,
        draw_in=draw_in,
        take_up=take_up,
        give=give,
        weft_crimp=weft_crimp,
        fibre=fibre,
        band=band,
        waste=waste,
        loom=loom,
        loom_kind=loom_kind,
        sampling=sampling,
        warp_yarn=warp_yarn,
        weft_yarn=weft_yarn,
        wraps=wraps,
        weave=weave,
        order=order,
        weft_order=weft_order,
        selvedge_ends=selvedge_ends,
        parity=parity,
        first=first,
    )
    prepared = prepare(typed, memory_path().with_name("looms.json"))
    made = make_plan(prepared.request)
    sizes = [parse_density_per_inch(text, "heddle (--heddle)", 1.0, 100.0) for text in heddle or ()]
    asked = made.heddle_sett_per_inch or prepared.request.sett.value
    substitutions = (
        substitute_heddle(wanted_per_inch=asked, on_hand_per_inch=sizes, ends=len(made.ends)) if sizes else ()
    )
    made, written = write_outputs(wanted, made, prepared, paint, substitutions)
    if json:
        from .plan_json import plan_document
        from .sett_json import dump

        typer.echo(dump(plan_document(made, advice=prepared.advice, substitutions=substitutions)))
        return
    from .plan_text import plan_text

    typer.echo(
        plan_text(
            made,
            units=prepared.units,
            advice=prepared.advice,
            substitutions=substitutions,
            written=written,
        )
    )
