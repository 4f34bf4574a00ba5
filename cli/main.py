"""The command `pickglass`: its commands, and the one place where errors become sentences.

Nothing heavy is imported here: `pickglass --help` must answer at once. Each command imports what it needs, and of the
commands themselves only the one asked for is loaded.
"""

from __future__ import annotations

import contextlib
import errno
import os
import signal
import sys
from collections.abc import Collection
from importlib import import_module
from typing import Annotated

import typer

from ..calibration.errors import PickglassError
from .plain_help import PlainCommand
from .process import interrupt_outside_locks, leave_at_once, one_blas_thread, seldom_look_for_cycles
from .screen import error_text

__all__ = ["main"]

EXIT_USAGE = 2
_MOST_NAMED = 80  # characters of a name that are worth repeating
EXIT_INTERRUPTED = 130  # 128 + SIGINT, the shell's convention
EXIT_PIPE_CLOSED = 141  # 128 + SIGPIPE

# Typer carries its own copy of Click, or none, depending on its version; only BadParameter is public in all.
_WRONG_USE: type[Exception] = typer.BadParameter.__mro__[1]

EPILOG = """\b
First try:
  pickglass sett my-photo.jpg --picture marks.jpg
Then:
  pickglass sett my-photo.jpg --report band.html
  pickglass evenness band.jpg --picture chart.png
  pickglass shrinkage before.jpg after.jpg
  pickglass plan --sample band.json --width 20in --length 72in
  pickglass card page --output card.pdf
  pickglass lens card1.jpg card2.jpg card3.jpg
  pickglass book list
"""


def _print_version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        typer.echo(f"pickglass {version('pickglass')}")
        raise typer.Exit


def _pickglass(
    version: Annotated[
        bool,
        typer.Option("--version", help="Print the version and stop.", is_eager=True, callback=_print_version),
    ] = False,
) -> None:
    """Hold the options that need no command."""


_COMMANDS = {
    "sett": "Ends and picks per inch, width and weave, from one photo or many.",
    "evenness": "Beat, width and faults along a band, from one photo or several.",
    "shrinkage": "What a wash did: changes of length and width, from photos before and after.",
    "plan": "The next warp, from a measured sample and a wish.",
    "card": "Draw a reference card to print, or tell how it was printed.",
    "lens": "Learn how a phone's lens bends the picture.",
    "book": "A book of your samples: add, list, show, compare, export, import.",
}


def _with_commands(loaded: Collection[str]) -> typer.Typer:
    """Return the command line; of the commands not in `loaded` it knows the name and the summary only."""
    made = typer.Typer(
        name="pickglass",
        help="Measure woven samples from photos: ends and picks per inch, width, and how sure the numbers are.",
        epilog=EPILOG,
        no_args_is_help=True,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    )
    made.callback()(_pickglass)
    for name, summary in _COMMANDS.items():
        if name not in loaded:
            made.command(name=name, short_help=summary)(_not_loaded)
            continue
        module = import_module(f".{name}_command", __package__)
        if name == "book":
            made.add_typer(module.app, short_help=summary)
            continue
        registered = made.command(name=name, cls=PlainCommand, epilog=module.EPILOG, short_help=summary)
        registered(getattr(module, name))
    return made


def _not_loaded() -> None:
    """Stand in the first help for a command that was not asked for."""


def _asked_for(words: list[str]) -> Collection[str]:
    """Return the commands that these words may need: the first help and the version need none."""
    if "_PICKGLASS_COMPLETE" in os.environ:  # the shell asks for the options of any of them
        return _COMMANDS
    return _named(words) or [name for name in _COMMANDS if name in words]


def _named(words: list[str]) -> list[str]:
    """Return the command that these words begin with, alone in a list, or an empty one."""
    return [word for word in words[:1] if word in _COMMANDS]


def main(argv: list[str] | None = None) -> None:
    """Run the command line and leave with its exit code.

    Exit codes: 0 measured, 2 wrong usage or an unreadable file, 3 unsure, 4 refused.
    """
    words = sys.argv[1:] if argv is None else argv
    try:
        if argv is None:
            interrupt_outside_locks()
        one_blas_thread()
        seldom_look_for_cycles()
        code = _run(words)
    except KeyboardInterrupt:  # before the command had begun, or while its last words were said
        code = EXIT_INTERRUPTED
    if argv is None:
        # All is done or taken back. Python waits for a thread that is loading, and ctrl-C would end that in a traceback.
        with contextlib.suppress(ValueError):  # only the main thread may
            signal.signal(signal.SIGINT, signal.SIG_IGN)
        leave_at_once()
    raise SystemExit(code)


def _run(words: list[str]) -> int:
    as_json = "--json" in words
    try:
        app = _with_commands(_asked_for(words))
        code = app(args=words, prog_name="pickglass", standalone_mode=False)
    except PickglassError as error:
        _say(error, words, as_json=as_json)
        return error.exit_code
    except _WRONG_USE as error:
        return _wrong_use(error, words, as_json=as_json)
    except SystemExit as leaving:
        # Typer leaves with 1 when the reader of stdout has gone, and so do its helpers for the shell's completion.
        if leaving.code == 1 and "_PICKGLASS_COMPLETE" not in os.environ:
            return EXIT_PIPE_CLOSED
        raise
    except (KeyboardInterrupt, typer.Abort):
        code = EXIT_INTERRUPTED
    except Exception as error:
        if isinstance(error, OSError) and _is_of_output(error):
            return _unsaid(error)
        if isinstance(error, OSError) and error.filename is not None:  # a name the system will not take
            _say(_unusable(error), words, as_json=as_json)
            return EXIT_USAGE
        if os.environ.get("PICKGLASS_TRACEBACK"):
            raise
        _say(_mistake(error), words, as_json=as_json)
        return EXIT_USAGE
    if code == EXIT_INTERRUPTED:
        typer.echo("Stopped; nothing half-made was left.", err=True)
    return code if isinstance(code, int) else 0


def _is_of_output(error: OSError) -> bool:
    """Tell whether what failed was saying the result: reading and writing files have sentences of their own."""
    return error.filename is None and error.errno in (
        errno.EPIPE,
        errno.ENOSPC,
        errno.EDQUOT,
        errno.EFBIG,
        errno.EIO,
        errno.EBADF,
    )


def _unsaid(error: OSError) -> int:
    """Give up on stdout: quietly when the reader has gone, in a sentence when the disk behind it is full."""
    # What is still buffered would fail once more when Python ends.
    with contextlib.suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)
    if error.errno == errno.EPIPE:
        return EXIT_PIPE_CLOSED
    _say(
        PickglassError(
            "not-said",
            f"The result could not be written to where it was sent ({error.strerror}).",
            "Look whether the disk is full, or send it somewhere else, then try again.",
        ),
        [],
        as_json=False,
    )
    return EXIT_USAGE


def _say(error: PickglassError, words: list[str], *, as_json: bool) -> None:
    """Say what happened and what to do on stderr; with --json also as the one document on stdout."""
    with contextlib.suppress(OSError):  # a full disk behind stderr leaves the exit code
        typer.echo(error_text(error.problem, error.next_step, sys.stderr), err=True)
    if as_json:
        from .sett_json import dump, error_document, refusal_document

        if words[:1] == ["sett"]:
            document = refusal_document(_photo_name(words), error.code, str(error))
        else:
            document = error_document(error.code, str(error))
        typer.echo(dump(document))


def _wrong_use(error: Exception, words: list[str], *, as_json: bool) -> int:
    """Turn what Typer found wrong with the command line into our own kind of sentence."""
    context = getattr(error, "ctx", None)
    if type(error).__name__ == "NoArgsIsHelpError":
        typer.echo(str(error), err=True)
        return EXIT_USAGE
    # The parser of options knows no command.
    command = context.command_path if context else " ".join(["pickglass", *_named(words)])
    problem = str(getattr(error, "message", "") or error)
    option = getattr(error, "option_name", None)
    near = getattr(error, "possibilities", None)
    needed = ""
    if near:
        problem = f"{problem}. Did you mean {' or '.join(sorted(near))}?"
    elif type(error).__name__ == "MissingParameter":
        problem, needed = _missing(getattr(error, "param", None), command)
    elif option is not None and problem.endswith("requires an argument."):
        problem = f"{option} needs a value behind it."
    elif hasattr(error, "format_message") and option is None:
        problem = str(error.format_message())
    step = f"Run {command} --help to see what it takes."
    if needed:
        step = f"{needed} {step}"
    if option is not None and any(os.path.lexists(word) for word in words if word.startswith("-")):
        step = "If this is the name of a file, write ./ before it."
    _say(PickglassError("wrong-use", _sentence(problem), step), words, as_json=as_json)
    return EXIT_USAGE


def _missing(parameter: object, command: str) -> tuple[str, str]:
    """Return what was left out, and how to give it."""
    name = (getattr(parameter, "name", None) or "argument").replace("_", " ")
    written = next((word for word in getattr(parameter, "opts", ()) if word.startswith("--")), "")
    if not written:
        return f"{command} was given no {name}.", ""
    value, what = getattr(parameter, "metavar", None) or "…", getattr(parameter, "help", None) or ""
    return f"{command} needs {written}.", _sentence(f"Add {written} {value}: {what}")


def _unusable(error: OSError) -> PickglassError:
    name = str(error.filename)
    name = name if len(name) <= _MOST_NAMED else f"{name[:_MOST_NAMED]}…"
    return PickglassError(
        "unusable-name",
        f"{name} cannot be used ({error.strerror}).",
        "Look at the name, or choose another place.",
    )


def _mistake(error: Exception) -> PickglassError:
    return PickglassError(
        "internal-error",
        f"pickglass met something it was not made for ({type(error).__name__}: {error}).",
        "This is a mistake in pickglass, not yours: please report it with the photo and the command you typed; "
        "PICKGLASS_TRACEBACK=1 before the command shows where it happened.",
    )


def _sentence(text: str) -> str:
    text = text.strip()
    return text if text.endswith((".", "?", "!")) else f"{text}."


def _photo_name(words: list[str]) -> str | None:
    """Return the likeliest photo among the words of a command line that could not be run."""
    for word in words[1:]:
        if not word.startswith("-") and os.path.splitext(word)[1]:
            return os.path.basename(word)
    return None


if __name__ == "__main__":
    main()
