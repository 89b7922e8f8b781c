"""The page's end of the watch: it reads the newest snapshot and the trace, and posts commands; it touches nothing."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections.abc import Callable, Mapping, Sequence
from math import isnan
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from config.rig import PageSection, Rig
from daemon.core.alarms.figures import AlarmFigures
from daemon.core.annunciation.quiet_hours import newest_night
from daemon.core.engine import MEMORY_MINUTES
from daemon.core.events import CommandRefused, Event, Marked, MorningTold, SamplesJudged, TakenBack
from daemon.core.inputs import Command
from daemon.core.readings.trace import MINUTE
from daemon.core.settings import QuietHours
from daemon.core.snapshot import Snapshot
from daemon.shell.library.alarm_account import Window, figures_of
from daemon.shell.library.records import CookRecords, reading
from daemon.shell.library.summary import utc_seconds
from daemon.shell.library.taken_back import standing
from daemon.shell.loop import WatchLoop
from daemon.shell.view import View
from daemon.shell.web.contract import (
    CookBuilder,
    History,
    HistoryMark,
    PageSettings,
    Planning,
    Span,
    bucketed,
)
from daemon.shell.web.server import PageServer
from daemon.texts.reader import Reader

SHOW_EVERY = 5.0
"""s between pictures of a quiet watch; anything lasting is shown at once."""
MARKS_KEPT = 500
SEASON = 200
"""Cooks, the newest, that make a season."""


def marks_before(journal: Path) -> list[HistoryMark]:
    """The newest marks of earlier starts, oldest first: the curve goes further back than this process. None of them where
    the disk refuses, which the watch says elsewhere."""
    rows = []
    with contextlib.suppress(sqlite3.Error), reading(journal) as db:
        rows = db.execute(
            "SELECT time, body FROM events WHERE name IN ('mark', 'taken-back') ORDER BY seq DESC LIMIT ?",
            (MARKS_KEPT,),
        ).fetchall()
    events = [{"engine_time": time, **json.loads(body)} for time, body in reversed(rows)]
    return [
        HistoryMark(mark["engine_time"] - _late(mark), mark["kind"], mark["piece"])
        for mark in standing(events)
        if mark["event"] == "mark"
    ]


def _late(mark: Mapping[str, Any]) -> float:
    """s by which it was marked later than it was done."""
    at = mark.get("at")
    return 0.0 if at is None else utc_seconds(mark["time"]) - utc_seconds(at)


class KeptCooks(CookRecords):
    """The library as the page asks it: with reports."""

    def __init__(self, journal: Path, night: Callable[[], tuple[float, float]]) -> None:
        """night: start and end of the newest night, UTC s."""
        super().__init__(journal)
        self._night = night

    def report(self, cook: str, pit: str = "") -> bytes:
        """Raises UnknownCook and UnknownPit."""
        from daemon.shell.report.of_kept import kept_report  # 2 MB that a night without a report need not have

        return kept_report(self, cook, pit)

    def alarm_figures(self, of: Span) -> AlarmFigures:
        """Of nothing where no cook is kept yet."""
        rows = self.rows("", SEASON, watched=True)
        trails = [self.alarm_trail(row.id) for row in reversed(rows[:1] if of == "cook" else rows)]
        return figures_of(trails, Window(*self._night()) if of == "night" else None)


class Page:
    """Starts the server and keeps it fed."""

    def __init__(
        self,
        section: PageSection,
        rig: Rig,
        reader: Reader,
        loop: WatchLoop,
        token: str,
        build_cook: CookBuilder,
        planning: Planning,
    ) -> None:
        """reader: the rig's people, first choice of a new phone."""
        assert loop.journal is not None, "the app always keeps a journal"
        self._loop = loop
        self._marks = marks_before(loop.journal.path)
        self._shown_at = float("-inf")
        self._quiet = QuietHours(rig.people.quiet_from, rig.people.quiet_until, ZoneInfo(rig.people.zone))
        settings = PageSettings(
            host=section.listen,
            port=section.port,
            hosts=section.hosts,
            open_view=section.open_view,
            reader=reader,
            can_wake=any(set(delivery.audience) - {"notice"} for delivery in rig.delivery),
        )
        self.server = PageServer(
            settings,
            self._snapshot,
            self._command,
            self._history,
            KeptCooks(loop.journal.path, self._night),
            token,
            build_cook=build_cook,
            planning=planning,
        )

    def _night(self) -> tuple[float, float]:
        return newest_night(self._quiet, self._loop.stamp() + self._snapshot().wall_offset)

    async def start(self) -> None:
        await self.server.start()

    async def stop(self) -> None:
        await self.server.stop()

    def on_events(self, events: Sequence[Event], view: View, now: float) -> None:
        self._marks += [
            HistoryMark(e.time if e.at is None else e.at, e.kind.value, e.piece)
            for e in events
            if isinstance(e, Marked)
        ]
        for gone in [e for e in events if isinstance(e, TakenBack)]:
            named = HistoryMark(gone.at, gone.what, gone.piece)
            self._marks = [mark for mark in self._marks if mark != named]
        del self._marks[:-MARKS_KEPT]
        for event in events:
            if isinstance(event, CommandRefused | MorningTold):
                self.server.tell(event)
        lasting = any(not isinstance(e, SamplesJudged) for e in events)
        if lasting or now - self._shown_at >= SHOW_EVERY:
            self._shown_at = now
            self.server.publish(view.snapshot(now))

    def _snapshot(self) -> Snapshot:
        return self._loop.view.snapshot(self._loop.stamp())

    async def _command(self, command: Command) -> None:
        await self._loop.taken(command)

    def _history(self, start: float, end: float, max_points: int) -> History:
        """From the minute trace of the running watch."""
        now = self._loop.stamp()  # what is asked beyond the trace costs nothing
        first = max(int(start // MINUTE), int(now // MINUTE) - MEMORY_MINUTES)
        last = min(int(end // MINUTE), int(now // MINUTE))
        series: dict[str, list[tuple[float, float]]] = {}
        for channel in self._snapshot().channels:
            values = self._loop.view.minutes(channel.id, first, last)
            series[channel.id] = [((first + i) * MINUTE, v) for i, v in enumerate(values) if not isnan(v)]
        marks = [m for m in self._marks if start <= m.time <= end]
        return bucketed(series, start, end, max_points, marks)
