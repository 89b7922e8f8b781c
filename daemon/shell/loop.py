"""The loop: wait for an input or a deadline, drive the engine (`daemon.core.drive`), write to disk, then let it out."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import Callable
from typing import Protocol

from daemon.core.drive import steps
from daemon.core.engine import Engine
from daemon.core.events import EVENT_NAMES, Event, ForecastWanted, Notification
from daemon.core.forecast_request import ForecastRequest
from daemon.core.inputs import ForecastArrived, Health, Input, Part, Readings, Resumed, UsePitProfile, WallClock
from daemon.shell.background import in_background
from daemon.shell.clock import Clock
from daemon.shell.input_queue import InputQueue
from daemon.shell.journal.journal import CHECKPOINT_EVERY, Journal, JournalUnavailable, OutboxRow
from daemon.shell.journal.profile_note import keep_profile
from daemon.shell.journal.writer import DiskWriter
from daemon.shell.view import LatestView, Listener
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
GAP = 10.0
"""s without a sign of life of this process after which nobody watched: it was frozen, or the machine slept. Such a gap is
treated like a restart and not as silence of the probes. Longer than a busy machine keeps a process waiting; ours."""
PULSE = 1.0
"""s between the signs of life by which a gap is noticed."""
ANSWERED_WITHIN = 5.0
"""s that whoever gives an order waits for it to be judged and written at most. Longer than a hung disk holds up a commit
(`writer.PATIENCE`), shorter than a person waits before pressing again; ours."""
FROZEN = "nobody watched: the process stood still or the machine slept"


class Outbox(Protocol):
    """Where notifications go; see daemon.shell.notify.outbox."""

    def rows(self, notification: Notification, now: float) -> list[OutboxRow]: ...

    def committed(self, rows: list[OutboxRow]) -> None: ...


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
        self.view = LatestView(engine)
        self._queue = InputQueue()
        self._awaited: dict[int, asyncio.Event] = {}
        """By the identity of an input that waits in the queue: who is to be told once it is on disk."""
        self._now = 0.0
        self._runs = False
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
        self._queue.put(self.stamp(), item)

    async def taken(self, item: Input) -> None:
        """Post, and come back once it is judged and on disk, so that a kill cannot take back what a person was told is taken.
        Where loop or disk need longer than ANSWERED_WITHIN, it waits in the queue and in memory, as everything does then."""
        judged = self._awaited[id(item)] = asyncio.Event()
        self.post(item)
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(ANSWERED_WITHIN):
                await judged.wait()
        self._awaited.pop(id(item), None)

    def stamp(self) -> float:
        """Engine time now, never decreasing, on whole milliseconds (what the journal can hold exactly).

        Called at least every PULSE s while the process lives, so that a gap shows here first: what arrives after it
        stands behind it in the queue."""
        before, self._now = self._now, max(self._now, round(self.clock.now() * MILLISECONDS) / MILLISECONDS)
        if self._runs and self._now - before > GAP * self._scale:
            log.warning("%s for %.0f s", FROZEN, self._now - before)
            self._queue.put(self._now, Resumed(FROZEN, watched_until=before))
        return self._now

    # --- the loop ------------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Until cancelled; then everything taken is written once more."""
        self.judged_at = self.stamp()
        self._runs = True
        pulse = asyncio.create_task(self._pulse(), name="pulse")
        try:
            while True:
                now, item = await self._next()
                await self.drive(now, item)
                if (awaited := self._awaited.pop(id(item), None)) is not None:
                    awaited.set()
                self._check_wall(now)
                await self._housekeeping(now)
        finally:
            self._runs = False
            for task in (pulse, *self._forecasts):
                task.cancel()
            if self.writer is not None:
                with contextlib.suppress(JournalUnavailable):
                    await self.writer.commit(self._now, FAREWELL)

    async def _pulse(self) -> None:
        while True:
            await asyncio.sleep(PULSE)
            self.stamp()

    async def _next(self) -> tuple[float, Input | None]:
        """The oldest input, or the time of waking up for a deadline."""
        deadline = self.engine.next_deadline()
        if self._queue.empty() and deadline is not None:
            wait = max(0.0, deadline - self.clock.now()) / self._scale
            try:
                async with asyncio.timeout(wait):
                    return await self._queue.get()
            except TimeoutError:
                now = self.stamp()
                if self._queue.empty():  # else a gap has just been noticed
                    return now, None
        return await self._queue.get()

    async def drive(self, now: float, item: Input | None = None) -> None:
        """Fire what is due, take the input, settle both."""
        for step in steps(self.engine, now, item):
            await self.settle(step.item, step.events, step.time)
            if step.item is None:
                self.judged_at, self.judged = step.time, True
                if step.time - self._checkpoint_at >= CHECKPOINT_EVERY and step.time % CHECKPOINT_EVERY == 0:
                    self._checkpoint(step.time)

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
                pit = self.engine.settings.pit_meant(item.pit)
                if pit is not None:  # with its input: after a kill, no older one may come back
                    keep_profile(self.journal.notes, item.profile, pit)
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
            self._tell_listeners(events, now)

    def _tell_listeners(self, events: list[Event], now: float) -> None:
        """A listener that fails is cut off, and the watch goes on."""
        self.view.renew()
        for listener in tuple(self.listeners):
            try:
                listener(events, self.view, now)
            except Exception:
                self.listeners.remove(listener)
                log.exception("a listener failed and is told no more: %r", listener)

    async def _housekeeping(self, now: float) -> None:
        if self.journal is None:
            return
        failed = self._disk_failed_at is not None and now - self._disk_failed_at >= DISK_RETRY
        if failed or self.journal.flush_due(now, hurry=self.engine.is_unsettled(now)):
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
