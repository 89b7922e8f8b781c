"""State is kept in regular files. Anything else of that name is opened by nobody: a pipe never answers, a device swallows
what is written and a directory takes nothing.
"""

from __future__ import annotations

import errno
import logging
import os
import stat
from collections.abc import Iterable
from itertools import count
from pathlib import Path

log = logging.getLogger(__name__)

ASIDE = ".not-a-file"
KINDS = (
    (stat.S_ISDIR, "directory"),
    (stat.S_ISFIFO, "pipe"),
    (stat.S_ISSOCK, "socket"),
    (stat.S_ISCHR, "device"),
    (stat.S_ISBLK, "device"),
)


class NotAFile(OSError):
    """Something has the name that is no regular file."""

    def __init__(self, path: Path, kind: str) -> None:
        super().__init__(errno.EINVAL, f"a {kind} in place of a file", str(path))


def kind_of_other(path: Path) -> str:
    """What stands in place of a regular file, in a word; "" for a file, a link to one, and where there is nothing."""
    try:
        mode = path.stat().st_mode
    except OSError as error:
        return "link to itself" if error.errno == errno.ELOOP else ""
    return _kind(mode)


def _kind(mode: int) -> str:
    if stat.S_ISREG(mode):
        return ""
    return next((word for is_kind, word in KINDS if is_kind(mode)), "thing of another kind")


def read_regular(path: Path, most: int = -1) -> bytes:
    """The file, or its first `most` bytes; never waits for a writer. Raises OSError, among them NotAFile."""
    descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC | os.O_NOCTTY)
    kind = _kind(os.fstat(descriptor).st_mode)
    if kind:
        os.close(descriptor)
        raise NotAFile(path, kind)
    with os.fdopen(descriptor, "rb") as file:
        return file.read(most)


def make_room(paths: Iterable[Path]) -> None:
    """What stands in place of a file of the state is renamed, so that the file can be made anew. A disk that refuses leaves
    it: it is not opened all the same."""
    for path in paths:
        kind = kind_of_other(path)
        if not kind:
            continue
        aside = next(other for n in count(1) if not os.path.lexists(other := path.with_name(f"{path.name}{ASIDE}-{n}")))
        try:
            path.rename(aside)
        except OSError as error:
            log.error("%s: a %s in place of a file, and it cannot be renamed: %s", path, kind, error.strerror)
        else:
            log.warning("%s: a %s in place of a file; it is now %s, and the file is made anew", path, kind, aside.name)
