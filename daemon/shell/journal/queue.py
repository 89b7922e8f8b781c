"""What waits to be written: statements in order, and the readings of the running pack. Taking in never touches the disk."""

from __future__ import annotations

import threading
from collections import deque
from typing import Any

from daemon.core.inputs import Readings
from daemon.shell.journal.disk import Statement
from daemon.shell.journal.packed_inputs import READINGS
from daemon.shell.journal.reading_pack import pack

PACKS_WAITING = 10_000
"""Rows of readings kept in memory while the disk refuses: a week of them. Beyond that the oldest are lost and counted;
events, messages and what a person said never are."""
INSERT_INPUT = "INSERT INTO inputs VALUES (?, ?, ?, ?)"
INSERT_EVENT = "INSERT INTO events VALUES (?, ?, ?, ?, ?, ?)"


class WriteQueue:
    """Every method may be called from any thread. last_input, last_event: the newest numbers given out."""

    def __init__(self, last_input: int, last_event: int) -> None:
        self.last_input, self.last_event = last_input, last_event
        self._lock = threading.RLock()
        """Held for moments only."""
        self._waiting: deque[Statement] = deque()
        self._readings: list[tuple[float, Readings]] = []
        self._packs = 0
        self.dropped = 0
        """Rows of readings lost so far."""

    def add(self, statement: str, *values: Any) -> None:
        with self._lock:
            self._waiting.append((statement, values))
            self._packs += READINGS in values
            self._keep_within_limit()

    def add_readings(self, now: float, item: Readings) -> None:
        """They are packed, many to a row, when anything else comes or the queue is taken."""
        with self._lock:
            self._readings.append((now, item))

    def add_input(self, now: float, kind: str, body: bytes) -> None:
        with self._lock:
            self.close_pack()
            self.last_input += 1
            self.add(INSERT_INPUT, self.last_input, now, kind, body)

    def add_event(self, time: float, wall_offset: float, name: str, cook: str, body: str) -> None:
        with self._lock:
            self.close_pack()
            self.last_event += 1
            self.add(INSERT_EVENT, self.last_event, time, wall_offset, name, cook, body)

    def close_pack(self) -> tuple[int, int]:
        """Readings so far become one row. Returns the last numbers of inputs and events, which include it."""
        with self._lock:
            if self._readings:
                first, body = self._readings[0][0], pack(self._readings)
                self._readings = []
                self.last_input += 1
                self.add(INSERT_INPUT, self.last_input, first, READINGS, body)
            return self.last_input, self.last_event

    def take_all(self) -> deque[Statement]:
        """Everything that waits, oldest first; the queue is empty then."""
        with self._lock:
            self.close_pack()
            batch, self._waiting, self._packs = self._waiting, deque(), 0
            return batch

    def put_back(self, batch: deque[Statement]) -> None:
        """A batch that could not be written waits again, before what has come since."""
        with self._lock:
            batch.extend(self._waiting)
            self._waiting = batch
            self._packs = sum(READINGS in values for _, values in batch)
            self._keep_within_limit()

    def _keep_within_limit(self) -> None:
        while self._packs > PACKS_WAITING:
            oldest = next(index for index, (_, values) in enumerate(self._waiting) if READINGS in values)
            del self._waiting[oldest]
            self._packs -= 1
            self.dropped += 1
