"""The one correct loop: deadlines first, each stamped with its own time; then the input; to disk; then out.

Stamping a timer with the moment of waking up instead would make a replay differ from the live run.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import Callable, Sequence
from typing import Protocol

from daemon.core.engine import Engine
from daemon.core.events import EVENT_NAMES, Event, ForecastRequest, ForecastWanted, Notification
from daemon.core.inputs import ForecastArrived, Health, Input, Part, Readings, UsePitProfile, WallClock
from daemon.shell.background import in_background
from daemon.shell.clock import Clock
from daemon.shell.journal.journal import CHECKPOINT_EVERY, Journal, JournalUnavailable, OutboxRow
from daemon.shell.journal.profile_note import keep_profile
from daemon.shell.journal.writer import DiskWriter
from daemon.shell.wording import event_to_dict

log = logging.getLogger(__name__)

MILLISECONDS = 1000
WALL_CHECK_EVERY = 60.0
"""s between comparisons of the wall clock with engine time."""
WALL_STEP = 0.5
"""s by which the wall must have moved against engine time before the core is told."""
DISK_RETRY = 10.0
"""s between attempts to write after the disk refused."""
FAREWELL = 0.5
"""s for the last write when the watch is stopped."""
INPUTS_WAITING = 10_000
"""Inputs that may queue before the oldest readings are dropped: minutes of a busy rig."""


class Outbox(Protocol):
    """Where notifications go; see daemon.shell.notify.outbox."""

    def rows(self, notification: Notification, now: float) -> list[OutboxRow]: ...

    def committed(self, rows: list[OutboxRow]) -> None: ...


class Listener(Protocol):
    """Sees every settled batch of events, after the journal has it. Must return at once."""

    def __call__(self, events: Sequence[Event], engine: Engine, now: float) -> None: ...


class WatchLoop:
    """Owns the engine. Everybody else posts inputs and listens."""

    def __init__(
        self,
        engine: Engine,
        clock: Clock,
        journal: Journal | None,
        outbox: Outbox | None = None,
        forecaster: Callable[[ForecastRequest], ForecastArrived] | None = None,
        clock_trusted: Callable[[], bool] = lambda: True,
        time_scale: float = 1.0,
    ) -> None:
        self.engine, self.clock, self.journal, self.outbox = engine, clock, journal, outbox
        self.listeners: list[Listener] = []
        self.judged_at = 0.0
        """Engine time of the last beat: for the systemd watchdog."""
        self.judged = False
        """This life has judged at all."""
        self._forecaster, self._clock_trusted, self._scale = forecaster, clock_trusted, time_scale
        self._queue: asyncio.Queue[tuple[float, Input]] = asyncio.Queue(INPUTS_WAITING)
        self._now = 0.0
        self._forecasts: set[asyncio.Task[None]] = set()
        self._thinking = asyncio.Lock()
        self.writer = DiskWriter(journal) if journal is not None else None
        self._disk_failed_at: float | None = None
        self._disk_trouble = ""
        self._wall_checked_at = float("-inf")
        self._checkpoint_at = float("-inf")

    # --- for everybody else ------------------------------------------------------------------------------

    def post(self, item: Input) -> None:
        """Hand an input to the loop, from its own thread. A swamped loop loses readings, nothing else.

        It is stamped here, on arrival: a loop held up for a while (a slow card) must not take what waited in the
        queue for silence.
        """
        if self._queue.full() and isinstance(item, Readings):
            return
        if self._queue.full():
            self._queue.get_nowait()  # the oldest: a reading, since nothing else comes in thousands
        self._queue.put_nowait((self.stamp(), item))

    def stamp(self) -> float:
        """Engine time now, never decreasing, on whole milliseconds (what the journal can hold exactly)."""
        self._now = max(self._now, round(self.clock.now() * MILLISECONDS) / MILLISECONDS)
        return self._now

    # --- the loop ------------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Until cancelled; then everything taken is written once more."""
        self.judged_at = self.stamp()
        try:
            while True:
                arrived = await self._next()
                now, item = arrived if arrived is not None else (self.stamp(), None)
                await self._fire_due(now)
                self._check_wall(now)
                if item is not None:
                    await self.settle(item, self.engine.handle(item, now), now)
                await self._housekeeping(now)
        finally:
            for task in self._forecasts:
                task.cancel()
            if self.writer is not None:
                with contextlib.suppress(JournalUnavailable):
                    await self.writer.commit(self._now, FAREWELL)

    async def _next(self) -> tuple[float, Input] | None:
        if not self._queue.empty():
            return self._queue.get_nowait()
        deadline = self.engine.next_deadline()
        if deadline is None:
            return await self._queue.get()
        wait = max(0.0, deadline - self.clock.now()) / self._scale
        try:
            async with asyncio.timeout(wait):
                return await self._queue.get()
        except TimeoutError:
            return None

    async def _fire_due(self, now: float) -> None:
        while (deadline := self.engine.next_deadline()) is not None and deadline <= now:
            await self.settle(None, self.engine.handle_timer(deadline), deadline)
            self.judged_at, self.judged = deadline, True
            if deadline - self._checkpoint_at >= CHECKPOINT_EVERY and deadline % CHECKPOINT_EVERY == 0:
                self._checkpoint(deadline)

    def _checkpoint(self, now: float) -> None:
        """Only on the whole ten minutes: a minute has just closed, so nothing of a running one is lost."""
        self._checkpoint_at = now
        if self.journal is not None and not self._disk_trouble:
            self.journal.take_checkpoint(now, self.engine.dump())

    def _check_wall(self, now: float) -> None:
        if now - self._wall_checked_at < WALL_CHECK_EVERY:
            return
        self._wall_checked_at = now
        offset = self.clock.wall() - self.clock.now()
        trusted = self._clock_trusted()
        if abs(offset - self.engine.wall.offset) > WALL_STEP or trusted != self.engine.wall.trusted:
            self.post(WallClock(round(offset, 3), trusted))

    async def settle(self, item: Input | None, events: list[Event], now: float) -> None:
        """Journal before effect: the input, its events and the messages are on disk before anything leaves."""
        lasting = [e for e in events if type(e) in EVENT_NAMES]
        rows: list[OutboxRow] = []
        if self.outbox is not None:
            rows = [r for e in lasting if isinstance(e, Notification) for r in self.outbox.rows(e, now)]
        if self.journal is not None:
            if item is not None:
                self.journal.take_input(item, now)
            if isinstance(item, UsePitProfile):
                keep_profile(
                    self.journal.notes, item.profile
                )  # with its input: after a kill, no older one may come back
            offset, cook = self.engine.wall.offset, self.engine.settings.cook.id
            for event in lasting:
                name = EVENT_NAMES[type(event)]
                self.journal.take_event(event.time, offset, name, cook, event_to_dict(event, offset))
            for row in rows:
                self.journal.outbox.add(row)
            if lasting or (item is not None and not isinstance(item, Readings)):
                await self._commit(now)
        if rows and self.outbox is not None:
            self.outbox.committed(rows)
        for event in events:
            if isinstance(event, ForecastWanted):
                self._think(event.request)
        if events:
            for listener in self.listeners:
                listener(events, self.engine, now)

    async def _housekeeping(self, now: float) -> None:
        if self.journal is None:
            return
        failed = self._disk_failed_at is not None and now - self._disk_failed_at >= DISK_RETRY
        if failed or self.journal.flush_due(now):
            await self._commit(now)

    async def _commit(self, now: float) -> None:
        """Write; if the disk refuses, go on from memory, say so once, and try again every DISK_RETRY s."""
        assert self.journal is not None and self.writer is not None
        if self._disk_failed_at is not None and now - self._disk_failed_at < DISK_RETRY:
            return
        try:
            await self.writer.commit(now)
        except JournalUnavailable as error:
            self._disk_failed_at, trouble = now, str(error)
        else:
            self._disk_failed_at, trouble = None, self.journal.trouble
        if bool(trouble) != bool(self._disk_trouble):
            log.error("the journal: %s", trouble or "written again")
            self.post(Health(Part.DISK, "journal", not trouble, trouble))
        self._disk_trouble = trouble

    def _think(self, request: ForecastRequest) -> None:
        """Forecast in a thread, one at a time; the answer comes back as an input."""
        if self._forecaster is None:
            return
        task = asyncio.create_task(self._forecast(request), name=f"forecast {request.piece.id}")
        self._forecasts.add(task)
        task.add_done_callback(self._forecasts.discard)

    async def _forecast(self, request: ForecastRequest) -> None:
        assert self._forecaster is not None
        async with self._thinking:
            try:
                answer = await in_background(self._forecaster, request)
            except Exception:
                log.exception("the forecast for %s failed; the watch goes on without it", request.piece.id)
                return
        self.post(answer)
