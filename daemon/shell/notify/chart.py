"""The picture that goes with a message: pit and pieces of the last hours with the forecast, drawn ahead of any message.

No message ever waits for it. While something cooks, a new one is drawn every ten minutes, and at once when an alarm is
raised; a message takes the newest there is, and goes alone when that is old or missing.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import Callable, Sequence
from dataclasses import replace

from daemon.core.events import AlarmChanged, AlarmState, Event
from daemon.core.readings.trace import MINUTE
from daemon.core.settings import Role
from daemon.core.snapshot import PitView, Snapshot
from daemon.shell.notify.base import DeliveryChannel, Message, PermanentFailure
from daemon.shell.report.picture.drawer import Drawer, NotDrawn
from daemon.shell.report.picture.sheet import watch_sheet
from daemon.shell.view import View
from daemon.texts.composer import PLAIN
from daemon.texts.reader import Reader

log = logging.getLogger(__name__)

SHOWN_MINUTES = 6 * 60
DRAWN_EVERY = 600.0
"""s. Half a second of computing on a desktop, several on a small board."""
AT_MOST_EVERY = 60.0
"""s between two drawings, whatever is raised."""
FRESH = 1200.0
"""s after which a picture says too little of now to go with a message."""
LARGEST = 60_000
"""Bytes a message may be made heavier by: our own bound, common practice, no source."""
AFTER_FAILURE = 3600.0
"""s without another try: a library that is missing does not come by itself."""


class ChartAhead:
    """Listens to the watch and keeps the newest picture of each pit that cooks something."""

    def __init__(self, drawer: Drawer, now: Callable[[], float], reader: Reader) -> None:
        self._drawer, self._now, self._reader = drawer, now, reader
        self._pictures: dict[str, tuple[float, bytes]] = {}
        """By the pit's id."""
        self._home: dict[str, str] = {}
        """What an alarm may be about, a pit, a piece or a channel -> the id of its pit."""
        self._next = float("-inf")
        self._started = float("-inf")
        self._task: asyncio.Task[None] | None = None

    def newest(self, alarm: str = "") -> bytes | None:
        """PNG of the pit that this alarm is about, or of the first that cooks something where it is about none; None when there
        is none fresh enough. alarm: its key. Returns at once."""
        pit = self._home.get(_subject(alarm)) or next(iter(self._pictures), "")
        made, png = self._pictures.get(pit, (float("-inf"), b""))
        return png if self._now() - made <= FRESH else None

    def on_events(self, events: Sequence[Event], view: View, now: float) -> None:
        """As a listener of the loop: starts a drawing when one is due, and returns at once."""
        if self._task is not None and not self._task.done():
            return
        raised = [e.subject for e in events if isinstance(e, AlarmChanged) and e.after is AlarmState.UNACKNOWLEDGED]
        if now < self._next and not (raised and now - self._started >= AT_MOST_EVERY and self._pictures):
            return
        seen = view.snapshot(now)
        pits = seen.pits or (seen.pit,)
        self._home = home_of(seen)
        cooking = {self._home[p.id] for p in seen.pieces if p.on_at is not None and p.stage != "done"}
        if not cooking:
            return
        self._started, self._next = now, now + DRAWN_EVERY
        last = int(seen.time // MINUTE) - 1
        minutes = range(last - SHOWN_MINUTES + 1, last + 1)
        series = {c.id: view.minutes(c.id, minutes[0], last) for c in seen.channels}
        called = {self._home.get(subject) for subject in raised}
        wanted = sorted((pit for pit in pits if pit.id in cooking), key=lambda pit: pit.id not in called)
        self._pictures = {pit.id: self._pictures[pit.id] for pit in pits if pit.id in cooking & self._pictures.keys()}
        self._task = asyncio.create_task(self._draw(seen, wanted, minutes, series), name="picture for messages")

    async def _draw(
        self, view: Snapshot, pits: Sequence[PitView], minutes: range, series: dict[str, list[float]]
    ) -> None:
        """pits: the one that is called for first."""
        reader = replace(self._reader, wall_offset=view.wall_offset)
        try:
            for pit in pits:
                png = await self._drawer.draw(watch_sheet(view, minutes, series, reader, pit))
                if len(png) > LARGEST:
                    raise NotDrawn(PLAIN.words("reach.picture", bytes=len(png), most=LARGEST))
                self._pictures[pit.id] = view.time, png
        except (NotDrawn, OSError) as error:
            log.warning("messages go without a picture: %s", error)
            self._next = view.time + AFTER_FAILURE
            self._pictures = {}

    async def close(self) -> None:
        if self._task is not None:
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task


def home_of(view: Snapshot) -> dict[str, str]:
    """What an alarm may be about -> the id of its pit. A piece goes before a channel of the same name: it may have moved."""
    pits = view.pits or (view.pit,)
    probes = {c.id: c.pit or view.pit.id for c in view.channels if c.role in (Role.PIT, Role.MEAT)}
    return (
        probes | {piece.id: piece.pit or view.pit.id for piece in view.pieces} | {pit.subject: pit.id for pit in pits}
    )


def _subject(alarm: str) -> str:
    return alarm.partition("/")[2]


class Illustrated:
    """A delivery channel whose messages carry the newest picture of their pit, if there is one.

    The text matters more: a message that was refused with its picture is tried again without, at once when it would
    not be tried again otherwise.
    """

    def __init__(self, channel: DeliveryChannel, newest: Callable[[str], bytes | None]) -> None:
        self.name, self._channel, self._newest = channel.name, channel, newest
        self._bare: set[str] = set()
        """Ids of messages that go without, since a try with it did not come back well."""

    async def send(self, message: Message) -> None:
        picture = None if message.id in self._bare else self._newest(message.alarm)
        if picture is not None:
            self._bare.add(message.id)
            try:
                await self._channel.send(replace(message, attachment=picture))
            except PermanentFailure:
                await self._channel.send(message)
        else:
            await self._channel.send(message)
        self._bare.discard(message.id)

    async def close(self) -> None:
        await self._channel.close()
