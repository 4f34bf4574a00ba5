"""Colour and progress only where they help."""

import io
import time
from pathlib import Path

from pickglass.cli.screen import Progress, error_text, paragraph, shade, written_text


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_colour_on_a_terminal_only(monkeypatch):
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    assert shade("measured", "good", io.StringIO()) == "measured"
    assert shade("measured", "good", Terminal()) != "measured"
    monkeypatch.setenv("NO_COLOR", "1")
    assert shade("measured", "good", Terminal()) == "measured"


def test_progress_appears_only_after_its_patience_and_leaves_no_trace():
    terminal = Terminal()
    began = time.monotonic()
    progress = Progress(terminal, patience_s=0.2)
    progress.step("Opening the photo")
    silent = terminal.getvalue() == ""
    assert silent or time.monotonic() - began >= 0.2
    while terminal.getvalue() == "" and time.monotonic() - began < 60.0:
        time.sleep(0.01)
    assert time.monotonic() - began >= 0.2
    assert "Opening the photo" in terminal.getvalue()
    progress.step("Counting threads")
    progress.finish()
    assert "Counting threads" in terminal.getvalue()
    assert terminal.getvalue().endswith("\r\x1b[K")


def test_progress_is_silent_in_a_pipe_and_when_work_is_quick():
    pipe, terminal = io.StringIO(), Terminal()
    for stream in (pipe, terminal):
        progress = Progress(stream, patience_s=0.05 if stream is pipe else 300.0)
        progress.step("Opening the photo")
        time.sleep(0.1)
        progress.finish()
    assert (pipe.getvalue(), terminal.getvalue()) == ("", "")


def test_a_line_never_ends_between_a_number_and_its_unit():
    for text in (
        "up to 4 % more",
        "of 13.95 ± 0.25 mm",
        "type pickglass card --code A4-1 --measured 99.2x99.4 now",
    ):
        for columns in range(12, len(text)):
            lines = paragraph(text, columns=columns).split("\n")
            assert " ".join(lines) == text  # nothing but spaces was taken out
            assert not any(line[0] in "%±" or line.startswith(("mm", "--")) for line in lines)


def test_errors_are_wrapped_on_a_terminal_and_left_whole_in_a_pipe():
    problem, step = "No reference card was found in photo.jpg.", "Lay a card beside the cloth. " * 6
    assert error_text(problem, step, io.StringIO()).count("\n") == 1
    told = error_text(problem, step, Terminal())
    assert max(map(len, told.split("\n"))) <= 100
    assert told.count("\n") >= 2


def test_paragraph_wraps_behind_its_label():
    text = paragraph("one two three four", columns=14, first="Note: ", indent="      ")
    assert text == "Note: one two\n      three\n      four"


def test_every_file_written_is_told_and_nothing_else():
    told = written_text((Path("a.csv"), None, Path("b.html")), "crops (3 pictures of faults)")
    assert told.splitlines() == [
        "  Written: a.csv",
        "  Written: b.html (open it in a browser)",
        "  Written: crops (3 pictures of faults)",
    ]
    assert written_text((None,)) == ""
