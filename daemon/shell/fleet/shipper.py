"""Sends what the journal holds to the centre, batch by batch; waits longer and longer while the centre is away."""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Callable
from pathlib import Path
from random import Random
from typing import Final

from daemon.shell.fleet.centre import Batch, Centre, CentreAway, CentreRefuses, connected
from daemon.shell.fleet.now import Now
from daemon.shell.fleet.past import CookRow, Cursor, Past

log = logging.getLogger(__name__)

EVERY: Final = 30.0
"""s between looks into the journal: it is written at least every 90 s, and at once when something happens"""
FIRST_WAIT: Final = 5.0
LONGEST_WAIT: Final = 600.0
"""s after a failure, doubled each time from the first. Our choice."""
JITTER: Final = 0.5
"""Share by which a wait is shortened at random, so that a thousand boards do not come back in one second."""

Wait = Callable[[float], bool]
"""Waits so many seconds; true when it is time to end."""


class Shipper:
    """journal: the watch's file. where: libpq connection string. pit: role at the centre."""

    def __init__(self, journal: Path, where: str, pit: str, wait: Wait, random: Random) -> None:
        self._journal, self._where, self._pit = journal, where, pit
        self._wait, self._random = wait, random
        self._failures = 0
        self._trouble = ""

    def run(self) -> None:
        """Until `wait` says that it is time."""
        while True:
            try:
                with connected(self._where, self._pit) as centre:
                    self._working()
                    if self._serve(centre):
                        return
            except (CentreAway, CentreRefuses, sqlite3.Error, OSError) as error:
                self._failed(error)
            if self._wait(self._pause()):
                return

    def _serve(self, centre: Centre) -> bool:
        """True when it is time to end."""
        past = Past(self._journal)
        try:
            told = _Told(past, past.continued(centre.cursor()))
            while True:
                sent = told.send(centre)
                self._failures = 0
                if self._wait(0.0 if sent else EVERY):
                    return True
        finally:
            past.close()

    def _pause(self) -> float:
        longest = min(LONGEST_WAIT, FIRST_WAIT * 2.0 ** min(self._failures - 1, 10))
        return longest * (1.0 - JITTER * self._random.random())

    def _failed(self, error: Exception) -> None:
        self._failures += 1
        if str(error) != self._trouble:
            self._trouble = str(error)
            remedy = "" if isinstance(error, CentreAway) else "; this needs somebody"
            log.warning("nothing reaches the centre: %s%s. The journal keeps it all", error, remedy)

    def _working(self) -> None:
        if self._trouble:
            log.warning("the centre is reached again")
            self._trouble = ""


class _Told:
    """What the centre has been told by this connection."""

    def __init__(self, past: Past, cursor: Cursor) -> None:
        self._past, self._cursor = past, cursor
        self._cooks: dict[str, CookRow] = {}
        self._now = Now()
        for row in past.standing(cursor.event):
            self._now.take(row)

    def send(self, centre: Centre) -> bool:
        """One batch; whether there may be more at once. An empty one says that the pit is there."""
        events = self._past.events(self._cursor.event)
        blocks = self._past.blocks(self._cursor.block)
        cooks = tuple(one for one in self._past.cooks() if self._cooks.get(one.id) != one)
        for row in events:
            self._now.take(row)
        cursor = Cursor(
            events[-1].seq if events else self._cursor.event,
            events[-1].time if events else self._cursor.event_time,
            blocks[-1].index if blocks else self._cursor.block,
        )
        centre.put(Batch(cursor, tuple(events), tuple(blocks), cooks, self._now.told()))
        self._cursor = cursor
        self._cooks |= {one.id: one for one in cooks}
        return bool(events or blocks)
