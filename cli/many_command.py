"""`pickglass sett` with several photos or folders: measure, keep each result at once, sum up."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from ..calibration.errors import UsageError
from .files import write_whole
from .many import EXIT_CODES, Outcome, Task, gather, measure_all, sha256_of
from .many_files import CsvTable, Done, LinesTable
from .many_text import many_text, summary_line
from .request_text import options_text
from .screen import say_written

if TYPE_CHECKING:
    from collections.abc import Callable

    from .pipeline import Request

__all__ = ["Wanted", "run_many"]

EXIT_INTERRUPTED = 130
MOST_PICTURES = 50  # in a report: with more, the file would be too large to send
LIST_SCHEMA = "pickglass.sett-list/1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Where the results go and how the work is done."""

    json: bool = False
    csv: Path | None = None
    jsonl: Path | None = None
    report: Path | None = None
    overwrite: bool = False
    skip_done: bool = False
    jobs: int | None = None
    cluster: str | None = None


def run_many(words: Sequence[Path], request: Request, wanted: Wanted) -> int:
    """Measure all photos and return the exit code: the highest that any of them would give alone.

    Each result is written as soon as it is known. An interrupt (ctrl-C) keeps what is finished, says how to go on
    and returns 130.
    """
    if wanted.skip_done and wanted.csv is None and wanted.jsonl is None:
        raise UsageError(
            "nothing-to-skip",
            "--skip-done looks into the table of an earlier run, and none was named.",
            "Add --csv FILE or --jsonl FILE.",
        )
    paths = gather(words)
    options = options_text(request)
    with ExitStack() as stack:
        tables = _tables(wanted, stack)
        done = _done_before(paths, tables, options) if wanted.skip_done else {}
        jobs, threads = _share_out(wanted.jobs, len(paths) - len(done))
        tasks = [
            Task(
                path=path,
                request=request,
                threads=threads,
                with_picture=wanted.report is not None and len(paths) <= MOST_PICTURES,
            )
            for path in paths
            if path not in done
        ]
        outcomes: dict[Path, Outcome] = {}
        stopped = False
        try:
            with _bar(len(tasks)) as advance:
                for outcome in measure_all(tasks, jobs=jobs, cluster=wanted.cluster):
                    for table in tables:
                        if (outcome.sha256, options) not in table.done:
                            table.add(outcome, options, version("pickglass"))
                    outcomes[outcome.path] = outcome if wanted.json else _lightened(outcome)
                    advance(outcome.path.name)
        except KeyboardInterrupt:
            stopped = True
    if wanted.report is not None:
        from .report_many import many_report

        content = many_report(paths, outcomes, done, request, cluster=wanted.cluster)
        write_whole(wanted.report, content, overwrite=wanted.overwrite)
    _say(paths, outcomes, done, wanted)
    if stopped:
        _say_how_to_go_on(paths, outcomes, done, wanted)
        return EXIT_INTERRUPTED
    codes = [outcome.exit_code for outcome in outcomes.values()] + [
        before.exit_code for before in done.values()
    ]
    return max(codes)


def _lightened(outcome: Outcome) -> Outcome:
    """Return the outcome without the place of every thread: of ten thousand photos that would fill the memory."""
    return replace(outcome, document={"messages": outcome.document.get("messages", [])})


def _tables(wanted: Wanted, stack: ExitStack) -> list[CsvTable | LinesTable]:
    """Open the tables; both are checked before either is touched."""
    tables: list[CsvTable | LinesTable] = []
    if wanted.csv is not None:
        tables.append(CsvTable(wanted.csv, overwrite=wanted.overwrite, go_on=wanted.skip_done))
    if wanted.jsonl is not None:
        tables.append(LinesTable(wanted.jsonl, overwrite=wanted.overwrite, go_on=wanted.skip_done))
    for table in tables:
        stack.enter_context(table)
    return tables


def _done_before(
    paths: Sequence[Path], tables: Sequence[CsvTable | LinesTable], options: str
) -> dict[Path, Done]:
    """Return the photos that every table holds already, by their content and the same options."""
    done: dict[Path, Done] = {}
    for path in paths:
        key = (sha256_of(path) or "", options)
        if all(key in table.done for table in tables):
            done[path] = tables[0].done[key]
    return done


def _share_out(jobs: int | None, photos: int) -> tuple[int, int]:
    """Return processes and threads for each, so that together they just fill the cores."""
    from joblib import cpu_count

    cores = int(cpu_count())
    jobs = max(1, min(jobs or cores, photos))
    return jobs, max(1, cores // jobs)


@contextmanager
def _bar(total: int) -> Iterator[Callable[[str], None]]:
    """Show a progress bar on stderr, only on a terminal; give what is to be called for each photo finished."""
    if not sys.stderr.isatty() or total == 0:
        yield lambda name: None
        return
    from rich.console import Console
    from rich.markup import escape
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    from .screen import printable

    shown = Progress(
        TextColumn("  measuring"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        TextColumn("{task.description}"),
        console=Console(stderr=True),
        transient=True,
    )
    with shown:
        bar = shown.add_task("", total=total)
        yield lambda name: shown.update(bar, advance=1, description=escape(printable(name)))


def _say(
    paths: Sequence[Path], outcomes: dict[Path, Outcome], done: dict[Path, Done], wanted: Wanted
) -> None:
    if not wanted.json:
        typer.echo(many_text(paths, outcomes, done))
        say_written((wanted.csv, wanted.jsonl, wanted.report))
        sys.stdout.flush()
        return
    from .sett_json import dump

    found = [outcomes[path] for path in paths if path in outcomes]
    verdicts = [outcome.verdict for outcome in found] + [before.verdict for before in done.values()]
    photos: list[dict[str, Any]] = [
        outcome.document
        | {"file": str(outcome.path), "sha256": outcome.sha256, "exit_code": outcome.exit_code}
        for outcome in found
    ]
    document = {
        "schema": LIST_SCHEMA,
        "verdict": max(verdicts, key=lambda verdict: EXIT_CODES[verdict], default="refused"),
        "photos": photos,
        "done_before": [str(path) for path in paths if path in done],
    }
    typer.echo(dump(document))
    typer.echo(summary_line(paths, outcomes, done), err=True)
    sys.stdout.flush()


def _say_how_to_go_on(
    paths: Sequence[Path], outcomes: dict[Path, Outcome], done: dict[Path, Done], wanted: Wanted
) -> None:
    kept = " and ".join(str(path) for path in (wanted.csv, wanted.jsonl) if path is not None)
    finished = f"{len(outcomes) + len(done)} of {len(paths)} photos were finished"
    if kept:
        typer.echo(f"{finished} and are kept in {kept}; add --skip-done to go on from there.", err=True)
    else:
        typer.echo(f"{finished}. With --csv FILE a long run can be taken up again.", err=True)
