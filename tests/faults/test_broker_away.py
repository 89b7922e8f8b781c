"""A broker that is away for eight hours of a night in virtual time: what waits, what is dropped, what comes after."""

from __future__ import annotations

import asyncio
import contextlib
import json
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from config.loader import load_both
from daemon.core.engine import Engine
from daemon.core.events import AlarmChanged, Event
from daemon.core.inputs import Resumed
from daemon.shell.clock import ManualClock
from daemon.shell.hub import link as broker
from daemon.shell.hub.feed import SILENT_STATES, HubFeed
from daemon.shell.journal.journal import OutboxRow
from daemon.shell.loop import WatchLoop
from daemon.shell.notify.mqtt_topic import MqttTopic
from daemon.shell.notify.outbox import Outbox
from daemon.shell.view import View
from daemon.wiring.settings_from_files import watch_settings
from tests.faults.row import Fault, Row, cases, check
from tests.faults.test_clock import NIGHT, catch_up, read
from tests.faults.test_disk import patched
from tests.patience import PATIENCE
from tests.ports import free_port
from tests.system.hub.mqtt_watch import ALARMS, Catcher, at
from tests.system.scripted_board import write_files

HOURS, FEWER_HOURS, STEP = 8, 2, 5
"""h without a broker, in the table and in a quick test; s of virtual time a step."""
CYCLE = 2400
"""s: twenty minutes in the band, twenty too hot; it is too hot when the broker comes back."""
DONE_BAR = 60.0
"""s after the broker's return until everything worth sending has been sent."""


class Noted(Outbox):
    """Remembers how far each message came, and how many waited at most."""

    def __init__(self, *arguments: object, **named: object) -> None:
        super().__init__(*arguments, **named)  # type: ignore[arg-type]
        self.states: dict[str, str] = {}
        self.most = 0

    def committed(self, rows: list[OutboxRow]) -> None:
        for row in rows:
            self.states[row.id] = row.state
        super().committed(rows)
        self.most = max(self.most, sum(len(waiting) for waiting in self._waiting.values()))

    async def _record(self, row: OutboxRow) -> OutboxRow:
        self.states[row.id] = row.state
        return await super()._record(row)


class KeepsAll(Noted):
    """The wrong build: every message is worth sending for ever."""

    def committed(self, rows: list[OutboxRow]) -> None:
        super().committed([replace(row, not_after=1e12) for row in rows])

    async def _collapse(self, name: str) -> None:
        return


@dataclass
class Night:
    changes: int
    changes_told: int
    states: Counter[str]
    most: int
    told: int
    standing: int
    seconds: float

    @property
    def good(self) -> bool:
        unsettled = self.states["waiting"] + self.states["sending"]
        return (
            self.changes == self.changes_told > 8
            and not unsettled
            and 1 <= self.told <= self.standing
            and self.seconds <= DONE_BAR
        )


async def what_is_on_the_wire(feed: HubFeed, outbox: Noted) -> None:
    """Sockets take real time, however fast the night goes by: it waits for them."""
    begin = time.monotonic()
    while (feed.link.waiting or "sending" in outbox.states.values()) and time.monotonic() - begin < PATIENCE:
        await asyncio.sleep(0.005)
    await asyncio.sleep(0.02)


async def night_without_broker(home: Path, outbox_class: type[Noted], hours: int) -> Night:
    home.mkdir(parents=True, exist_ok=True)
    port = free_port()
    files = write_files(home, "/dev/none", port, night=True)
    rig, cook = load_both(*files)
    clock = ManualClock(NIGHT)
    engine = Engine(watch_settings(rig, cook))
    loop = WatchLoop(engine, clock, None, time_scale=1e9)
    feed = HubFeed(rig, at(port), loop.post, set(), lambda topics: None, lambda: 0.0)
    outbox = outbox_class(
        {"bedroom": MqttTopic("bedroom", feed.link, "pit")}, dict(engine.settings.announcing.audiences), None, clock,
        loop.post, "The pit", time_scale=1e6,
    )  # fmt: skip
    loop.outbox = outbox
    changes: list[Event] = []

    def hear(events: Sequence[Event], view: View, now: float) -> None:
        changes.extend(
            e for e in events
            if isinstance(e, AlarmChanged) and not (e.before in SILENT_STATES and e.after in SILENT_STATES)
        )  # fmt: skip

    loop.listeners += [feed.on_events, hear]
    feed.start()
    delivering = asyncio.create_task(outbox.run())
    catcher = Catcher()
    try:
        await loop.settle(Resumed(), engine.handle(Resumed(), NIGHT), NIGHT)

        async def one_step(seconds: int, pause: float) -> None:
            clock.time += seconds
            gone = int(clock.time - NIGHT)
            if gone % 20 < seconds:
                hot = gone % CYCLE >= CYCLE / 2 or gone >= hours * 3600 - CYCLE / 2
                loop.post(read(150.0 if hot else 121.0, loop.stamp()))
            await catch_up(loop)
            for _ in range(6):  # the workers' turns
                await asyncio.sleep(0)
            await asyncio.sleep(pause)

        for _ in range(hours * 3600 // STEP):
            await one_step(STEP, 0.0)
        assert await catcher.start(port) == port
        begin, back = time.monotonic(), clock.time
        while not feed.link.connected and time.monotonic() - begin < PATIENCE:
            await asyncio.sleep(0.01)
        topic = "pitvigil/pit/announce/bedroom"
        while clock.time - back < DONE_BAR + 1:
            await one_step(1, 0.0)
            await what_is_on_the_wire(feed, outbox)
            settled = not any(outbox._waiting.values()) and "sending" not in outbox.states.values()
            if catcher.of(topic) and settled and not feed.link.waiting:
                break
        seconds = clock.time - back
        told = [json.loads(payload) for payload in catcher.of(topic)]
        standing = sum(v.state.value == "unacknowledged" for v in engine.alarms.views())
        return Night(
            len(changes),
            len(catcher.of(ALARMS)),
            Counter(outbox.states.values()),
            outbox.most,
            len(told),
            standing,
            seconds,
        )
    finally:
        delivering.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await delivering
        await feed.stop()
        await catcher.stop()


async def eight_hours(home: Path, full: bool) -> Row:
    hours = HOURS if full else FEWER_HOURS
    with patched(broker, "FIRST_PAUSE", 0.05), patched(broker, "LONGEST_PAUSE", 0.2):
        night = await night_without_broker(home / "right", Noted, hours)
        wrong = await night_without_broker(home / "wrong", KeepsAll, hours)
    settled = ", ".join(f"{n} {state}" for state, n in sorted(night.states.items()))
    return Row(
        f"broker away for {hours} h (virtual time)",
        f"{sum(night.states.values())} messages: what became of them; most waiting; {night.changes} alarm changes: told late",
        f"{settled}; {night.most}; {night.changes_told}, all within {night.seconds:.0f} s",
        f"the current ones sent ({night.standing}), the rest expired or collapsed; all; <= {DONE_BAR:.0f} s", night.good,
        f"everything is kept and sent ({wrong.told} messages at once)", not wrong.good,
    )  # fmt: skip


FAULTS: tuple[Fault, ...] = (eight_hours,)


@cases(FAULTS)
async def test_fault(fault: Fault, full: bool, tmp_path: Path) -> None:
    await check(fault, full, tmp_path)
