"""Call the command line in this process and check what must hold whatever it was given."""

from __future__ import annotations

import contextlib
import io
import json
from dataclasses import dataclass
from pathlib import Path

from pickglass.cli.main import main

EXIT_CODES = (0, 2, 3, 4)


@dataclass(frozen=True, slots=True)
class Answer:
    """What a call of the command line said."""

    code: int
    out: str
    err: str


def call(*words: str) -> Answer:
    """Run the command line; nothing but leaving with an exit code may come out of it."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            main(list(words))
        except SystemExit as leaving:
            code = leaving.code
    assert isinstance(code, int), (words, code)
    return Answer(code, out.getvalue(), err.getvalue())


def check(answer: Answer, *words: str) -> None:
    """Check one clear sentence, a known exit code, no traceback, and one JSON document where that was asked for."""
    told = (words, answer)
    assert answer.code in EXIT_CODES, told
    for stream in (answer.out, answer.err):
        assert "Traceback" not in stream, told
        assert "\x1b" not in stream, told
        assert "internal-error" not in stream, told
        assert "was not made for" not in stream, told
    if answer.code in (2, 4) and not answer.err.startswith("Usage: "):  # a command alone shows its help
        said = (
            answer.err if "What to do: " in answer.err else answer.out
        )  # of several photos a table is given
        problem, _, step = said.partition("What to do: ")
        assert step.strip(), told
        assert 10 < len(problem) < 1200 + max(len(word) for word in words), told
        assert problem.rstrip().endswith((".", "?", "!")), told
    if "--json" in words and answer.out.strip():
        json.loads(answer.out)


def leftovers(folder: Path, before: set[str]) -> set[str]:
    """Return what lies in a folder beyond what lay there before."""
    return {path.name for path in folder.iterdir()} - before
