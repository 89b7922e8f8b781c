"""One line of the log for each thing said, whatever is in it: what comes from a wire or a broker must not forge another."""

from __future__ import annotations

import asyncio
import logging
import sys
from collections.abc import Callable
from typing import Any

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


def log_to_stderr(level: int) -> None:
    handler = logging.StreamHandler(sys.stderr)
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
