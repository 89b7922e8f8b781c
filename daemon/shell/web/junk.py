"""What the page's server says in the log of bytes that are no request: one line in an hour, however many come.

The library logs each with a traceback, and anybody on the network can send as many as he likes.
"""

from __future__ import annotations

import logging
from collections.abc import Callable

SAID_EVERY = 3600.0
"""s between two lines about it. Our choice."""


class Junk(logging.Filter):
    """On the logger that the library is given. Makes one plain line of a record and counts those in between."""

    def __init__(self, seconds: Callable[[], float]) -> None:
        """seconds: a steady clock."""
        super().__init__()
        self._seconds = seconds
        self._said_at: float | None = None
        self.count = 0
        """Requests that could not be read, since the start."""
        self._unsaid = 0

    def filter(self, record: logging.LogRecord) -> bool:
        if record.levelno < logging.WARNING:
            return False
        self.count += 1
        now = self._seconds()
        if self._said_at is not None and now < self._said_at + SAID_EVERY:
            self._unsaid += 1
            return False
        kind = record.exc_info[0] if record.exc_info else None
        record.msg = "the page was sent something that is no request (%s); %d more since the last line about it"
        record.args = (kind.__name__ if kind else "no details", self._unsaid)
        record.levelno, record.levelname = logging.WARNING, "WARNING"
        record.exc_info = record.exc_text = record.stack_info = None
        self._said_at, self._unsaid = now, 0
        return True
