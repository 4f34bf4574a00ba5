"""Many photos: found in files and folders, measured side by side, one bad photo never stopping the rest.

The same work runs on the cores of this machine or, over joblib's own bridge, on the workers of a running
dask.distributed cluster.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import signal
import tempfile
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..calibration.errors import PickglassError, UsageError

if TYPE_CHECKING:
    from ..measure.records import Cell
    from .pipeline import Request
    from .report_pictures import Inlay

__all__ = ["Outcome", "Task", "gather", "measure_all", "measure_task", "sha256_of"]

PHOTO_SUFFIXES = frozenset(
    (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif", ".bmp", ".jp2", ".mpo", ".avif")
)
EXIT_CODES = {"measured": 0, "unsure": 3, "refused": 4}
DISPATCH_AHEAD = 2  # tasks held ready for each worker: no more than that is ever read into memory
_ONE_AT_A_TIME = threading.Lock()  # workers of a cluster may run several threads; the measurement wants one


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """One photo to measure.

    Attributes
    ----------
    path : Path
        The photo, as it was named.
    request : Request
        What was asked for.
    threads : int
        Threads that the measurement may use; 0 leaves it alone.
    content, memory : bytes or None
        The photo and the remembered cards themselves, for a worker on another machine.
    with_picture : bool
        A small marked picture is wanted for a report.
    """

    path: Path
    request: Request
    threads: int = 0
    content: bytes | None = None
    memory: bytes | None = None
    with_picture: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of one photo: its JSON document, its flat record and the exit code it would give alone."""

    path: Path
    sha256: str | None
    verdict: str
    exit_code: int
    document: dict[str, Any]
    record: dict[str, Cell] = field(default_factory=dict)
    problem: str = ""
    next_step: str = ""
    picture: Inlay | None = None
    advice: str = ""
    """What a better photo would take, where it would bring much."""
    doubt: str = ""
    doubt_step: str = ""
    """What leaves a photo unsure, and what would settle it."""
    told: frozenset[str] = frozenset()
    """Codes of the messages that `doubt` says already."""


def gather(words: Sequence[Path]) -> list[Path]:
    """Return the photos meant by files and folders, each once, in the order named; a folder's by name.

    Folders inside a folder, hidden files and files that are no pictures by their name are left out. A file that was
    named itself is always taken.

    Raises
    ------
    UsageError
        If nothing is left.
    """
    found: dict[str, Path] = {}
    for word in words:
        if word.is_dir():
            try:
                inside = sorted(word.iterdir())
            except OSError as error:
                raise UsageError(
                    "unreadable-folder",
                    f"The folder {word} cannot be read ({error.strerror or error}).",
                    "Look at its rights, or name the photos themselves.",
                ) from error
            chosen = [
                path
                for path in inside
                if path.suffix.lower() in PHOTO_SUFFIXES and not path.name.startswith(".") and path.is_file()
            ]
        else:
            chosen = [word]
        for path in chosen:
            found.setdefault(os.path.realpath(path), path)
    if not found:
        raise UsageError(
            "no-photos",
            f"There is no photo in {', '.join(str(word) for word in words)}.",
            "Name photos (JPEG, PNG, TIFF, WebP, HEIC) or a folder that holds some.",
        )
    return list(found.values())


def sha256_of(path: Path) -> str | None:
    """Return the SHA-256 of a file in hexadecimal; None when it cannot be read."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return None


def measure_task(task: Task) -> Outcome:
    """Measure one photo; whatever goes wrong becomes part of the outcome."""
    with _settled_worker(task), _as_file(task) as path:
        sha256 = sha256_of(path)
        try:
            return _measured(task, path, sha256)
        except PickglassError as error:
            picture = _as_it_is(path) if task.with_picture else None
            return replace(_failed(task.path, sha256, error), picture=picture)
        except Exception as error:  # noqa: BLE001 - a mistake of ours in one photo must not cost the others
            return _failed(task.path, sha256, _mistake(error))


def measure_all(
    tasks: Sequence[Task],
    *,
    jobs: int,
    cluster: str | None = None,
    measure: Callable[[Task], Outcome] = measure_task,
) -> Iterator[Outcome]:
    """Yield the outcome of every task as it is finished, in no fixed order.

    Parameters
    ----------
    tasks : sequence of Task
        No more than a few for each job are under way at a time.
    jobs : int
        Processes on this machine; a cluster uses the workers it has.
    cluster : str, optional
        Address of the scheduler of a dask.distributed cluster, such as ``"tcp://127.0.0.1:8786"``.
    measure : callable
        What is done with a task; must not raise.

    Raises
    ------
    UsageError
        If the cluster cannot be used.
    """
    from joblib import parallel_config

    if cluster is None:
        with parallel_config(backend="loky"):
            yield from _whatever_happens(tasks, jobs, measure, carry=False)
        return
    from .cluster import connected

    with connected(cluster) as workers, parallel_config(backend="dask", wait_for_workers_timeout=30):
        yield from _whatever_happens(tasks, workers, measure, carry=True)


def _whatever_happens(
    tasks: Sequence[Task], jobs: int, measure: Callable[[Task], Outcome], *, carry: bool
) -> Iterator[Outcome]:
    """Measure on the pool; when a photo kills its worker process, find that photo and go on with the others."""
    left = dict.fromkeys(range(len(tasks)))
    while left:
        with contextlib.suppress(*_pool_is_broken()):
            for number, outcome in _on_pool(tasks, list(left), jobs, measure, carry=carry):
                del left[number]
                yield outcome
        # Reached with something left only if the pool broke. The culprit was under way, so among the first left.
        for number in list(left)[: (DISPATCH_AHEAD + 1) * jobs]:
            del left[number]
            try:
                # two jobs, because one would run in this very process
                outcomes = [
                    found for _, found in _on_pool(tasks, [number], max(jobs, 2), measure, carry=carry)
                ]
            except _pool_is_broken():
                outcomes = [_failed(tasks[number].path, sha256_of(tasks[number].path), _DIED)]
            yield from outcomes


def _on_pool(
    tasks: Sequence[Task],
    numbers: Sequence[int],
    jobs: int,
    measure: Callable[[Task], Outcome],
    *,
    carry: bool,
) -> Iterator[tuple[int, Outcome]]:
    from joblib import Parallel, delayed

    parallel = Parallel(
        n_jobs=jobs, return_as="generator_unordered", batch_size=1, pre_dispatch=DISPATCH_AHEAD * jobs
    )
    calls = (
        delayed(_numbered)(number, _carried(tasks[number]) if carry else tasks[number], measure)
        for number in numbers
    )
    outcomes = parallel(calls)
    try:
        yield from outcomes
    finally:
        outcomes.close()


def _numbered(number: int, task: Task, measure: Callable[[Task], Outcome]) -> tuple[int, Outcome]:
    return number, measure(task)


def _pool_is_broken() -> tuple[type[Exception], ...]:
    """Return the exceptions that tell of a worker that died; those of a cluster only where one is in use."""
    import sys

    distributed = sys.modules.get("distributed")
    return (BrokenProcessPool,) if distributed is None else (BrokenProcessPool, distributed.KilledWorker)


_DIED = PickglassError(
    "worker-died",
    "The process that measured this photo was ended from outside or ran out of memory.",
    "Measure this photo alone, with nothing else running; make it smaller if it has very many pixels.",
)


def _carried(task: Task) -> Task:
    """Return the task with its photo and the remembered cards, for a machine that does not have them."""
    from .places import memory_path

    def read(path: Path) -> bytes | None:
        try:
            return path.read_bytes()
        except OSError:
            return None  # the worker will say what is wrong with the file

    return replace(task, content=read(task.path), memory=read(memory_path()))


@contextlib.contextmanager
def _settled_worker(task: Task) -> Iterator[None]:
    """Let a worker process leave ctrl-C to its parent, keep its threads few and use the memory sent along."""
    with contextlib.suppress(ValueError):  # only the main thread may; others never get the signal
        if _is_child():
            signal.signal(signal.SIGINT, signal.SIG_IGN)
    with _ONE_AT_A_TIME:
        if task.threads:
            import cv2

            cv2.setNumThreads(task.threads)
        before = os.environ.get("PICKGLASS_MEMORY")
        with tempfile.TemporaryDirectory(prefix="pickglass-") as folder:
            if task.content is not None:
                memory = Path(folder) / "memory.json"
                if task.memory is not None:
                    memory.write_bytes(task.memory)
                os.environ["PICKGLASS_MEMORY"] = str(memory)
            try:
                yield
            finally:
                if before is not None:
                    os.environ["PICKGLASS_MEMORY"] = before
                elif task.content is not None:
                    os.environ.pop("PICKGLASS_MEMORY", None)


def _is_child() -> bool:
    """Tell whether this is a process that joblib started."""
    import multiprocessing

    return multiprocessing.parent_process() is not None


@contextlib.contextmanager
def _as_file(task: Task) -> Iterator[Path]:
    """Give the photo as a file: the one named, or the content that was sent along under the same name."""
    if task.content is None:
        yield task.path
        return
    with tempfile.TemporaryDirectory(prefix="pickglass-") as folder:
        path = Path(folder) / task.path.name
        path.write_bytes(task.content)
        yield path


def _measured(task: Task, path: Path, sha256: str | None) -> Outcome:
    from ..measure.records import sett_record
    from .doubt_words import doubt_advice, doubt_codes, doubt_words
    from .photo_words import best_advice
    from .pipeline import measure_photo
    from .sett_json import sett_document

    photo, measurement = measure_photo(path, task.request)
    result, plane = measurement.result, measurement.plane
    quality, notices = measurement.quality, (*plane.notices, *result.notices)
    advice = None if quality is None else best_advice(quality, notices)
    picture = None
    if task.with_picture:
        from .report_pictures import thumbnail

        picture = thumbnail(photo, measurement)
    return Outcome(
        path=task.path,
        sha256=sha256,
        verdict=result.verdict,
        exit_code=EXIT_CODES[result.verdict],
        document=sett_document(result, plane),
        record=sett_record(result, plane),
        picture=picture,
        advice="" if advice is None else advice.text,
        doubt=" ".join(doubt_words(result)),
        doubt_step=doubt_advice(result),
        told=doubt_codes(result),
    )


def _failed(path: Path, sha256: str | None, error: PickglassError) -> Outcome:
    from ..measure.records import empty_record
    from .sett_json import refusal_document

    return Outcome(
        path=path,
        sha256=sha256,
        verdict="refused",
        exit_code=error.exit_code,
        document=refusal_document(path.name, error.code, str(error)),
        record=empty_record(path.name, verdict="refused", message=error.code),
        problem=error.problem,
        next_step=error.next_step,
    )


def _as_it_is(path: Path) -> Inlay | None:
    """Return a small picture of a photo that could not be measured; None where it cannot even be read."""
    from ..calibration.photo import load_photo
    from .report_pictures import bare_thumbnail

    try:
        return bare_thumbnail(load_photo(path))
    except PickglassError:
        return None


def _mistake(error: Exception) -> PickglassError:
    return PickglassError(
        "internal-error",
        f"pickglass met something it was not made for ({type(error).__name__}: {error}).",
        "This is a mistake in pickglass, not yours: please report it with the photo.",
    )
