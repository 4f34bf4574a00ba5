"""Writing files: nothing half-made, nothing overwritten by surprise."""

import os
from collections.abc import Mapping
from pathlib import Path

from ..calibration.errors import UsageError

__all__ = ["check_target", "check_targets", "different_targets", "write_whole"]


def check_target(path: Path, *, overwrite: bool) -> None:
    """Refuse a target that could not be written, before any measuring is done.

    Raises
    ------
    UsageError
        If the file exists and `overwrite` is False, or its folder is missing or not writable.
    """
    if path.is_dir():
        raise UsageError(
            "is-a-folder", f"{path} is a folder, not a file.", "Give the name of a file to write."
        )
    if os.path.lexists(path) and not overwrite:
        raise UsageError(
            "file-exists",
            f"{path} is already there and was left as it is.",
            "Choose another name, or add --overwrite to replace it.",
        )
    if not path.parent.is_dir():
        raise UsageError(
            "no-folder",
            f"The folder {path.parent} does not exist.",
            "Make the folder first, or choose another.",
        )
    if not os.access(path.parent, os.W_OK):
        raise UsageError(
            "not-writable", f"Nothing can be written into {path.parent}.", "Choose a folder of your own."
        )


def check_targets(targets: Mapping[str, Path | None], *, overwrite: bool) -> None:
    """Refuse targets that could not be written, and two that are the same file; each goes by its option's name.

    Raises
    ------
    UsageError
        As `check_target`, and ``same-file``.
    """
    for path in different_targets(targets).values():
        check_target(path, overwrite=overwrite)


def different_targets(targets: Mapping[str, Path | None]) -> dict[str, Path]:
    """Return the targets that were given; refuse two that are the same file.

    Raises
    ------
    UsageError
        ``same-file``.
    """
    given = {name: path for name, path in targets.items() if path is not None}
    if len({path.absolute() for path in given.values()}) < len(given):
        raise UsageError(
            "same-file",
            "Two results would go into the same file.",
            f"Give {' and '.join(given)} different names.",
        )
    return given


def write_whole(path: Path, content: bytes, *, overwrite: bool) -> None:
    """Write `content` to a temporary file beside `path` and put it in place in one step.

    Raises
    ------
    UsageError
        As `check_target`, and when the disk refuses.
    """
    import secrets  # loads what only writing needs

    check_target(path, overwrite=overwrite)
    # Named before it is made, so that ctrl-C at any moment finds what to take away.
    scratch = path.with_name(f".pickglass-{secrets.token_hex(8)}")
    try:
        with scratch.open("xb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.replace(scratch, path)
    except OSError as error:
        raise UsageError(
            "not-written",
            f"{path} could not be written ({error.strerror or error}).",
            "Look whether the disk is full or the folder protected, then try again.",
        ) from error
    finally:
        scratch.unlink(missing_ok=True)
