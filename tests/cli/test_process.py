"""Settings of the process must do what they are for, and leave a process that only borrows the command as it was."""

import gc
import subprocess
import sys
from pathlib import Path

import pytest

from pickglass.cli.main import main

LARGE_PAGES = Path("/sys/kernel/mm/transparent_hugepage/enabled")
FAULTS = """
import resource, sys
import numpy as np
from pickglass.cli.process import keep_freed_memory
if sys.argv[1] == "kept":
    keep_freed_memory()
before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
held = [np.ones(1 << 20, np.uint8) for _ in range(64)]
print(resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before)
"""


def faults(way):
    run = subprocess.run([sys.executable, "-c", FAULTS, way], capture_output=True, text=True, check=True)
    return int(run.stdout)


@pytest.mark.skipif(
    not LARGE_PAGES.exists() or "[never]" in LARGE_PAGES.read_text(encoding="ascii"),
    reason="the system has no large pages",
)
def test_memory_comes_in_large_pages():
    assert faults("kept") < 0.5 * faults("plain")


def test_a_process_that_calls_main_keeps_its_garbage_collector(capsys):
    with pytest.raises(SystemExit):
        main(["--version"])
    capsys.readouterr()
    assert gc.isenabled()
    assert gc.get_freeze_count() == 0


INTERRUPTED = """
import signal, time
from pickglass.cli.process import interrupt_outside_locks
signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell's background job is begun deaf to it
interrupt_outside_locks()
code = compile("def locked():\\n    signal.raise_signal(signal.SIGINT)\\n    return True", {file!r}, "exec")
place = {{"signal": signal}}
exec(code, place)
try:
    print("kept" if place["locked"]() else "")
    time.sleep(10)
except KeyboardInterrupt:
    print("interrupted")
"""


@pytest.mark.parametrize(
    ("file", "said"),
    [("<frozen importlib._bootstrap>", "kept\ninterrupted\n"), ("other.py", "interrupted\n")],
)
def test_an_interruption_waits_while_python_holds_the_lock_of_a_module(file, said):
    words = [sys.executable, "-c", INTERRUPTED.format(file=file)]
    done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=30)
    assert (done.stdout, done.stderr) == (said, "")
