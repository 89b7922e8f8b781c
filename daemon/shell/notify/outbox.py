"""The outbox: every message to every delivery channel until it is sent, given up or no longer worth sending.

At least once, on disk first: waiting -> sending -> sent. A crash between sending and sent repeats that one message,
with the same id and words. Retry is by class of error; a backlog becomes one current message. A message that could not be
sent at first says what is known when it is, and nothing when its alarms have been answered or have gone meanwhile.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict, replace

from daemon.core.events import Level, Notification
from daemon.core.inputs import Delivered, Health, Input, Outcome, Part
from daemon.core.said import Text
from daemon.shell.clock import Clock
from daemon.shell.journal.journal import Journal, JournalUnavailable, OutboxRow
from daemon.shell.journal.writer import PATIENCE, DiskWriter
from daemon.shell.notify.base import DeliveryChannel, Message, PermanentFailure, TemporaryFailure
from daemon.shell.wording import rfc3339
from daemon.texts.composer import PLAIN, Composer

log = logging.getLogger(__name__)

RETRY_AFTER = (5.0, 10.0, 20.0, 40.0, 60.0)
"""s before attempt 2, 3, ...; the last goes on until the message expires."""
FALL_OVER_WITHIN, TO_TELL_ANOTHER = 30.0, 5.0
"""s after which the next way to reach the person has the message, and what that way may take of it: it is asked for as
soon as another attempt as long as the last would end too late. Attempts go on meanwhile."""
ATTEMPT_LIMIT = 15.0
"""s one attempt may take."""
STEP_LIMIT = 1.0
"""s anything else may take in a worker before it counts as hung, beside the disk's patience."""


class Outbox:
    """Routes notifications to delivery channels by audience and works them off, one task a channel."""

    def __init__(
        self,
        channels: Mapping[str, DeliveryChannel],
        audiences: Mapping[str, tuple[str, ...]],
        journal: Journal | None,
        clock: Clock,
        post: Callable[[Input], None],
        title: str,
        wall_offset: Callable[[], float] = lambda: 0.0,
        time_scale: float = 1.0,
        writer: DiskWriter | None = None,
        composer: Composer | None = None,
        words: Callable[[str], Text | None] = lambda message: None,
    ) -> None:
        """composer: for the people who are told. words: what a message of this id says now; empty: nothing any more, None:
        what it said at first."""
        self._channels, self._audiences, self._journal = channels, audiences, journal
        self._writer = writer or (DiskWriter(journal) if journal is not None else None)
        self._clock, self._post, self._title, self._wall_offset = clock, post, title, wall_offset
        self._scale, self._composer = time_scale, composer or Composer()
        self._waiting: dict[str, list[OutboxRow]] = {name: [] for name in channels}
        self._woken: dict[str, asyncio.Event] = {name: asyncio.Event() for name in channels}
        self._down: set[str] = set()
        self._uncarried: set[str] = set()
        """Of these what is down only because nothing carries it just now."""
        self._fallen: set[tuple[str, str]] = set()
        self._words = words
        self._repeats: set[tuple[str, str]] = set()
        """Messages that may have arrived before this life began."""
        self._due_by: dict[str, float | None] = dict.fromkeys(channels)
        """Event-loop time by which each worker must have moved on; None while it has nothing to do."""

    def resume(self, down: Iterable[str] = ()) -> None:
        """Take up what an earlier run left unsent. down: channels that failed last in it."""
        self._down |= self._channels.keys() & set(down)
        if self._journal is not None:
            for row in self._journal.outbox.in_state("waiting", "sending"):
                if row.channel in self._waiting:
                    self._waiting[row.channel].append(row)
                    if row.state == "sending":
                        self._repeats.add((row.id, row.channel))

    def rows(self, notification: Notification, now: float) -> list[OutboxRow]:
        """One row for each delivery channel of the notification's audiences. LOG notifications go to nobody."""
        if notification.level is Level.LOG:
            return []
        names = {n: audience for audience in notification.audiences for n in self._audiences.get(audience, ())}
        message = Message(
            id=notification.id,
            level=notification.level.value,
            title=self._title,
            text=self._composer.say(notification.text),
            alarm=notification.alarm,
            loud="louder" in notification.audiences,
            time=rfc3339(notification.time + self._wall_offset()),
        )
        body = json.dumps(asdict(message), ensure_ascii=False)
        return [
            OutboxRow(notification.id, name, notification.alarm, now, notification.not_after, "waiting", 0, now, body)
            for name in names
            if name in self._channels
        ]

    def committed(self, rows: list[OutboxRow]) -> None:
        """The rows are on disk: they may leave."""
        for row in rows:
            self._waiting[row.channel].append(row)
            self._woken[row.channel].set()
            if self._due_by[row.channel] is None:
                self._busy(row.channel)

    def stuck(self) -> list[str]:
        """Delivery channels whose worker should have moved on by now and has not: for the systemd watchdog."""
        now = asyncio.get_running_loop().time()
        return [name for name, due_by in self._due_by.items() if due_by is not None and now > due_by]

    def unreachable(self, names: Iterable[str]) -> bool:
        """Of these channels there are some, and each failed last time."""
        asked = set(names) & self._channels.keys()
        return bool(asked) and asked <= self._down

    def carried(self, names: Iterable[str], works: bool, why: Text) -> None:
        """What carries these channels (a broker) began or stopped to work: nobody waits for a message to find that out."""
        for name in self._channels.keys() & set(names):
            if works and name in self._uncarried:
                self._mark_up(name)
            elif not works and name not in self._down:
                self._mark_down(name, why)
                self._uncarried.add(name)

    def _busy(self, name: str, seconds: float = 0.0) -> None:
        self._due_by[name] = asyncio.get_running_loop().time() + seconds + STEP_LIMIT

    async def run(self) -> None:
        """Until cancelled."""
        async with asyncio.TaskGroup() as group:
            for name in self._channels:
                group.create_task(self._work(name), name=f"deliver {name}")

    async def close(self) -> None:
        for channel in self._channels.values():
            await channel.close()

    async def _work(self, name: str) -> None:
        while True:
            row = await self._take(name)
            now = self._clock.now()
            if now > row.not_after:
                await self._settle(row, Outcome.EXPIRED, PLAIN.words("reach.too-late"))
                continue
            words = self._words_of_now(row)
            if words == "":
                await self._settle(row, Outcome.EXPIRED, PLAIN.words("reach.over"))
                continue
            if words is not None:
                row = replace(
                    row,
                    body=json.dumps({**json.loads(row.body), "text": self._composer.say(words)}, ensure_ascii=False),
                )
            row = await self._record(replace(row, state="sending", attempts=row.attempts + 1))
            self._busy(name, ATTEMPT_LIMIT)
            began = self._clock.now()
            try:
                async with asyncio.timeout(ATTEMPT_LIMIT):
                    await self._channels[name].send(Message(**json.loads(row.body)))
            except PermanentFailure as error:
                self._mark_down(name, str(error))
                await self._settle(row, Outcome.FAILED, str(error))
            except (TemporaryFailure, TimeoutError, OSError) as error:
                why, wanted = str(error) or PLAIN.words("reach.no-answer"), getattr(error, "retry_after", None)
                await self._try_later(row, why, wanted, self._clock.now() - began)
            except Exception as error:
                if name not in self._down:
                    log.exception("delivery channel %s broke", name)
                self._mark_down(name, repr(error))
                await self._settle(row, Outcome.FAILED, repr(error))
            else:
                # what came through a broker that comes and goes proves nothing of the next
                if name not in self._uncarried:
                    self._mark_up(name)
                await self._settle(row, Outcome.SENT, "")

    def _words_of_now(self, row: OutboxRow) -> Text | None:
        """None: those it has. Empty: there is nothing to say any more. What may have arrived before is repeated as it was, and
        a message that was never tried is sent in any case."""
        if (row.id, row.channel) in self._repeats:
            self._repeats.discard((row.id, row.channel))
            return None
        words = self._words(row.id)
        return words if row.attempts > 0 else words or None

    async def _take(self, name: str) -> OutboxRow:
        """The next row that is due. Of a backlog only the newest of each alarm stays."""
        while True:
            waiting = self._waiting[name]
            if name in self._down and len(waiting) > 1:
                await self._collapse(name)
                waiting = self._waiting[name]
            now = self._clock.now()
            due = [row for row in waiting if row.next_try <= now]
            if due:
                waiting.remove(due[0])
                return due[0]
            wait = None if not waiting else max(0.0, min(r.next_try for r in waiting) - now) / self._scale
            self._woken[name].clear()
            if wait is None:
                self._due_by[name] = None
            else:
                self._busy(name, wait)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(wait):
                    await self._woken[name].wait()

    async def _collapse(self, name: str) -> None:
        newest = {row.alarm: row for row in self._waiting[name]}
        for row in self._waiting[name]:
            if newest[row.alarm] is not row:
                await self._record(replace(row, state="collapsed", detail=PLAIN.words("reach.collapsed")))
        self._waiting[name] = list(newest.values())

    async def _try_later(self, row: OutboxRow, why: str, retry_after: float | None, took: float) -> None:
        now = self._clock.now()
        self._mark_down(row.channel, why)
        pause = retry_after if retry_after is not None else RETRY_AFTER[min(row.attempts, len(RETRY_AFTER)) - 1]
        later = await self._record(replace(row, state="waiting", next_try=now + pause, detail=why))
        self._waiting[row.channel].insert(0, later)  # still the oldest
        if now + pause + took - row.time > FALL_OVER_WITHIN - TO_TELL_ANOTHER:
            self._fall_over(row, why)

    def _fall_over(self, row: OutboxRow, why: str) -> None:
        if (row.id, row.channel) not in self._fallen:
            self._fallen.add((row.id, row.channel))
            self._post(Delivered(row.id, row.channel, Outcome.FAILED, why))

    async def _settle(self, row: OutboxRow, outcome: Outcome, detail: str) -> None:
        await self._record(replace(row, state=outcome.value, detail=detail))
        if outcome is Outcome.FAILED:
            self._fall_over(row, detail)
        else:
            self._post(Delivered(row.id, row.channel, outcome, detail))
        self._fallen.discard((row.id, row.channel))

    async def _record(self, row: OutboxRow) -> OutboxRow:
        if self._journal is not None and self._writer is not None:
            self._busy(row.channel, PATIENCE)
            self._journal.outbox.update(row)
            with contextlib.suppress(JournalUnavailable):  # the loop says so; delivery goes on from memory
                await self._writer.commit(self._clock.now())
        return row

    def _mark_down(self, name: str, why: Text) -> None:
        if name not in self._down:
            self._down.add(name)
            log.warning("delivery channel %s fails: %s", name, PLAIN.say(why))
            self._post(Health(Part.CHANNEL, name, False, why))

    def _mark_up(self, name: str) -> None:
        if name in self._down:
            self._down.discard(name)
            self._uncarried.discard(name)
            log.warning("delivery channel %s works again", name)
            self._post(Health(Part.CHANNEL, name, True))
