"""How many lives of this watch have ended by a failure of its own, one soon after the other.

What a watch remembers may be what makes it fail. After two such lives the next begins without it: a watch that knows
nothing still wakes somebody, one that dies at every start never does.
"""

from __future__ import annotations

import contextlib
import logging
from pathlib import Path

from daemon.shell.state.regular_file import read_regular
from daemon.shell.state.whole_file import write_whole

log = logging.getLogger(__name__)

FILE = "failed-lives"
TOO_MANY = 2
"""Failed lives in a row after which nothing is remembered. Our choice."""
SOUND_AFTER = 900.0
"""s that a life must last to count as sound: longer than it takes to come to the point where the last one failed."""


class FailedLives:
    """Kept in a small file of the state directory; a disk that refuses costs the count and nothing else."""

    def __init__(self, state: Path) -> None:
        self._path = state / FILE
        self.count = 0
        with contextlib.suppress(OSError, ValueError):
            self.count = max(0, int(read_regular(self._path)))

    @property
    def too_many(self) -> bool:
        return self.count >= TOO_MANY

    def failed(self, lasted: float) -> None:
        """This life ends by a failure. lasted: s."""
        self._set(1 if lasted >= SOUND_AFTER else self.count + 1)

    def forget(self) -> None:
        """Nothing is remembered, or this life is sound: the count begins anew."""
        if self.count:
            self._set(0)

    def _set(self, count: int) -> None:
        self.count = count
        try:
            write_whole(self._path, f"{count}\n")
        except OSError as error:
            log.error("%s cannot be written: %s", self._path, error.strerror)
