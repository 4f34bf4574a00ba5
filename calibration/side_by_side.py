"""Independent pieces of work on as many threads as OpenCV may use; results come in order, whatever the number."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TypeVar

import cv2

__all__ = ["both", "side_by_side"]

Item = TypeVar("Item")
Result = TypeVar("Result")
Other = TypeVar("Other")


def side_by_side(work: Callable[[Item], Result], items: Iterable[Item]) -> list[Result]:
    """Do the same work on several items; like ``list(map(work, items))``.

    Where photos are measured side by side, each in a process of its own, OpenCV is told to use one thread, and so is this.

    Parameters
    ----------
    work : callable
        Must not depend on the order of the items. It gains only while it computes in OpenCV or numpy.
    items : iterable
    """
    todo = list(items)
    threads = min(cv2.getNumThreads(), len(todo))
    if threads < 2:
        return [work(item) for item in todo]
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(threads) as pool:
        return list(pool.map(work, todo))


def both(first: Callable[[], Result], second: Callable[[], Other]) -> tuple[Result, Other]:
    """Do two different things; an error of the first comes before one of the second."""
    if cv2.getNumThreads() < 2:
        return first(), second()
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(1) as pool:
        later = pool.submit(second)
        return first(), later.result()
