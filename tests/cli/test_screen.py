"""Colour and progress only where they help."""

import io
import time

from pickglass.cli.screen import Progress, paragraph, shade


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


def test_paragraph_wraps_behind_its_label():
    text = paragraph("one two three four", columns=14, first="Note: ", indent="      ")
    assert text == "Note: one two\n      three\n      four"
