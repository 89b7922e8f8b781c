"""Files that are there whole or not at all, whenever the power goes.

Written beside, synced, renamed into place, and the directory synced: rename(2) is atomic, and without the last step the
new name itself may be lost with the power.
"""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path

PRIVATE = 0o600


def write_whole(path: Path, text: str, mode: int = PRIVATE) -> None:
    """Raises OSError; then `path` is as it was."""
    descriptor, name = tempfile.mkstemp(prefix=f".{path.name}-", dir=path.parent)
    try:
        with os.fdopen(descriptor, "w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fchmod(file.fileno(), mode)
            os.fsync(file.fileno())
        put_in_place(Path(name), path)
    except BaseException:
        with contextlib.suppress(OSError):
            Path(name).unlink()
        raise


def put_in_place(made: Path, path: Path) -> None:
    """A finished file, already synced by whoever wrote it, in place of whatever was there. Raises OSError."""
    made.rename(path)
    sync_directory(path.parent)


def sync_directory(directory: Path) -> None:
    """The names in it are on the disk. Raises OSError."""
    descriptor = os.open(directory, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


Identity = tuple[int, int] | None


def identity(path: Path) -> Identity:
    """Of the file that has this name now, None where there is none."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino
