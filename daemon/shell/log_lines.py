"""One line of the log for each thing said, whatever is in it: what comes from a wire or a broker must not forge another."""

from __future__ import annotations

import logging
import sys

LONGEST = 2000
"""Characters of one line."""
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
