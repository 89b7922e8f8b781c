"""Sends what the journal holds to the centre, batch by batch; waits longer and longer while the centre is away."""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Any, Final

from daemon.core.pit_profile import ClassFigure
from daemon.shell.fleet.centre import Batch, Centre, CentreAway, CentreRefuses, connected
from daemon.shell.fleet.class_file import file_of, write_figures
from daemon.shell.fleet.now import Standing
from daemon.shell.fleet.past import CookRow, Cursor, EventRow, Past
from daemon.shell.fleet.pooling import Lesson
from daemon.shell.fleet.whereabouts import BoardPits, Placing, Whereabouts
from daemon.texts.composer import PLAIN

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
PitsOf = Callable[[Any], BoardPits]
"""The board's pits, given the order of their ids that the watch noted, or None."""


def one_pit(_: Any) -> BoardPits:
    """Of a board that has no other."""
    return BoardPits()


class NothingKept(Exception):
    """The watch has not run yet."""


class Shipper:
    """journal: the watch's file. where: libpq connection string. pit: role at the centre. shares: also what the fires have
    shown, and fetch what pits of this class have; without it, what was shared before is deleted there. release: what this
    board runs. pits_of: says which pits the board has."""

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
        pits_of: PitsOf = one_pit,
    ) -> None:
        self._journal, self._where, self._pit, self._shares, self._release = journal, where, pit, shares, release
        self._wait, self._random, self._pits_of = wait, random, pits_of
        self._failures = 0
        self._one_row_said = False
        self._trouble, self._away = "", False

    def run(self) -> None:
        """Until `wait` says that it is time."""
        while True:
            try:
                if not self._journal.exists():
                    raise NothingKept(PLAIN.words("centre.no-journal", state=str(self._journal.parent)))
                with connected(self._where, self._pit) as centre:
                    self._working()
                    if self._serve(centre):
                        return
            except (CentreAway, CentreRefuses, NothingKept, sqlite3.Error, OSError) as error:
                self._failed(error)
            if self._wait(self._pause()):
                return

    def _serve(self, centre: Centre) -> bool:
        """True when it is time to end."""
        past = Past(self._journal)
        try:
            cursor, pits = past.continued(centre.cursor()), self._pits_of(past.pit_order())
            if not centre.knows(pits.others):
                pits = BoardPits()
                if not self._one_row_said:
                    log.warning(
                        "the centre is of an earlier release and holds all pits of this board as one: centre.sh upgrade"
                    )
                self._one_row_said = True
            told = _Told(past, pits, cursor, centre.digests(pits.names), shares=self._shares, release=self._release)
            looks = 0
            while True:
                sent = told.send(centre, thorough=looks % LOOKS_AN_HOUR == 0)
                if self._shares and looks % LOOKS_AN_HOUR == 0:
                    for pit in pits.names:
                        self._keep(pit, centre.class_figures(pit))
                self._failures = 0
                looks += not sent
                if self._wait(0.0 if sent else EVERY):
                    return True
        finally:
            past.close()

    def _keep(self, pit: str, figures: tuple[ClassFigure, ...]) -> None:
        """A directory that refuses is no reason to send nothing."""
        try:
            write_figures(self._journal.parent / file_of(pit), figures)
        except OSError as error:
            log.warning("what pits of this class have shown cannot be kept: %s", error)

    def _pause(self) -> float:
        longest = min(LONGEST_WAIT, FIRST_WAIT * 2.0 ** min(self._failures - 1, 10))
        return longest * (1.0 - JITTER * self._random.random())

    def _failed(self, error: Exception) -> None:
        self._failures += 1
        if str(error) != self._trouble:
            self._trouble = str(error)
            self._away = not isinstance(error, NothingKept)
            if not self._away:
                log.warning("nothing is sent: %s", error)
                return
            away = isinstance(error, CentreAway)
            log.warning(PLAIN.words("centre.away" if away else "centre.refuses", why=str(error)))

    def _working(self) -> None:
        if self._trouble:
            log.warning("the centre is reached again" if self._away else "the journal is there now")
            self._trouble = ""


class _Told:
    """What the centre has been told by this connection."""

    def __init__(
        self,
        past: Past,
        pits: BoardPits,
        cursor: Cursor,
        cooks: dict[tuple[str, str], str],
        *,
        shares: bool,
        release: str,
    ) -> None:
        self._past, self._pits, self._cursor, self._cooks = past, pits, cursor, cooks
        self._shares, self._release = shares, release
        self._looked, self._restart, self._restart_told = 0, 0, 0
        self._placed_by, self._placings = 0, list[Placing]()
        self._lessons: dict[str, list[Lesson]] = {}
        self._newest_cook = 0
        self._quiet = QUIET_LOOKS
        self._standing = Standing(Whereabouts(pits))
        self._look_where()
        for row in past.standing(cursor.event):
            self._standing.take(row)

    def _look_where(self) -> None:
        """Where pieces are by now; a board with one pit has no need to ask."""
        if self._pits.others:
            self._placed_by, more = self._past.placings(self._placed_by)
            self._placings += more
            self._standing.where = Whereabouts(self._pits, [*self._past.begun(), *self._placings])

    def send(self, centre: Centre, *, thorough: bool) -> bool:
        """One batch; whether there may be more at once. An empty one says that the board is there. thorough: look at every kept
        cook and at what the pits have learned, not only at the cooks that change by themselves."""
        read = self._past.events(self._cursor.event)
        blocks = self._past.blocks(self._cursor.block, self._pits.channels)
        self._look_where()
        changing = self._past.newest_cook()
        cooks = self._changed(0 if thorough else min(changing, self._newest_cook))
        lessons = self._lessons_now() if thorough else self._lessons
        news = {pit: told for pit, told in lessons.items() if told != self._lessons.get(pit)}
        events = tuple(self._of_its_pit(row) for row in read)
        cursor = Cursor(
            events[-1].seq if events else self._cursor.event,
            events[-1].time if events else self._cursor.event_time,
            blocks[-1].index if blocks else self._cursor.block,
        )
        self._looked, self._restart = self._past.hurried_start(self._looked, self._restart)
        nothing = not (events or blocks or cooks or news) and self._restart == self._restart_told
        if nothing and self._quiet < QUIET_LOOKS:
            self._quiet += 1
            return False
        self._quiet = 1
        now = self._standing.told()
        first = now.pop("")
        centre.put(Batch(cursor, events, tuple(blocks), cooks, first, news, self._release, self._restart, others=now))
        self._cursor, self._lessons, self._newest_cook, self._restart_told = cursor, lessons, changing, self._restart
        self._cooks |= {(one.pit, one.id): one.digest for one in cooks}
        return bool(events or blocks)

    def _of_its_pit(self, row: EventRow) -> EventRow:
        pit = self._standing.take(row)
        return replace(row, pit=pit) if pit else row

    def _changed(self, since: int) -> tuple[CookRow, ...]:
        """What the centre does not have so, of the cooks that began at this input or later."""
        rows = (row for cook in self._past.cooks(since=since) for row in cook.by_pit(self._standing.where))
        return tuple(row for row in rows if self._cooks.get((row.pit, row.id)) != row.digest)

    def _lessons_now(self) -> dict[str, list[Lesson]]:
        return {pit: self._past.lessons(pit) if self._shares else [] for pit in self._pits.names}
