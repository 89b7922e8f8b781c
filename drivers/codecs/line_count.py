"""The number a line carries, so that lines which never came are seen: 0 once after a start, then 1 to 255 and 1 again.

A counter that simply goes on (256, 257, ...) or wraps at 2^8 or 2^16 fits the same rule: all are compared modulo 255.
255 lines lost in a row cannot be seen; a minute of silence can.
"""

from __future__ import annotations

import re
from typing import Final

CYCLE: Final = 255
"""lines until a number comes again; 0 is none of them, so that it can say "the board has just started\""""
MARK: Final = "#"
_COUNT: Final = re.compile(rf"{MARK}([0-9A-Fa-f]{{2}})", re.ASCII)


def count_in(cell: str) -> int | None:
    """The number in the last cell of a word line, "#2A" is 42; None if the cell holds none."""
    match = _COUNT.fullmatch(cell)
    return int(match[1], 16) if match else None


class LineCount:
    """lost: lines that never came, or came damaged. restarts: times the board began anew."""

    def __init__(self) -> None:
        self.lost = 0
        self.restarts = 0
        self._last: int | None = None

    def joined(self) -> None:
        """The line was opened just now: whatever number comes first is right."""
        self._last = None

    def note(self, number: int) -> None:
        """One line came, with this number (0 and up)."""
        last, self._last = self._last, number
        if last is None:
            return
        if number:
            self.lost += (number - last - 1) % CYCLE
        elif last == 0 or last % CYCLE:  # else a counter of 8, 16 or 32 bits came round
            self.restarts += 1
