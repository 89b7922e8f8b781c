"""What happens in the demo's night, told in the order of its hours."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

from rich.text import Text

NEWEST = 16
"""Lines that the live view shows."""


class Story:
    """Lines wait until the watch has come to their hour: on a busy machine it is behind the cook."""

    def __init__(self, tell: Callable[[Text], None]) -> None:
        self.newest: deque[Text] = deque(maxlen=NEWEST)
        self._tell = tell
        self._waiting: list[tuple[float, Text]] = []

    def add(self, time: float, line: Text) -> None:
        self._waiting.append((time, line))

    def tell_until(self, now: float) -> None:
        """now: of the watch. Of one hour, what was added first comes first."""
        due = sorted((told for told in self._waiting if told[0] <= now), key=lambda told: told[0])
        self._waiting = [told for told in self._waiting if told[0] > now]
        for _, line in due:
            self.newest.append(line)
            self._tell(line)
