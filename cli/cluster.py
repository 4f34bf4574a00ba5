"""A running dask.distributed cluster as the place where many photos are measured."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from typing import Any

from ..calibration.errors import UsageError

__all__ = ["connected"]

WAIT_S = 10.0  # for an answer from the scheduler


@contextmanager
def connected(address: str) -> Iterator[int]:
    """Connect to the scheduler at `address` for the length of the block and give its number of workers.

    Raises
    ------
    UsageError
        If dask.distributed is not installed, nobody answers, or the workers lack this version of pickglass.
    """
    try:
        distributed: Any = import_module("distributed")  # an optional extra, without types of its own
    except ImportError as error:
        raise UsageError(
            "no-cluster-support",
            "Measuring on a cluster needs dask.distributed, which is not installed.",
            'Install it with: pip install "pickglass[cluster]"',
        ) from error
    try:
        client = distributed.Client(address, timeout=WAIT_S, set_as_default=True)
    except (OSError, ValueError, TypeError) as error:
        raise UsageError(
            "no-cluster",
            f"No cluster answers at {address}.",
            "Give the address that the scheduler prints when it starts, such as tcp://192.168.1.5:8786.",
        ) from error
    with client:
        yield _check_workers(client, address)


def _check_workers(client: Any, address: str) -> int:
    """Return the number of workers; refuse those that would measure with another version."""
    from importlib.metadata import version

    found = client.run(_version_there)
    if not found:
        raise UsageError(
            "no-workers",
            f"The cluster at {address} has no workers.",
            f"Start some, with pickglass installed: dask worker {address} --nthreads 1",
        )
    own = version("pickglass")
    other = {there for there in found.values() if there != own}
    if other:
        shown = ", ".join(sorted(there or "none" for there in other))
        raise UsageError(
            "cluster-differs",
            f"Here is pickglass {own}, on workers of the cluster {shown}.",
            "Install the same version on every worker, so that the same photo gives the same numbers.",
        )
    return len(found)


def _version_there() -> str:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("pickglass")
    except PackageNotFoundError:
        return ""
