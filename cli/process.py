"""Settings of the process itself that make the measurement quicker and change no number."""

from __future__ import annotations

import _thread
import contextlib
import gc
import os
import signal
import sys
import threading
from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from types import FrameType

__all__ = [
    "get_ready",
    "interrupt_outside_locks",
    "keep_freed_memory",
    "leave_at_once",
    "one_blas_thread",
    "seldom_look_for_cycles",
]

_OF_IMPORTS = "<frozen importlib._bootstrap>"
_AGAIN_S = 0.01

_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD, _M_ARENA_MAX = -1, -3, -8  # mallopt(3)
_LARGEST_REUSED = 1 << 30
_MARKED_FOR_LARGE_PAGES = 1 << 29


def one_blas_thread() -> None:
    """Keep the linear algebra library from starting threads, unless the user asked for some.

    Its matrices are small here: threads that wait for each other cost more than they bring, and more still when several
    photos are measured side by side. Takes effect only before numpy is imported.
    """
    for name in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")


def seldom_look_for_cycles() -> None:
    """Let Python look for objects that hold each other up after 20 000 new ones instead of 700.

    Modules make nearly all of them, and those stay; a measurement leaves some hundred, and no picture is among them.
    """
    gc.set_threshold(20_000)


def leave_at_once() -> None:
    """Spare Python to go through all objects once more when the process ends: what it looks for goes with the process."""
    gc.disable()
    gc.freeze()


def interrupt_outside_locks() -> None:
    """Let ctrl-C wait while Python takes or gives back the lock of a module.

    There the interruption can be swallowed with the lock still taken, and the process then waits for itself for ever.
    """

    def interrupted(number: int, frame: FrameType | None) -> None:
        if frame is None or frame.f_code.co_filename != _OF_IMPORTS:
            raise KeyboardInterrupt
        again = threading.Timer(_AGAIN_S, _thread.interrupt_main, (number,))
        again.daemon = True
        again.start()

    with contextlib.suppress(ValueError):  # only the main thread may
        if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
            signal.signal(signal.SIGINT, interrupted)


@cache
def keep_freed_memory() -> None:
    """Let large pictures take over each other's memory instead of asking the system for fresh pages every time.

    The C library of Linux gives blocks beyond 32 MiB back at once, and fetching new pages takes as long as filling
    them. Elsewhere nothing is done.
    """
    if not sys.platform.startswith("linux"):
        return
    import ctypes

    try:
        mallopt = ctypes.CDLL(None).mallopt
    except (OSError, AttributeError):  # another C library
        return
    mallopt(_M_MMAP_THRESHOLD, _LARGEST_REUSED)
    mallopt(_M_TRIM_THRESHOLD, _LARGEST_REUSED)
    mallopt(_M_ARENA_MAX, 1)  # what one thread has freed serves the others, too
    import numpy as np

    # numpy asks for large pages where it takes a large block, and the block stays marked when it is given back untouched.
    # A page of 2 MiB costs a tenth of the small ones in its place.
    with contextlib.suppress(MemoryError):
        np.empty(_MARKED_FOR_LARGE_PAGES, np.uint8)


@cache
def get_ready() -> None:
    """Load what the measurement needs on a second core, while the first one reads the photo.

    OpenCV works its table of CIE L*a*b* out when it is first wanted, which takes half as long as decoding a photo.
    """
    # Not a daemon: the process waits for it when it ends early, for an import must not be cut off in the middle.
    threading.Thread(target=_load, name="pickglass-load").start()


def _load() -> None:
    with contextlib.suppress(Exception):  # whoever needs it meets the same trouble, and can say so
        import cv2
        import numpy as np

        # First what is wanted as soon as the photo is decoded.
        from ..calibration import printed_card, quality, scale  # noqa: F401
        from ..measure import sett  # noqa: F401

        cv2.cvtColor(np.zeros((1, 1, 3), np.uint8), cv2.COLOR_BGR2LAB)
