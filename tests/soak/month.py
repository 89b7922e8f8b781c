"""A month of the watch on a virtual clock: real loop, engine, journal and outbox; what lies at the far ends is played.

    python -m tests.soak.month [--days 30] [--state DIRECTORY]

Each day the fire is lit at 18:00, a chuck roll and a lamb shoulder go on, the pit sinks at three and is fed late, and all
is served next day at half past twelve. People are told by two channels, of which one is away for eight hours on the
third day and refuses now and then. The journal is tidied once a day, as the watch does it. Once a virtual day, at
the same hour, memory, files, threads, tasks and the size on disk are read from the running process.
"""

from __future__ import annotations

import argparse
import asyncio
import gc
import json
import logging
import resource
import sys
import tempfile
import threading
from collections.abc import AsyncIterator, Iterator
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from math import exp, pi, sin
from pathlib import Path
from time import perf_counter
from typing import Final

from config.cook import Cook
from config.loader import load_both
from config.rig import Rig
from daemon.core.engine import Engine
from daemon.core.forecast.outlooks import forecast
from daemon.core.forecast_request import ForecastRequest
from daemon.core.inputs import ForecastArrived, Input, Readings
from daemon.core.orders import Acknowledge, EndCook, GoodMorning, GoToSleep, Mark, MarkKind, StartCook
from daemon.shell.clock import ManualClock
from daemon.shell.journal.journal import Journal
from daemon.shell.library.archive import CookArchive
from daemon.shell.library.compaction import compact
from daemon.shell.loop import WatchLoop
from daemon.shell.notify.base import Message, PermanentFailure, TemporaryFailure
from daemon.shell.notify.outbox import Outbox
from daemon.wiring.settings_from_files import cook_settings, watch_settings
from drivers.reading import Quality, Reading, on_grid

DAY: Final = 86400.0
HOUR: Final = 3600.0
START: Final = 1_795_824_000.0 + 12 * HOUR
"""2026-11-28, 12:00 UTC"""
TIME_SCALE: Final = 5000.0
"""virtual s to a real one for waits that nothing cuts short: about what the loop reaches"""
REAL_FORECAST_EVERY: Final = 40
"""one forecast in so many is computed, the others repeat it: a month of them would take hours and keep nothing more"""
RIG: Final = """
[pit]
band = { low = 107, high = 135 }
[[devices]]
kind = "serial-line"
id = "board"
port = "/dev/null"
line = { kind = "csv" }
[[delivery]]
kind = "command"
name = "phone"
command = ["true"]
audience = ["phone", "louder", "notice"]
[[delivery]]
kind = "command"
name = "bell"
command = ["true"]
audience = ["sounder"]
[page]
port = 0
[[channels]]
id = "grate"
role = "pit"
device = "board"
source = "1"
[[channels]]
id = "chuck"
role = "meat"
device = "board"
source = "2"
[[channels]]
id = "lamb"
role = "meat"
device = "board"
source = "3"
[[channels]]
id = "outside"
role = "ambient"
device = "board"
source = "4"
"""
COOK: Final = """
id = "village-hall"
name = "Village-hall lunch"
[[pieces]]
name = "Chuck roll"
id = "chuck"
cut = "beef-chuck-roll"
channel = "chuck"
weight = 7.0
[[pieces]]
name = "Lamb shoulder"
id = "lamb"
cut = "lamb-shoulder"
channel = "lamb"
weight = 2.4
"""
CHANNELS: Final = ("grate", "chuck", "lamb", "outside")
LIT, ON, ASLEEP, SINKS, FED, MORNING, OFF, SERVED = (HOUR * h for h in (6, 7.5, 11, 15, 15.8, 18.5, 22, 24.5))
"""s after noon of the day the fire is lit; what is beyond a day belongs to the next noon"""


# --- what is played ------------------------------------------------------------------------------------------


def pit(at: float) -> float:
    """°C at `at` s after noon: a fire that is lit, breathes with its logs, sinks once and goes out."""
    if at < LIT:
        return 12.0 + 108.0 * exp(-at / (1.5 * HOUR))
    hot = 121.0 + 6.0 * sin(2 * pi * at / (50 * 60)) + 1.2 * sin(at * 1.7)
    if SINKS < at < FED + HOUR:
        hot -= 32.0 * min(1.0, (at - SINKS) / (40 * 60)) * (1.0 if at < FED else max(0.0, 1 - (at - FED) / (30 * 60)))
    return 12.0 + (hot - 12.0) * (1 - exp(-(at - LIT) / (20 * 60)))


def core(at: float, hours: float) -> float:
    """°C in the meat: 5 before it is on, towards 96 with this time constant."""
    return 5.0 if at < ON else 96.0 - 91.0 * exp(-(at - ON) / (hours * HOUR))


def readings(now: float) -> Readings:
    at = (now - START) % DAY
    values = (pit(at), core(at, 5.0), core(at, 3.0), 9.0 + 4.0 * sin(2 * pi * at / DAY))
    return Readings(
        tuple(
            Reading(channel, on_grid(value), now, None, Quality.GOOD, None)
            for channel, value in zip(CHANNELS, values, strict=True)
        )
    )


def deeds(rig: Rig, cook: Cook, minute: float) -> Iterator[Input]:
    """What hands do in the minute that begins at `minute` s after START."""
    day, at = divmod(minute, DAY)

    def now(moment: float) -> bool:
        return moment <= at < moment + 60.0

    if now(SERVED - DAY) and day > 0:
        yield Mark(MarkKind.SERVE)
        yield EndCook(by="cook")
    if now(LIT - 600):
        tonight = cook.model_copy(update={"id": f"village-hall-{day:.0f}"})
        yield StartCook(cook_settings(tonight, rig, 0.0), by="cook")
    if now(LIT):
        yield Mark(MarkKind.FIRE_LIT)
    if now(ON):
        yield Mark(MarkKind.MEAT_ON)
    if now(ASLEEP):
        yield GoToSleep(by="cook")
    if now(FED):
        yield Acknowledge("*", by="cook")
        yield Mark(MarkKind.LOG)
    if now(MORNING):
        yield GoodMorning(by="cook")
    if now(OFF):
        yield Mark(MarkKind.OFF)


class FarEnd:
    """A receiver of messages. It refuses now and then, and is away for eight hours on the third day."""

    def __init__(self, name: str, clock: ManualClock) -> None:
        self.name, self._clock, self.sent, self.refused = name, clock, 0, 0

    async def send(self, message: Message) -> None:
        since = self._clock.now() - START
        if self.name == "phone" and 2 * DAY + 12 * HOUR < since < 2 * DAY + 20 * HOUR:
            self.refused += 1
            raise TemporaryFailure("no route to the provider")
        if (self.sent + self.refused) % 11 == 7:
            self.refused += 1
            raise PermanentFailure("refused") if self.refused % 5 == 0 else TemporaryFailure("busy", retry_after=30.0)
        self.sent += 1

    async def close(self) -> None:
        pass


class FewForecasts:
    """Computes one forecast in REAL_FORECAST_EVERY for each piece and repeats it between."""

    def __init__(self) -> None:
        self.asked = self.computed = 0
        self._newest: dict[str, ForecastArrived] = {}

    def __call__(self, request: ForecastRequest) -> ForecastArrived:
        self.asked += 1
        if request.piece.id not in self._newest or self.asked % REAL_FORECAST_EVERY == 0:
            self.computed += 1
            self._newest[request.piece.id] = forecast(request)
            return self._newest[request.piece.id]
        return replace(self._newest[request.piece.id], asked_at=request.asked_at)


# --- what is measured ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Look:
    """The process at one moment. memory: MB of its own (anonymous) pages; disk: MB of the state directory."""

    days: float
    readings: int
    memory: float
    files: int
    threads: int
    tasks: int
    disk: float
    written: float
    cpu: float
    sent: int
    events: int


def own_memory() -> float:
    """MB of anonymous pages: what grows when something leaks; the libraries' pages come and go with the machine."""
    rows = dict(line.split(":", 1) for line in Path("/proc/self/smaps_rollup").read_text().splitlines()[1:])
    return int(rows["Anonymous"].split()[0]) * 1024 / 1e6


def bytes_written() -> float:
    """MB that this process has sent to a disk, as the kernel counts them."""
    rows = dict(line.split(": ") for line in Path("/proc/self/io").read_text().splitlines())
    return int(rows["write_bytes"]) / 1e6


def slope(looks: list[Look]) -> float:
    """MB of memory a 10 days, by least squares."""
    mean_x = sum(look.days for look in looks) / len(looks)
    mean_y = sum(look.memory for look in looks) / len(looks)
    spread = sum((look.days - mean_x) ** 2 for look in looks)
    return 10 * sum((look.days - mean_x) * (look.memory - mean_y) for look in looks) / spread


class Month:
    """One watch on a virtual clock. `looks` runs it."""

    def __init__(self, state: Path) -> None:
        self.state, self.clock = state, ManualClock(START)
        (state / "rig.toml").write_text(RIG)
        (state / "cook.toml").write_text(COOK)
        self.rig, cook = load_both(state / "rig.toml", state / "cook.toml")
        assert cook is not None
        self.cook = cook
        self.journal = Journal(state / "journal.sqlite")
        self.forecaster = FewForecasts()
        self.loop = WatchLoop(
            Engine(watch_settings(self.rig, None)), self.clock, self.journal, forecaster=self.forecaster,
            time_scale=TIME_SCALE,
        )  # fmt: skip
        self.ends = {name: FarEnd(name, self.clock) for name in ("phone", "bell")}
        self.outbox = Outbox(
            self.ends, dict(self.loop.engine.settings.announcing.audiences), self.journal, self.clock, self.loop.post,
            "Pit", time_scale=TIME_SCALE,
        )  # fmt: skip
        self.loop.outbox = self.outbox
        self.archive = CookArchive(self.journal)
        self.readings = 0

    async def looks(self, days: float, every: float = DAY) -> AsyncIterator[Look]:
        """Runs the watch for so many virtual days and looks every so many s."""
        tasks = [asyncio.create_task(self.loop.run()), asyncio.create_task(self.outbox.run())]
        try:
            for minute in range(round(days * DAY / 60)):
                await self._minute(minute * 60.0)
                if (minute + 1) * 60 % every == 0:
                    yield self._look()
                for task in tasks:
                    if task.done():
                        task.result()
                        raise RuntimeError("the watch ended by itself")
        finally:
            for task in tasks:
                task.cancel()
                with suppress(asyncio.CancelledError):
                    await task
            await self.outbox.close()
            self.journal.close()

    async def _minute(self, since: float) -> None:
        for deed in deeds(self.rig, self.cook, since):
            self.loop.post(deed)
        for _ in range(60):
            self.clock.time += 1.0
            self.loop.post(readings(self.clock.time))
            self.readings += len(CHANNELS)
        while self.loop.judged_at < self.clock.time - 5.0:
            await asyncio.sleep(0)
        if since % HOUR == 0:
            await asyncio.to_thread(self.archive.tend, self.loop.engine.settings, 0.0)
            await asyncio.to_thread(self.archive.finished)
        if since % DAY == 13 * HOUR:
            self.journal.outbox.tidy()
            await asyncio.to_thread(compact, self.journal.path)

    def _look(self) -> Look:
        gc.collect()
        usage = resource.getrusage(resource.RUSAGE_SELF)
        return Look(
            days=(self.clock.time - START) / DAY,
            readings=self.readings,
            memory=own_memory(),
            files=len(list(Path("/proc/self/fd").iterdir())),
            threads=threading.active_count(),
            tasks=len(asyncio.all_tasks()),
            disk=sum(file.stat().st_size for file in self.state.iterdir() if file.name != "reserve") / 1e6,
            written=bytes_written(),
            cpu=usage.ru_utime + usage.ru_stime,
            sent=sum(end.sent for end in self.ends.values()),
            events=self.journal.last_event,
        )


async def tell(days: float, state: Path, every: float) -> None:
    month, began = Month(state), perf_counter()
    async for look in month.looks(days, every):
        print(json.dumps({name: round(value, 3) for name, value in asdict(look).items()}), flush=True)
    asked, computed = month.forecaster.asked, month.forecaster.computed
    print(f"{perf_counter() - began:.0f} s; forecasts asked for {asked}, computed {computed}", file=sys.stderr)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=float, default=30.0)
    parser.add_argument("--every", type=float, default=DAY, help="s between looks")
    parser.add_argument("--state", type=Path, help="an empty directory on the disk to be measured")
    options = parser.parse_args()
    logging.disable(logging.WARNING)  # the far end's refusals are part of the play
    with tempfile.TemporaryDirectory() as made:
        asyncio.run(tell(options.days, options.state or Path(made), options.every))


if __name__ == "__main__":
    main()
