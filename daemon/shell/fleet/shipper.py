"""Sends what the journal holds to the centre, batch by batch; waits longer and longer while the centre is away."""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Callable
from pathlib import Path
from random import Random
from typing import Final

from daemon.core.pit.profile import ClassFigure
from daemon.shell.fleet.centre import Batch, Centre, CentreAway, CentreRefuses, connected
from daemon.shell.fleet.class_file import NAME as CLASS_FILE
from daemon.shell.fleet.class_file import write_figures
from daemon.shell.fleet.now import Now
from daemon.shell.fleet.past import Cursor, Past
from daemon.shell.fleet.pooling import Lesson

log = logging.getLogger(__name__)

EVERY: Final = 30.0
"""s between looks into the journal: it is written at least every 90 s, and at once when something happens"""
FIRST_WAIT: Final = 5.0
LONGEST_WAIT: Final = 600.0
"""s after a failure, doubled each time from the first. Our choice."""
JITTER: Final = 0.5
"""Share by which a wait is shortened at random, so that a thousand boards do not come back in one second."""

QUIET_LOOKS: Final = 4
"""Looks after which a pit with nothing to say says that it is there: two minutes, of the five after which it is silent. At every
look 10,000 pits were more than a centre of two busy cores takes (tests/bench/fleet/load.py)."""
LOOKS_AN_HOUR: Final = int(3600 / EVERY)

Wait = Callable[[float], bool]
"""Waits so many seconds; true when it is time to end."""


class Shipper:
    """journal: the watch's file. where: libpq connection string. pit: role at the centre. shares: also what the fires have
    shown, and fetch what pits of this class have; without it, what was shared before is deleted there. release: what this
    board runs."""

    def __init__(
        self,
        journal: Path,
        where: str,
        pit: str,
        wait: Wait,
        random: Random,
        *,
        shares: bool = False,
        release: str = "",
    ) -> None:
        self._journal, self._where, self._pit, self._shares, self._release = journal, where, pit, shares, release
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
            told = _Told(
                past, past.continued(centre.cursor()), centre.digests(), shares=self._shares, release=self._release
            )
            looks = 0
            while True:
                sent = told.send(centre, thorough=looks % LOOKS_AN_HOUR == 0)
                if self._shares and looks % LOOKS_AN_HOUR == 0:
                    self._keep(centre.class_figures())
                self._failures = 0
                looks += not sent
                if self._wait(0.0 if sent else EVERY):
                    return True
        finally:
            past.close()

    def _keep(self, figures: tuple[ClassFigure, ...]) -> None:
        """A directory that refuses is no reason to send nothing."""
        try:
            write_figures(self._journal.parent / CLASS_FILE, figures)
        except OSError as error:
            log.warning("what pits of this class have shown cannot be kept: %s", error)

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

    def __init__(self, past: Past, cursor: Cursor, cooks: dict[str, str], *, shares: bool, release: str) -> None:
        self._past, self._cursor, self._cooks, self._shares, self._release = past, cursor, cooks, shares, release
        self._looked, self._restart, self._restart_told = 0, 0, 0
        self._lessons: list[Lesson] | None = None
        self._newest_cook = 0
        self._quiet = QUIET_LOOKS
        self._now = Now()
        for row in past.standing(cursor.event):
            self._now.take(row)

    def send(self, centre: Centre, *, thorough: bool) -> bool:
        """One batch; whether there may be more at once. An empty one says that the pit is there. thorough: look at every kept
        cook and at what the pit has learned, not only at the cooks that change by themselves."""
        events = self._past.events(self._cursor.event)
        blocks = self._past.blocks(self._cursor.block)
        changing = self._past.newest_cook()
        looked_at = self._past.cooks(since=0 if thorough else min(changing, self._newest_cook))
        cooks = tuple(one for one in looked_at if self._cooks.get(one.id) != one.digest)
        lessons = self._past.lessons() if thorough and self._shares else self._lessons if self._shares else []
        for row in events:
            self._now.take(row)
        cursor = Cursor(
            events[-1].seq if events else self._cursor.event,
            events[-1].time if events else self._cursor.event_time,
            blocks[-1].index if blocks else self._cursor.block,
        )
        self._looked, self._restart = self._past.hurried_start(self._looked, self._restart)
        nothing = not (events or blocks or cooks) and lessons == self._lessons and self._restart == self._restart_told
        if nothing and self._quiet < QUIET_LOOKS:
            self._quiet += 1
            return False
        self._quiet = 1
        news = None if lessons == self._lessons else tuple(lessons or ())
        now = self._now.told()
        centre.put(Batch(cursor, tuple(events), tuple(blocks), cooks, now, news, self._release, self._restart))
        self._cursor, self._lessons, self._newest_cook, self._restart_told = cursor, lessons, changing, self._restart
        self._cooks |= {one.id: one.digest for one in cooks}
        return bool(events or blocks)
