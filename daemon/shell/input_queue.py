"""What waits for the loop. Readings may be lost when a swamped loop cannot keep up, and are counted; nothing else ever is."""

from __future__ import annotations

import asyncio
import logging
from collections import deque

from daemon.core.inputs import Input, Readings

log = logging.getLogger(__name__)

READINGS_WAITING = 10_000
"""Readings that may wait before new ones are dropped: minutes of a busy rig."""


class InputQueue:
    """First in, first out, each input with the engine time of its arrival. Used from the loop's own thread."""

    def __init__(self) -> None:
        self._waiting: deque[tuple[float, Input]] = deque()
        self._arrived = asyncio.Event()
        self._readings = 0
        self._dropping = False
        self.dropped = 0
        """Readings lost so far."""

    def put(self, now: float, item: Input) -> None:
        """Never waits. Of readings beyond the bound the new one is lost; what a person or a part says never is."""
        if isinstance(item, Readings):
            if self._readings >= READINGS_WAITING:
                self._drop()
                return
            self._readings += 1
        self._waiting.append((now, item))
        self._arrived.set()

    def _drop(self) -> None:
        self.dropped += 1
        if not self._dropping:
            self._dropping = True
            log.error("the loop cannot keep up: readings are dropped")

    async def get(self) -> tuple[float, Input]:
        """The oldest; waits for one."""
        while not self._waiting:
            self._arrived.clear()
            await self._arrived.wait()
        return self.get_nowait()

    def get_nowait(self) -> tuple[float, Input]:
        """The oldest. Raises IndexError when nothing waits."""
        arrived = self._waiting.popleft()
        if isinstance(arrived[1], Readings):
            self._readings -= 1
        if self._dropping and not self._readings:
            self._dropping = False
            log.warning("the loop keeps up again; %d readings have been lost since the start", self.dropped)
        return arrived

    def empty(self) -> bool:
        return not self._waiting

    def qsize(self) -> int:
        return len(self._waiting)
