"""A file that holds room on the disk for the day it is full: given up then, so that alarms and messages still get written."""

from __future__ import annotations

import contextlib
import logging
import os
import shutil
from pathlib import Path

log = logging.getLogger(__name__)

RESERVE_BYTES = 1_000_000
"""Room for hundreds of alarms with their messages; see tests/faults for how many were written in it."""
ROOM_TO_HOLD = 3 * RESERVE_BYTES
"""Free bytes before the reserve is taken back: it must not be what fills the disk again."""


class Reserve:
    """path: the file. A disk that refuses it only leaves the watch without a reserve."""

    def __init__(self, path: Path, size: int = RESERVE_BYTES) -> None:
        self._path, self._size = path, size

    @property
    def held(self) -> bool:
        return self._path.is_file()

    @property
    def room(self) -> bool:
        """There is plenty, and a reserve could be held."""
        try:
            return shutil.disk_usage(self._path.parent).free >= self._size + ROOM_TO_HOLD
        except OSError:
            return False

    def hold(self) -> bool:
        """Take the room if there is plenty. True when it is held."""
        if self.held:
            return True
        if not self.room:
            return False
        try:
            descriptor = os.open(self._path, os.O_WRONLY | os.O_CREAT, 0o600)
            try:
                os.posix_fallocate(descriptor, 0, self._size)
            finally:
                os.close(descriptor)
        except OSError as error:
            log.debug("no reserve: %s", error)
            with contextlib.suppress(OSError):
                self._path.unlink(missing_ok=True)
            return False
        return True

    def release(self) -> bool:
        """Give the room back to the disk. True when there was some to give."""
        try:
            self._path.unlink()
        except OSError:
            return False
        return True
