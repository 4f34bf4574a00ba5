"""`pickglass book`: the sample book, in which every sample keeps its yarns and all that was measured of it."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ..calibration.errors import UsageError
from . import options
from .book_reference import book_for_reading, book_for_writing, default_book
from .plain_help import PlainCommand

if TYPE_CHECKING:
    from collections.abc import Sequence

    from .book_record import Sample
    from .book_store import Change

__all__ = ["app", "default_book"]

EPILOG = """\b
Examples:
  pickglass sett band.jpg --json > band.json
  pickglass book add "garden band" --from band.json --photo band.jpg --stage off-loom --yarn "cotton 8/2"
  pickglass book list --yarn cotton --ends 10..20
  pickglass book show "garden band"
  pickglass book export book.csv
A name that begins with a dash goes behind two dashes: pickglass book show -- -name
"""

_ADD = """pickglass book add "garden band" --from band.json --photo band.jpg --stage washed
  pickglass sett band.jpg --json | pickglass book add "garden band" --from -
  pickglass book add "garden band" --yarn "cotton 8/2" --heddle "40/10cm" --note "selvedge draws in"
"""


def _example(lines: str) -> str:
    heading = "Examples" if "\n" in lines else "Example"
    return f"\b\n{heading}:\n  {lines}\n"


app = typer.Typer(
    name="book",
    help="Keep samples in a book: yarns, sett, notes, and what was measured on the loom, off it and washed.",
    epilog=EPILOG,
    no_args_is_help=True,
    rich_markup_mode=None,
)

_Name = Annotated[str, typer.Argument(help="Name of the sample.", metavar="NAME", show_default=False)]
_Span = options.Span


def _words(option: str, meaning: str) -> Any:
    return typer.Option(option, metavar="TEXT", help=meaning, show_default=False)


def _stage(meaning: str) -> Any:
    return typer.Option(
        "--stage",
        metavar="on-loom|off-loom|washed",
        help=f"{meaning}; the second wash is washed-2.",
        show_default=False,
    )


def _range(option: str, what: str) -> Any:
    return typer.Option(
        option,
        parser=options.span(option, 0.5, 1000, f"the {what} per inch"),
        metavar="LO..HI",
        help=f"Only samples with so many {what} per inch, such as 10..20.",
    )


@app.command("add", cls=PlainCommand, short_help="Put in a sample, or add to one.", epilog=_example(_ADD))
def add(
    name: _Name,
    source: Annotated[
        str | None,
        typer.Option(
            "--from", metavar="FILE.json|-", help="A saved pickglass sett --json; - reads it from a pipe."
        ),
    ] = None,
    photo: Annotated[
        Path | None,
        typer.Option("--photo", metavar="FILE", help="The photo; the book keeps its name and hash."),
    ] = None,
    stage: Annotated[str | None, _stage("When it was measured; off-loom if left out")] = None,
    date: Annotated[
        str | None,
        typer.Option("--date", metavar="YYYY-MM-DD", help="Day of the measurement; today if left out."),
    ] = None,
    yarn: Annotated[str | None, _words("--yarn", "Yarn of warp and weft, like “cotton 8/2”.")] = None,
    warp_yarn: Annotated[str | None, _words("--warp-yarn", "Yarn of the warp alone.")] = None,
    weft_yarn: Annotated[str | None, _words("--weft-yarn", "Yarn of the weft alone.")] = None,
    sett: Annotated[str | None, _words("--sett", "The sett you warped, like 20/in or 8/cm.")] = None,
    heddle: Annotated[str | None, _words("--heddle", "Heddle or reed, and how it was sleyed.")] = None,
    weave: Annotated[str | None, _words("--weave", "The weave in your words.")] = None,
    note: Annotated[list[str] | None, _words("--note", "A line to remember; may be repeated.")] = None,
    json: options.Json = False,
    book: options.Book = None,
) -> None:
    """Put a sample into the book, or add to one that is there.

    Yarns, sett, heddle and weave given again replace what the book said; notes and measurements only grow.
    """
    from .book_file import open_book, transaction
    from .book_input import record_of, sett_per_inch, today
    from .book_record import FACTS, Sample, check_date, check_fact, check_name, check_notes, check_stage
    from .book_store import keep_sample
    from .book_text import added_text

    facts: dict[str, Any] = {
        "warp_yarn": yarn if warp_yarn is None else warp_yarn,
        "weft_yarn": yarn if weft_yarn is None else weft_yarn,
        "sett_per_inch": None if sett is None else sett_per_inch(sett),
        "heddle": heddle,
        "weave": weave,
    }
    record = None
    if source is not None or photo is not None:
        day = today() if date is None else check_date(date, "--date")
        record = record_of(source, photo, check_stage(stage or "off-loom", "--stage"), day)
    elif stage is not None or date is not None:
        raise UsageError(
            "nothing-at-stage",
            "A stage or a day was given, but nothing that belongs to it.",
            "Add the measurement with --from FILE.json or the photo with --photo FILE.",
        )
    sample = Sample(
        name=check_name(name, "The book"),
        notes=check_notes("\n".join(note or ()), "--note"),
        records=() if record is None else (record,),
        **{fact: check_fact(fact, facts[fact], "The book") for fact in FACTS},
    )
    path = book_for_writing(book)
    with open_book(path, write=True) as connection, transaction(connection):
        change = keep_sample(connection, sample, newer_facts_win=True)
        if not change.created and sample == Sample(name=sample.name):
            raise UsageError(
                "nothing-to-add",
                f"The book has “{change.name}” already, and nothing was given to add to it.",
                "Give --from, --photo, --yarn, --heddle, --weave, --sett or --note.",
            )
    if json:
        _say_changes([change])
        return
    typer.echo(added_text(change, record, stage_given=stage is not None))


@app.command(
    "list",
    cls=PlainCommand,
    short_help="List the samples, or those you look for.",
    epilog=_example("pickglass book list --yarn cotton --ends 10..20"),
)
def list_samples(
    yarn: Annotated[str | None, _words("--yarn", "Only samples with this word in a yarn.")] = None,
    weave: Annotated[str | None, _words("--weave", "Only samples with this word in the weave.")] = None,
    ends: Annotated[_Span | None, _range("--ends", "ends")] = None,
    picks: Annotated[_Span | None, _range("--picks", "picks")] = None,
    json: options.Json = False,
    book: options.Book = None,
) -> None:
    """List the samples with their latest measurement; words and ranges narrow the search, all of them together.

    A sample whose photo can be read in more than one way is found under each reading.
    """
    from .book_file import open_book
    from .book_search import matching
    from .book_store import read_samples

    path = default_book() if book is None else book
    samples: list[Sample] = []
    if book is not None or os.path.lexists(
        path
    ):  # before the first sample there is no usual book, and that is no error
        with open_book(path, write=False) as connection:
            samples = read_samples(connection)
    found = matching(samples, yarn=yarn, weave=weave, ends=ends, picks=picks)
    if json:
        from .book_search import list_document
        from .sett_json import dump

        typer.echo(dump(list_document(found)))
        return
    from .book_text import list_text

    searched = any(wish is not None for wish in (yarn, weave, ends, picks))
    typer.echo(list_text(found, total=len(samples), searched=searched))


@app.command(
    "show",
    cls=PlainCommand,
    short_help="Show one sample and its life.",
    epilog=_example('pickglass book show "garden band"'),
)
def show(
    name: _Name,
    json: options.Json = False,
    report: options.Report = None,
    overwrite: options.Overwrite = False,
    book: options.Book = None,
) -> None:
    """Show one sample: yarns, sett, heddle, notes, and every measurement from the loom to the last wash."""
    from .book_file import open_book
    from .book_store import find_sample
    from .files import check_targets, write_whole

    check_targets({"--report": report}, overwrite=overwrite)
    with open_book(book_for_reading(book), write=False) as connection:
        sample = find_sample(connection, name, whole=json or report is not None)
    if report is not None:
        from .report_book import show_report

        write_whole(report, show_report(sample), overwrite=overwrite)
    if json:
        from .book_exchange import sample_document
        from .sett_json import dump

        typer.echo(dump({"schema": "pickglass.book-sample/1"} | sample_document(sample)))
        return
    from .book_text import show_text
    from .screen import say_written

    typer.echo(show_text(sample))
    say_written((report,))


@app.command(
    "compare",
    cls=PlainCommand,
    short_help="Put two samples side by side.",
    epilog=_example('pickglass book compare "garden band" "blue band" --stage off-loom'),
)
def compare(
    first: Annotated[str, typer.Argument(metavar="NAME", help="One sample.", show_default=False)],
    second: Annotated[str, typer.Argument(metavar="NAME", help="The other sample.", show_default=False)],
    stage: Annotated[str | None, _stage("Compare both at this stage; the latest of each if left out")] = None,
    json: options.Json = False,
    report: options.Report = None,
    overwrite: options.Overwrite = False,
    book: options.Book = None,
) -> None:
    """Put two samples side by side and say which differences are larger than the doubt."""
    from .book_file import open_book
    from .book_record import check_stage, newest
    from .book_store import find_sample, load_measurement
    from .files import check_targets, write_whole

    check_targets({"--report": report}, overwrite=overwrite)
    at = None if stage is None else check_stage(stage, "--stage")
    with open_book(book_for_reading(book), write=False) as connection:
        whole = report is not None
        one, two = (find_sample(connection, name, whole=whole) for name in (first, second))
        if at is not None:  # says which stages there are
            load_measurement(connection, first, at)
            load_measurement(connection, second, at)
    if one.name == two.name:
        raise UsageError(
            "same-sample", f"Both names are those of “{one.name}”.", "Name two samples, or use book show."
        )
    records = newest(one, at), newest(two, at)
    if report is not None:
        from .report_book import compare_report

        write_whole(report, compare_report(one, two, *records), overwrite=overwrite)
    if json:
        from .book_search import compare_document
        from .sett_json import dump

        typer.echo(dump(compare_document((one, two), records)))
        return
    from .book_text import compare_text
    from .screen import say_written

    typer.echo(compare_text(one, two, *records))
    say_written((report,))


@app.command(
    "export",
    cls=PlainCommand,
    short_help="Write the book as JSON or as a table.",
    epilog=_example("pickglass book export book.csv"),
)
def export_book(
    target: Annotated[
        Path, typer.Argument(metavar="FILE.json|FILE.csv", help="Where to write it.", show_default=False)
    ],
    overwrite: options.Overwrite = False,
    json: options.Json = False,
    book: options.Book = None,
) -> None:
    """Write the whole book to a file: .json keeps everything, .csv the main figures, a row for each measurement."""
    from .book_exchange import book_csv, book_json
    from .book_file import open_book
    from .book_store import read_samples
    from .book_text import exported_text
    from .files import check_target, write_whole

    as_json = _suffix(target) == ".json"
    path = book_for_reading(book)
    if os.path.exists(path) and os.path.exists(target) and os.path.samefile(path, target):
        raise UsageError("same-file", f"{target} is the book itself.", "Choose another name for the export.")
    check_target(target, overwrite=overwrite)
    with open_book(path, write=False) as connection:
        samples = read_samples(connection, whole=as_json)
    write_whole(target, book_json(samples) if as_json else book_csv(samples), overwrite=overwrite)
    if json:
        from .sett_json import dump

        records = sum(len(sample.records) for sample in samples)
        counts = {"samples": len(samples), "records": records}
        typer.echo(dump({"schema": "pickglass.book-export/1", "file": str(target)} | counts))
        return
    typer.echo(exported_text(samples, str(target)))


@app.command(
    "import",
    cls=PlainCommand,
    short_help="Take in samples from JSON or a table.",
    epilog=_example("pickglass book import book.json"),
)
def import_book(
    source: Annotated[
        Path,
        typer.Argument(metavar="FILE.json|FILE.csv", help="What book export wrote.", show_default=False),
    ],
    json: options.Json = False,
    book: options.Book = None,
) -> None:
    """Take in an exported book: everything in it is checked first, and then all of it is kept or none.

    Samples of the same name become one. What the book says stays as it is; what it does not say is filled in, and
    notes and measurements that it does not have are added.
    """
    from .book_exchange import parse_csv, parse_json, read_bounded
    from .book_file import open_book, transaction
    from .book_store import keep_sample
    from .book_text import imported_text

    content = read_bounded(source)
    if content.startswith(b"SQLite format 3\x00"):
        raise UsageError(
            "is-a-book",
            f"{source} is a sample book itself.",
            f"Use it with --book {source}, or export it to a .json file and import that.",
        )
    parse = parse_json if _suffix(source) == ".json" else parse_csv
    samples = parse(content, source.name)
    with open_book(book_for_writing(book), write=True) as connection, transaction(connection):
        changes = [keep_sample(connection, sample, newer_facts_win=False) for sample in samples]
    if json:
        _say_changes(changes)
        return
    typer.echo(imported_text(changes, source.name))


def _say_changes(changes: Sequence[Change]) -> None:
    from .book_search import change_document
    from .sett_json import dump

    typer.echo(dump(change_document(changes)))


def _suffix(path: Path) -> str:
    suffix = path.suffix.lower()
    if suffix not in (".json", ".csv"):
        raise UsageError(
            "bad-suffix",
            f"{path} ends in neither .json nor .csv.",
            "Use .json for everything, .csv for a table.",
        )
    return suffix
