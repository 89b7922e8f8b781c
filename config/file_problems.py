"""A file that cannot be read or written, as a problem with its remedy, whatever it was to be used for."""

from __future__ import annotations

import errno
from pathlib import Path

from config.problems import Problem, Remedy, remedy

_REMEDIES = {
    errno.ENOENT: "file.not-there",
    errno.EISDIR: "file.is-directory",
    errno.ENOTDIR: "file.in-a-file",
    errno.EACCES: "file.not-allowed",
    errno.EPERM: "file.not-allowed",
    errno.ENOSPC: "file.disk-full",
    errno.EROFS: "file.read-only",
    errno.ENAMETOOLONG: "file.long-name",
}


def of_file(error: OSError, file: str = "") -> Problem:
    """file: its name, where the error does not tell it."""
    name = str(error.filename or file)
    return Problem(name, "", "", _remedy(error, Path(name)))


def _remedy(error: OSError, file: Path) -> Remedy:
    if error.errno == errno.ENOENT and not file.parent.exists():
        return remedy("file.no-directory", directory=str(file.parent))
    key = _REMEDIES.get(error.errno or 0)
    return remedy("file.unread", why=str(error.strerror or error)) if key is None else remedy(key)
