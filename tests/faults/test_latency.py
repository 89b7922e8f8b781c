"""From the end of an alarm's on-delay to the request at a web hook's receiver.

Waiting is virtual, work is real: the clock jumps to the next reading or deadline, and what the loop, the journal on this
disk, the outbox and HTTP take from there is measured and added. The oracle knows when the pit crossed the limit; the
beat of 5 s on which conditions are judged is part of what is measured.
"""

from __future__ import annotations

import asyncio
import random
import time
from collections.abc import Sequence
from pathlib import Path

from config.loader import load_both
from daemon.core.alarms.rules import rule_by_id
from daemon.core.annunciation import annunciator as annunciation
from daemon.core.engine import Engine
from daemon.core.events import Event, Notification
from daemon.core.inputs import Readings, Resumed
from daemon.core.orders import Acknowledge, Mark, MarkKind
from daemon.shell.clock import ManualClock
from daemon.shell.journal.journal import Journal, OutboxRow
from daemon.shell.loop import WatchLoop
from daemon.shell.notify.outbox import Outbox
from daemon.shell.notify.webhook import Webhook
from daemon.shell.view import View
from daemon.wiring.settings_from_files import watch_settings
from drivers.reading import Reading, on_grid
from tests.faults.row import Fault, Row, bar_here, cases, check
from tests.faults.test_clock import NIGHT, catch_up
from tests.faults.test_disk import patched
from tests.faults.test_provider import REACH, Provider, running
from tests.patience import PATIENCE
from tests.system.scripted_board import write_files

BAR = 5.0
"""s, 99th percentile, from detection to the provider."""
JOIN_BAR = 30.0
"""s by which a second message of one call may wait: the sleeper has just been called; our choice, no source."""
HIGH, RUNAWAY = 135.0 + rule_by_id("pit-high").margin, 135.0 + rule_by_id("runaway").margin
"""°C at which the two alarms of the scripted rig's band begin."""
CYCLE, RAMP_AT, ANSWER_AT = 1800.0, 300.0, 640.0
"""s in a cycle: its length, the beginning of the rise, the answer; then the pit sinks slowly. Long enough that no call falls
within ten minutes of the one before, where it would wait for them by design."""
READ_EVERY = 2.0
"""s between readings while anything happens."""
LOG_EVERY = 600.0
"""s between the logs of a cook who tends the fire."""


def pit_at(second: float, second_rise: float | None) -> float:
    """°C: 121, then 0.5 °C/s up to 150; on `second_rise` 1 °C/s up to 180; from ANSWER_AT on slowly down."""
    hot = min(150.0, 121.0 + 0.5 * max(0.0, second - RAMP_AT))
    if second_rise is not None:
        hot += min(30.0, max(0.0, second - second_rise))
    return max(121.0, hot - 0.12 * max(0.0, second - ANSWER_AT))


class Chain:
    """Engine, loop, journal, outbox and web hook on a clock moved by hand. told: (alarm, s late) as requests arrive. worked: s
    of work before each request, without the beat."""

    def __init__(self, home: Path, provider: Provider, night: bool) -> None:
        home.mkdir(parents=True, exist_ok=True)
        self.clock = ManualClock(NIGHT)
        self.engine = Engine(watch_settings(*load_both(*write_files(home, "/dev/none", None, night=night, more=REACH))))
        self.journal = Journal(home / "j.sqlite")
        self.loop = WatchLoop(self.engine, self.clock, self.journal, time_scale=1e9)
        self.outbox = Outbox(
            {"hook": Webhook("hook", provider.url), "siren": Webhook("siren", provider.url)},
            dict(self.engine.settings.announcing.audiences), self.journal, self.clock, self.loop.post, "The pit",
        )  # fmt: skip
        self.loop.outbox = self.outbox
        self.loop.listeners.append(self._hear)
        self.provider = provider
        self.due: dict[str, float] = {}
        self.told: list[tuple[str, float]] = []
        self.worked: list[float] = []
        self._notes: list[Notification] = []

    def _hear(self, events: Sequence[Event], view: View, now: float) -> None:
        self._notes += [e for e in events if isinstance(e, Notification) and e.level.value != "log"]

    async def to(self, now: float, item: Readings | Acknowledge | Mark | None) -> None:
        """The clock jumps to `now`; what is due is done; a request that follows is waited for and timed."""
        self.clock.time = now
        begin, before = time.monotonic(), len(self.provider.asked_at)
        if item is not None:
            self.loop.post(item)
        await catch_up(self.loop)
        notes, self._notes = self._notes, []
        for note in notes:
            async with asyncio.timeout(PATIENCE):
                while len(self.provider.asked_at) == before:
                    await asyncio.sleep(0.0005)
            self.worked.append(self.provider.asked_at[before] - begin)
            for alarm in (note.alarm, *note.merged):
                if (due := self.due.pop(alarm, None)) is not None:
                    self.told.append((alarm, now - due + self.provider.asked_at[before] - begin))
        for _ in range(3):
            await asyncio.sleep(0)

    async def cycle(self, chance: random.Random, second_alarm: bool) -> None:
        begin = self.clock.time + chance.uniform(0.0, 5.0)
        rise = 415.0 + chance.uniform(0.0, 40.0) if second_alarm else None
        second = 0.0
        while second < CYCLE:
            pit = pit_at(second, rise)
            now = begin + second
            while (deadline := self.engine.next_deadline()) is not None and deadline < now:
                await self.to(deadline, None)
            for alarm, limit in (("pit-high/pit", HIGH), ("runaway/pit", RUNAWAY)):
                previous = pit_at(second - READ_EVERY, rise)
                if previous <= limit < pit:
                    self.due[alarm] = now + rule_by_id(alarm.partition("/")[0]).on_delay
            shown = {"pit-left": pit, "pit-right": pit, "chuck": 40.0, "lamb": 41.0}
            await self.to(
                now, Readings(tuple(Reading(c, on_grid(v + 0.0625 * (int(second) % 2)), now) for c, v in shown.items()))
            )
            if second % LOG_EVERY == 0:  # a fire that is tended calls nobody: only what is timed here does
                await self.to(now, Mark(MarkKind.LOG))
            if second == ANSWER_AT:
                await self.to(now, Acknowledge("*", by="cook"))
            second += READ_EVERY if RAMP_AT <= second < ANSWER_AT else 10.0


async def late_by(home: Path, cycles: int, night: bool, second_alarm: bool) -> dict[str, list[float]]:
    """s late by alarm, over so many cycles."""
    async with Provider("good") as provider:
        chain = Chain(home, provider, night)
        await chain.loop.settle(Resumed(), chain.engine.handle(Resumed(), NIGHT), NIGHT)
        worker = asyncio.create_task(chain.outbox.run())
        chance = random.Random(17)
        try:
            await chain.cycle(chance, second_alarm)  # the first one finds the meat just on and a fire just lit
            chain.told, chain.due = [], {}
            for _ in range(cycles):
                await chain.cycle(chance, second_alarm)
        finally:
            worker.cancel()
            await asyncio.gather(worker, return_exceptions=True)
            await chain.outbox.close()
            chain.journal.close()
    found: dict[str, list[float]] = {}
    for alarm, late in chain.told:
        found.setdefault(alarm, []).append(late)
    return found


def percentile(values: Sequence[float], share: float) -> float:
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))] if ordered else float("inf")


class WaitsForTheNextLook(Outbox):
    """The wrong build: looks for what is new every 6 s instead of being woken."""

    def committed(self, rows: list[OutboxRow]) -> None:
        asyncio.get_running_loop().call_later(6.0, super().committed, rows)


async def detection(home: Path, full: bool) -> Row:
    wakes = (await late_by(home / "night", 200 if full else 4, True, False)).get("pit-high/pit", [])
    notices = (await late_by(home / "day", 40 if full else 2, False, False)).get("pit-high/pit", [])
    real, wrong = await asyncio.gather(real_wait(home / "real", Outbox), real_wait(home / "wrong", WaitsForTheNextLook))
    p99 = max(percentile(wakes, 0.99), percentile(notices, 0.99))
    enough = len(wakes) >= (200 if full else 4) and len(notices) >= (40 if full else 2)
    return Row(
        "detection to provider", f"{len(wakes)} first wakes, {len(notices)} notices: end of on-delay to request, p50 and p99",
        f"{percentile([*wakes, *notices], 0.5):.2f} s; {p99:.2f} s (of it the beat up to 5 s; work {real * 1000:.0f} ms)",
        f"<= {BAR:.0f} s", enough and p99 <= bar_here(BAR, full), f"looks for messages every 6 s ({wrong:.1f} s)", wrong > BAR,
    )  # fmt: skip


async def real_wait(home: Path, outbox_class: type[Outbox]) -> float:
    """Real s from the alarm to the request, nothing virtual about it."""
    from daemon.shell.clock import SystemClock
    from tests.faults.test_provider import nearly_alarmed

    async with Provider("good") as provider:
        clock = SystemClock()
        engine = nearly_alarmed(home, clock.now(), 1.0)
        journal = Journal(home / "j.sqlite")
        loop = WatchLoop(engine, clock, journal)
        outbox = outbox_class(
            {"hook": Webhook("hook", provider.url)},
            dict(engine.settings.announcing.audiences),
            journal,
            clock,
            loop.post,
            "The pit",
        )
        loop.outbox = outbox
        told: list[float] = []

        def hear(events: Sequence[Event], view: View, now: float) -> None:
            told.extend(e.time for e in events if isinstance(e, Notification) and e.alarm == "pit-high/pit")

        loop.listeners.append(hear)
        async with running(loop, outbox):
            async with asyncio.timeout(PATIENCE):
                while not provider.asked_at:
                    await asyncio.sleep(0.005)
            arrived = clock.now() - (time.monotonic() - provider.asked_at[0])
        journal.close()
        return arrived - told[0]


async def joining(home: Path, full: bool) -> Row:
    """A second alarm within the same call: it is told with the next message, at most 30 s after the last one."""
    cycles = 30 if full else 3
    found = await late_by(home / "right", cycles, True, True)
    with patched(annunciation, "JOIN_GAP", 120.0):
        wrong = await late_by(home / "wrong", 3, True, True)
    second = [max(a, b) for a, b in zip(found["pit-high/pit"], found["runaway/pit"], strict=False)]
    slow = [late for values in wrong.values() for late in values]
    return Row(
        "detection to provider, joining a call that is open", f"{len(second)} alarms that joined a wake, p50 and longest",
        f"{percentile(second, 0.5):.1f} s; {max(second):.1f} s", f"<= {JOIN_BAR:.0f} s and the beat, by design",
        len(second) >= cycles - 1 and max(second) <= JOIN_BAR + BAR,
        f"a gap of 120 s ({max(slow):.0f} s)", max(slow) > JOIN_BAR + BAR,
    )  # fmt: skip


FAULTS: tuple[Fault, ...] = (detection, joining)


@cases(FAULTS, slow=(joining,))
async def test_fault(fault: Fault, full: bool, tmp_path: Path) -> None:
    await check(fault, full, tmp_path)
