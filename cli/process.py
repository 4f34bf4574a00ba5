"""Settings of the process itself that make the measurement quicker and change no number."""

from __future__ import annotations

import os
import sys
from functools import cache

__all__ = ["keep_freed_memory", "one_blas_thread"]

_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD = -1, -3  # mallopt(3)
_LARGEST_REUSED = 1 << 30


def one_blas_thread() -> None:
    """Keep the linear algebra library from starting threads, unless the user asked for some.

    Its matrices are small here: threads that wait for each other cost more than they bring, and more still when several
    photos are measured side by side. Takes effect only before numpy is imported.
    """
    for name in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")


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
