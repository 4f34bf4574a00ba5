"""`pickglass card`: print a reference card, or remember what its check bars measure."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ..calibration.errors import UsageError
from . import options

if TYPE_CHECKING:
    from ..calibration.card_design import CardCode, CardKind, Paper

__all__ = ["EPILOG", "card"]

EPILOG = """\b
Examples:
  pickglass card page --output page-card.pdf --report card.html
  pickglass card rail --length 1200 --paper letter --output rail.pdf
  pickglass card --code A4-1 --measured 99.2x99.4
"""
KINDS = ("page", "pocket", "rail")
PAPERS = ("a4", "letter")


def card(
    kind: Annotated[
        str | None,
        typer.Argument(
            parser=options.choice("card", KINDS),
            metavar="[page|pocket|rail]",
            help="page: a sheet to lay the sample on; pocket: a card beside it; rail: a ruler along a band.",
            show_default=False,
        ),
    ] = None,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="FILE.pdf", help="Where to write the PDF.")
    ] = None,
    paper: Annotated[
        str,
        typer.Option(
            parser=options.choice("--paper", PAPERS), metavar="a4|letter", help="The paper in your printer."
        ),
    ] = "a4",
    preview: Annotated[
        Path | None,
        typer.Option(
            parser=options.picture_path("--preview"),
            metavar="FILE.png",
            help="Also write a picture to look at; print the PDF.",
        ),
    ] = None,
    length: Annotated[
        float | None,
        typer.Option(
            parser=options.number("--length", 120, 4320, "the length of the rail in mm"),
            metavar="MM",
            help="Length of a rail, 960 if left out; it comes in parts of 240 mm.",
        ),
    ] = None,
    copy: Annotated[
        int,
        typer.Option(
            parser=options.integer("--copy", 1, 8, "the number of the copy"),
            metavar="N",
            help="Give a print from another printer a number, and so a code, of its own.",
        ),
    ] = 1,
    measured: Annotated[
        str | None,
        typer.Option(
            metavar="WxH", help="Measured lengths of the horizontal and the vertical check bar, in mm."
        ),
    ] = None,
    code: Annotated[
        str | None, typer.Option(metavar="CODE", help="The code printed large on the card, such as A4-1.")
    ] = None,
    report: options.Report = None,
    overwrite: options.Overwrite = False,
    json: options.Json = False,
) -> None:
    """Draw a reference card as an exact-size PDF, or remember its measured check bars.

    Print it at 100 % (“actual size”), measure its two 100 mm bars with a rule, and tell pickglass once.
    """
    if measured is not None or code is not None:
        if kind is not None or output is not None or preview is not None:
            raise UsageError(
                "card-two-jobs",
                "A card is either drawn or told its measured bars, not both at once.",
                "First draw and print it: pickglass card page --output card.pdf. Then measure, and type: "
                "pickglass card --code CODE --measured 100.0x100.0",
            )
        _remember(measured, code, report, overwrite=overwrite, as_json=json)
        return
    if kind is None:
        raise UsageError(
            "card-kind",
            "pickglass card was not told which card to draw.",
            "Choose page, pocket or rail: pickglass card page --output card.pdf",
        )
    if length is not None and kind != "rail":
        raise UsageError("card-length", f"A {kind} card has no --length.", "Leave it out, or draw a rail.")
    wanted = _Wanted(output=output, preview=preview, report=report, overwrite=overwrite, as_json=json)
    _draw(kind, paper, length or 960.0, copy, wanted)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wanted:
    """What is to be written and said."""

    output: Path | None
    preview: Path | None
    report: Path | None
    overwrite: bool
    as_json: bool


def _draw(kind: str, paper: str, length_mm: float, copy: int, wanted: _Wanted) -> None:
    from ..calibration.card_design import RAIL_PART_MM, card_code, rail_parts
    from ..calibration.card_pdf import card_pdf, card_preview
    from ..calibration.card_sheets import card_sheets
    from .files import check_targets, write_whole
    from .screen import say_written

    output, preview = wanted.output, wanted.preview
    if output is None:
        raise UsageError(
            "card-output",
            "pickglass card was not told where to write the card.",
            f"Add a name: pickglass card {kind} --output {kind}-card.pdf",
        )
    if output.suffix.lower() != ".pdf":
        raise UsageError(
            "card-output",
            f"{output.name} does not end in .pdf.",
            "The card is a PDF, because only that prints to exact size; use --preview for a picture.",
        )
    check_targets(
        {"--output": output, "--preview": preview, "--report": wanted.report}, overwrite=wanted.overwrite
    )
    drawn: CardCode = card_code(_kind(kind), copy=copy, paper=_paper(paper))
    sheets = card_sheets(drawn, paper=_paper(paper), length_mm=length_mm)
    content = card_pdf(sheets, title=f"pickglass {kind} card {drawn}")
    write_whole(output, content, overwrite=wanted.overwrite)
    if preview is not None:
        from .overlay import encode

        write_whole(preview, encode(card_preview(sheets), preview), overwrite=wanted.overwrite)
    sheet_name = "A4" if paper == "a4" else "US Letter"
    if wanted.report is not None:
        from .report_card import PREVIEW_DOTS_PER_MM, DrawnCard, card_report

        card = DrawnCard(
            kind=kind,
            code=str(drawn),
            paper=sheet_name,
            file_name=output.name,
            sheets=sheets,
            picture=card_preview(sheets[:1], dots_per_mm=PREVIEW_DOTS_PER_MM),
        )
        write_whole(wanted.report, card_report(card), overwrite=wanted.overwrite)
    if wanted.as_json:
        from .sett_json import dump

        document = {"schema": "pickglass.card/1", "code": str(drawn), "kind": kind, "paper": paper}
        typer.echo(dump(document | {"pages": len(sheets), "file": str(output)}))
        return
    count = "1 page" if len(sheets) == 1 else f"{len(sheets)} pages"
    parts = f"{rail_parts(length_mm) * RAIL_PART_MM:g} mm in parts to glue, " if kind == "rail" else ""
    typer.echo(
        f"{output}: card {drawn}, {parts}{count}, {sheet_name}.\n"
        "Print it at 100 % (“actual size”, never “fit to page”) on matt paper.\n"
        "Measure its two 100 mm bars with a rule, from line to line, and type what you read:\n"
        f"  pickglass card --code {drawn} --measured 100.0x100.0"
    )
    say_written((preview, wanted.report))


def _remember(
    measured: str | None, code: str | None, report: Path | None, *, overwrite: bool, as_json: bool
) -> None:
    from ..calibration.card_design import parse_card_code
    from ..calibration.card_memory import parse_measured, read_memory, remember_check
    from .files import check_targets, write_whole
    from .places import memory_path
    from .screen import say_written

    if measured is None or code is None:
        raise UsageError(
            "card-measured",
            "To remember a card, both its code and its measured bars are needed.",
            "Type for example: pickglass card --code A4-1 --measured 99.2x99.4",
        )
    bars = parse_measured(measured)
    name = str(parse_card_code(code))
    path = memory_path()
    check_targets({"--report": report}, overwrite=overwrite)
    before = read_memory(path)
    remember_check(path, name, bars)
    if before.damaged:
        typer.echo(
            f"What was remembered before was damaged in part; the old file is kept as {path.name}.damaged.",
            err=True,
        )
    if report is not None:
        from .report_card import check_report

        write_whole(report, check_report(name, bars), overwrite=overwrite)
    if as_json:
        from .sett_json import dump

        measured_mm = {"across_mm": bars.across_mm, "upright_mm": bars.upright_mm}
        typer.echo(dump({"schema": "pickglass.card-check/1", "code": name} | measured_mm))
        return
    from .card_words import printed_words

    typer.echo(
        f"Remembered for card {name}: bars of {bars.across_mm:g} and {bars.upright_mm:g} mm, so it was printed "
        f"{printed_words(bars.scale)}; photos with this card are corrected for it.\n"
        "If you print it again, measure it again. For a second print that is used beside this one, draw the card "
        "with --copy 2: it gets a code of its own."
    )
    say_written((report,))


def _kind(name: str) -> CardKind:
    kinds: dict[str, CardKind] = {"page": "page", "pocket": "pocket", "rail": "rail"}
    return kinds[name]


def _paper(name: str) -> Paper:
    return "a4" if name == "a4" else "letter"
