"""Help for people who do not program: without the names of Python's types that Typer writes behind every argument."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from typer.core import TyperCommand

__all__ = ["PlainCommand"]


class PlainCommand(TyperCommand):
    """A command whose help names what to give, not how Python stores it."""

    def collect_usage_pieces(self, ctx: Any) -> list[str]:
        """Return the words of the usage line without the braces that Typer puts around what must be given."""
        return [re.sub(r"^\{(.*)\}$", r"\1", piece) for piece in super().collect_usage_pieces(ctx)]

    def format_options(self, ctx: Any, formatter: Any) -> None:
        """Write arguments and options as Typer does, less the types of arguments."""
        write = formatter.write_dl

        def write_plainly(rows: Sequence[tuple[str, str]], *more: Any, **named: Any) -> None:
            write([(re.sub(r" <[^<>]*>$", "", name), words) for name, words in rows], *more, **named)

        formatter.write_dl = write_plainly
        try:
            super().format_options(ctx, formatter)
        finally:
            formatter.write_dl = write
