"""The command line, run inside the test's own process."""

from __future__ import annotations

from pathlib import Path

import pytest

from pickglass.cli.main import main


def run(capsys: pytest.CaptureFixture[str], *words: str | Path) -> tuple[int, str, str]:
    """Return the exit code and what was said on stdout and stderr."""
    with pytest.raises(SystemExit) as leaving:
        main([str(word) for word in words])
    out, err = capsys.readouterr()
    assert isinstance(leaving.value.code, int)
    return leaving.value.code, out, err
