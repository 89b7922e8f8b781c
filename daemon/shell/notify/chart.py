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
from daemon.core.snapshot import Snapshot
from daemon.shell.notify.base import DeliveryChannel, Message, PermanentFailure
from daemon.shell.report.drawer import Drawer, NotDrawn
from daemon.shell.report.sheet import watch_sheet
from daemon.shell.view import View
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
    """Listens to the watch and keeps the newest picture."""

    def __init__(self, drawer: Drawer, now: Callable[[], float], reader: Reader) -> None:
        self._drawer, self._now, self._reader = drawer, now, reader
        self._picture: tuple[float, bytes] | None = None
        self._next = float("-inf")
        self._started = float("-inf")
        self._task: asyncio.Task[None] | None = None

    def newest(self) -> bytes | None:
        """PNG, or None when there is none fresh enough. Returns at once."""
        if self._picture is None or self._now() - self._picture[0] > FRESH:
            return None
        return self._picture[1]

    def on_events(self, events: Sequence[Event], view: View, now: float) -> None:
        """As a listener of the loop: starts a drawing when one is due, and returns at once."""
        if self._task is not None and not self._task.done():
            return
        raised = any(isinstance(e, AlarmChanged) and e.after is AlarmState.UNACKNOWLEDGED for e in events)
        if now < self._next and not (raised and now - self._started >= AT_MOST_EVERY and self._picture is not None):
            return
        seen = view.snapshot(now)
        if not any(piece.on_at is not None and piece.stage != "done" for piece in seen.pieces):
            return
        self._started, self._next = now, now + DRAWN_EVERY
        last = int(seen.time // MINUTE) - 1
        minutes = range(last - SHOWN_MINUTES + 1, last + 1)
        series = {c.id: view.minutes(c.id, minutes[0], last) for c in seen.channels}
        self._task = asyncio.create_task(self._draw(seen, minutes, series), name="picture for messages")

    async def _draw(self, view: Snapshot, minutes: range, series: dict[str, list[float]]) -> None:
        reader = replace(self._reader, wall_offset=view.wall_offset)
        try:
            png = await self._drawer.draw(watch_sheet(view, minutes, series, reader))
            if len(png) > LARGEST:
                raise NotDrawn(f"the picture has {len(png)} bytes; at most {LARGEST} may go with a message")
        except (NotDrawn, OSError) as error:
            log.warning("messages go without a picture: %s", error)
            self._next = view.time + AFTER_FAILURE
            self._picture = None
            return
        self._picture = view.time, png

    async def close(self) -> None:
        if self._task is not None:
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task


class Illustrated:
    """A delivery channel whose messages carry the newest picture, if there is one.

    The text matters more: a message that was refused with its picture is tried again without, at once when it would
    not be tried again otherwise.
    """

    def __init__(self, channel: DeliveryChannel, newest: Callable[[], bytes | None]) -> None:
        self.name, self._channel, self._newest = channel.name, channel, newest
        self._bare: set[str] = set()
        """Ids of messages that go without, since a try with it did not come back well."""

    async def send(self, message: Message) -> None:
        picture = None if message.id in self._bare else self._newest()
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
