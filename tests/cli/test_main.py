"""The command line as a whole: its words, its exit codes, what its start loads."""

import json
import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from pickglass.calibration.errors import SampleError
from pickglass.cli.main import main

from .command import run

COMMANDS = ("sett", "evenness", "shrinkage", "plan", "card", "lens", "book")
BOOK_COMMANDS = ("add", "list", "show", "compare", "export", "import")

# How many seconds the help takes is the benchmark's to say, not a test's.
HEAVY = {"numpy", "scipy", "cv2", "skimage", "PIL", "rich", "matplotlib", "joblib", "jinja2"}


def loaded_by(*words: str) -> set[str]:
    """Return the modules, with their dots, that a command line has loaded when it has ended."""
    code = (
        "import sys, atexit; before = set(sys.modules); "
        "atexit.register(lambda: print(*set(sys.modules) - before, sep='\\n', file=sys.stderr)); "
        f"from pickglass.cli.main import main; main({list(words)!r})"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return set(done.stderr.split())


@pytest.mark.parametrize("words", [(), *((c,) for c in COMMANDS)], ids=" ".join)
def test_help_loads_nothing_heavy(words):
    packages = {name.partition(".")[0] for name in loaded_by(*words, "--help")}
    assert "pickglass" in packages
    assert not packages & HEAVY


def test_first_help_and_version_load_no_command():
    for word in ("--help", "--version"):
        assert not [name for name in loaded_by(word) if name.endswith("_command")]


@pytest.mark.parametrize(
    "words", [*((c,) for c in COMMANDS), *(("book", c) for c in BOOK_COMMANDS)], ids=" ".join
)
def test_help_shows_an_example_of_each_command(capsys, words):
    code, out, _ = run(capsys, *words, "--help")
    assert code == 0
    assert "Example" in out
    assert f"  pickglass {' '.join(words)} " in out or words == ("book",)


def test_first_help_shows_an_example_of_each_command(capsys):
    code, out, _ = run(capsys, "--help")
    assert code == 0
    for command in COMMANDS:
        assert f"    pickglass {command} " in out


PLAN = ("plan", "--width", "20in", "--length", "72in", "--sett", "20/in", "--picks", "18/in")


def pickglass(*words: str, **options: Any) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", "from pickglass.cli.main import main; main()", *words]
    environment = {"PATH": os.environ["PATH"], "PYTHONIOENCODING": "utf-8", "HOME": "/nonexistent"}
    environment |= options.pop("env", {})
    return subprocess.run(
        command,
        stderr=subprocess.PIPE,
        encoding="utf-8",
        env=environment,
        check=False,
        timeout=120,
        **options,
    )


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no /dev/full")
@pytest.mark.parametrize("words", [("--help",), ("sett", "--help"), PLAN, (*PLAN, "--json")], ids=" ".join)
def test_full_disk_behind_the_output_is_one_sentence(words):
    with open("/dev/full", "w") as full:
        done = pickglass(*words, stdout=full)
    assert done.returncode == 2
    assert done.stderr.startswith("The result could not be written")
    assert len(done.stderr.splitlines()) == 2
    assert "What to do: " in done.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no SIGPIPE")
def test_a_reader_that_has_gone_is_no_trouble():
    reading, writing = os.pipe()
    os.close(reading)
    with os.fdopen(writing, "w") as pipe:
        done = pickglass(*PLAN, stdout=pipe)
    assert (done.returncode, done.stderr) == (141, "")


def test_no_colour_in_a_pipe():
    done = pickglass(*PLAN, stdout=subprocess.PIPE, env={"TERM": "xterm-256color"})
    assert done.returncode == 0
    assert "\x1b" not in done.stdout


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_can_be_shown(shell):
    done = pickglass(
        "--show-completion",
        shell,
        stdout=subprocess.PIPE,
        env={"_TYPER_COMPLETE_TEST_DISABLE_SHELL_DETECTION": "1"},
    )
    assert done.returncode == 0
    assert "_PICKGLASS_COMPLETE" in done.stdout


def test_completion_knows_commands_and_options():
    for typed, place, found in (
        ("pickglass shr", "1", "shrinkage"),
        ("pickglass sett --exp", "2", "--expect-ends"),
    ):
        done = pickglass(
            stdout=subprocess.PIPE,
            env={"_PICKGLASS_COMPLETE": "complete_bash", "COMP_WORDS": typed, "COMP_CWORD": place},
        )
        assert found in done.stdout.split()


def test_version_is_the_installed_one(capsys):
    from importlib.metadata import version

    assert run(capsys, "--version") == (0, f"pickglass {version('pickglass')}\n", "")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["settt", "a.jpg"], "Did you mean 'sett'?"),
        (["sett", "a.jpg", "--all-clot"], "Did you mean --all-cloth"),
        (["sett", "a.jpg", "--weave", "twil"], "Did you mean twill?"),
        (["sett"], "pickglass sett was given no photo."),
        (["sett", "a.jpg", "b.jpg", "--explain"], "cannot be used with several photos"),
        (["sett", "a.jpg", "--dpi"], "--dpi needs a value behind it.\nWhat to do: Run pickglass sett --help"),
        (["sett", "a.jpg", "--dpi", "12"], "from 50 to 12800"),
        (["sett", "a.jpg", "--scan", "--px-per-mm", "8"], "contradict each other"),
        (
            ["sett", "a.jpg", "--card", "bank", "--dpi", "300"],
            "--scan or --dpi and --card contradict each other",
        ),
        (
            ["sett", "a.jpg", "--card", "printed", "--px-per-mm", "8"],
            "--px-per-mm and --card contradict each other",
        ),
        (["evenness", "a.jpg", "--card", "printed", "--rule", "mm"], "contradict each other"),
        (["sett", "no-such-photo.jpg"], "no-such-photo.jpg"),
        ([], "Usage: pickglass"),
    ],
)
def test_wrong_use_leaves_with_2_and_says_what_to_do(capsys, words, said):
    code, out, err = run(capsys, *words)
    assert (code, out) == (2, "")
    assert said in err
    assert "Traceback" not in err
    assert not words or "What to do: " in err


@pytest.mark.parametrize(
    "command", ["sett", "evenness", "shrinkage", "card", "lens", "book add", "book export"]
)
def test_help_names_no_type_of_python(capsys, command):
    code, out, _ = run(capsys, *command.split(), "--help")
    assert code == 0
    assert "Arguments:" in out
    assert not re.search(r"<\S+>|list\[|\bPath\b", out)


def test_dash_file_is_explained(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "-band.jpg").write_bytes(b"")
    code, _, err = run(capsys, "sett", "-band.jpg")
    assert code == 2
    assert "write ./ before it" in err


def test_json_error_is_one_document_and_still_a_sentence(capsys):
    code, out, err = run(capsys, "sett", "no-such-photo.jpg", "--json")
    document = json.loads(out)
    assert code == 2
    assert document["schema"] == "pickglass.sett/1"
    assert document["verdict"] == "refused"
    assert document["photo"] == "no-such-photo.jpg"
    assert len(document["messages"]) == 1
    assert document["ends"]["per_inch"] is None
    assert "What to do: " in err


def fail_with(monkeypatch, error: BaseException) -> None:
    def measure_photo(*args, **options):
        raise error

    monkeypatch.setattr("pickglass.cli.pipeline.measure_photo", measure_photo)


def test_refusal_leaves_with_4(capsys, monkeypatch):
    fail_with(monkeypatch, SampleError("no-cloth", "No cloth was found.", "Lay the sample on a plain table."))
    assert run(capsys, "sett", "a.jpg") == (
        4,
        "",
        "No cloth was found.\nWhat to do: Lay the sample on a plain table.\n",
    )


def test_interrupt_says_so_and_leaves_with_the_shells_code(capsys, monkeypatch):
    fail_with(monkeypatch, KeyboardInterrupt())
    code, out, err = run(capsys, "sett", "a.jpg")
    assert (code, out, err) == (130, "", "Stopped; nothing half-made was left.\n")


def test_our_own_mistake_is_owned_without_traceback(capsys, monkeypatch):
    fail_with(monkeypatch, ZeroDivisionError("division by zero"))
    monkeypatch.delenv("PICKGLASS_TRACEBACK", raising=False)
    code, _, err = run(capsys, "sett", "a.jpg")
    assert code == 2
    assert "ZeroDivisionError" in err
    assert "please report it" in err
    assert "Traceback (most recent call last)" not in err


def test_traceback_on_request(monkeypatch):
    fail_with(monkeypatch, ZeroDivisionError("division by zero"))
    monkeypatch.setenv("PICKGLASS_TRACEBACK", "1")
    with pytest.raises(ZeroDivisionError):
        main(["sett", "a.jpg"])


def test_control_characters_of_a_name_do_not_reach_the_terminal(capsys):
    _, _, err = run(capsys, "sett", "a\x1b[31m\nb.jpg")
    assert "\x1b" not in err
    assert err.count("\n") == 2
