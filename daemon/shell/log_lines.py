"""One line of the log for each thing said, whatever is in it: what comes from a wire or a broker must not forge another."""

from __future__ import annotations

import contextlib
import logging
import os
import select
import sys
import threading
from collections import deque
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import asyncio

LINES_WAITING = 500
"""Lines kept for a log that does not take them: most of a bad night, and less than a megabyte."""
FLUSHED_WITHIN = 1.0
"""s to wait for them at the end."""
LONGEST = 2000
"""Characters of one line."""
SAID_EVERY, KINDS_KEPT = 3600.0, 64
"""s between two lines about one kind of trouble of the event loop, and how many kinds are told apart."""
_ESCAPED = {
    code: chr(code).encode("unicode_escape").decode()
    for code in (*range(32), *range(127, 160), 0x2028, 0x2029)  # C0 and C1 controls, line and paragraph separator
}


def one_line(text: str) -> str:
    """Control characters written out, and what is too long cut."""
    text = text.translate(_ESCAPED)
    return text if len(text) <= LONGEST else f"{text[:LONGEST]}... ({len(text)} characters)"


class OneLine(logging.Formatter):
    """A traceback keeps its lines; it is ours."""

    def formatMessage(self, record: logging.LogRecord) -> str:  # noqa: N802 - the library's name
        return one_line(super().formatMessage(record))


class Aside(logging.Handler):
    """Writes in a thread of its own. A terminal that is held (Ctrl-S), a pipe that nobody reads or a log service that hangs
    would else hold up whoever says something: the event loop, and with it the watch. Lines beyond LINES_WAITING are lost and
    counted. Straight to the descriptor: what hangs in a buffered stream keeps the program from ending."""

    def __init__(self, descriptor: int) -> None:
        super().__init__()
        self._descriptor = descriptor
        self._lines: deque[str] = deque()
        self._lost, self._busy = 0, False
        self._news = threading.Condition()
        threading.Thread(target=self._write_all, name="log", daemon=True).start()

    def emit(self, record: logging.LogRecord) -> None:
        try:
            line = self.format(record)
        except Exception as error:
            line = f"{record.levelname} a line of the log could not be made: {error!r}"
        with self._news:
            if len(self._lines) < LINES_WAITING:
                self._lines.append(line)
            else:
                self._lost += 1
            self._news.notify_all()

    def flush(self) -> None:
        """At the end of the program; waits for a moment only."""
        with self._news:
            self._news.wait_for(lambda: not self._lines and not self._busy, FLUSHED_WITHIN)

    def _write_all(self) -> None:
        while True:
            with self._news:
                self._busy = False
                self._news.notify_all()
                self._news.wait_for(lambda: bool(self._lines))
                line, self._busy = self._lines.popleft(), True
                lost, self._lost = (self._lost, 0) if not self._lines else (0, self._lost)
            self._write(line)
            if lost:
                self._write(f"WARNING {lost} lines of the log were lost: nobody took them")

    def _write(self, line: str) -> None:
        rest = (line + "\n").encode(errors="backslashreplace")
        with contextlib.suppress(OSError):  # a terminal that is gone, a log on a full disk
            while rest:
                try:
                    rest = rest[os.write(self._descriptor, rest) :]
                except BlockingIOError:  # whoever gave it to us does not want to wait
                    select.select([], [self._descriptor], [])


def log_to_stderr(level: int, aside: bool = False) -> None:
    """aside: for a watch, which must not wait for its log."""
    handler: logging.Handler = Aside(sys.stderr.fileno()) if aside else logging.StreamHandler(sys.stderr)
    handler.setFormatter(OneLine("%(levelname)s %(message)s"))
    logging.basicConfig(level=level, handlers=[handler])


class SaidOnce:
    """What goes wrong in the event loop outside any task, as it does for each connection when files run out: one line an
    hour and kind, with how many there were."""

    def __init__(self, seconds: Callable[[], float]) -> None:
        """seconds: a steady clock."""
        self._seconds = seconds
        self._said: dict[str, tuple[float, int]] = {}
        """Kind -> when it was said, and how often it has come since."""

    def __call__(self, loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        error = context.get("exception")
        kind = f"{context.get('message', '')}: {type(error).__name__ if error else ''}"
        now = self._seconds()
        said_at, unsaid = self._said.get(kind, (float("-inf"), 0))
        if now < said_at + SAID_EVERY or (kind not in self._said and len(self._said) >= KINDS_KEPT):
            if kind in self._said:
                self._said[kind] = said_at, unsaid + 1
            return
        self._said[kind] = now, 0
        # an error of the system is told in a line; any other is ours, and where it was matters
        trace = None if error is None or isinstance(error, OSError) else error
        words = f": {error}" if error is not None else ""
        logging.getLogger("asyncio").error(
            "%s%s; %d more since the last line about it", context.get("message", ""), words, unsaid, exc_info=trace
        )
