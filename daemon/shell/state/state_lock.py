"""One watch a state directory: two would give one id two meanings, and each would keep the other from writing."""

from __future__ import annotations

import fcntl
import logging
import os
import weakref
from pathlib import Path

from daemon.shell.state.whole_file import Identity, identity
from daemon.texts.composer import PLAIN

log = logging.getLogger(__name__)


class StateInUse(Exception):
    """Another watch has the directory. The text says what to do."""


class StateLock:
    """Held from `take` to `release`, and let go by the kernel when the process dies, however it dies.

    flock(2) on the directory itself: nothing need be written, so it holds on a disk that is full or read-only. A
    directory that cannot be opened or locked at all is no reason not to watch.
    """

    def __init__(self, directory: Path) -> None:
        self._directory = directory
        self._locked: Identity = None
        self._let_go: weakref.finalize[..., StateLock] | None = None

    def take(self) -> None:
        """Again, too: after the directory was deleted, the new one of that name is locked. Raises StateInUse."""
        self.release()
        try:
            self._directory.mkdir(parents=True, exist_ok=True)
            descriptor = os.open(self._directory, os.O_RDONLY | os.O_DIRECTORY)
        except OSError as error:
            log.warning("%s cannot be locked: %s", self._directory, error.strerror)
            return
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            os.close(descriptor)
            raise StateInUse(PLAIN.words("watch.state-in-use", state=str(self._directory))) from None
        except OSError as error:  # a file system without locks
            log.warning("%s cannot be locked: %s", self._directory, error.strerror)
        self._let_go, self._locked = weakref.finalize(self, os.close, descriptor), identity(self._directory)

    def keep(self) -> None:
        """Where the directory was deleted or moved, lock the one that has its name now. Another watch that was quicker is
        told of and not fought: both must go on waking."""
        if identity(self._directory) == self._locked:
            return
        try:
            self.take()
        except StateInUse as error:
            log.error("%s", error)

    def release(self) -> None:
        if self._let_go is not None:
            self._let_go()
            self._let_go = None
