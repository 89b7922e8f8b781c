"""Our own scenario as the journal keeps it: a chuck roll and a lamb shoulder, twice, through the real loop on a virtual clock.

    journal = make_journal(tmp_path)          # state directory with journal.sqlite; two finished cooks in it
    CookRecords(journal).rows("", 10)

It takes some seconds once a run; later calls, of whichever worker, copy the files.
"""

from __future__ import annotations

import asyncio
import shutil
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

from config.loader import load_both
from daemon.commands.demo.files import CHANNEL, CHANNELS, COOK, RIG, START
from daemon.commands.demo.virtual_cook import HOUR, VirtualCook
from daemon.core.annunciation.annunciator import TEST_WAKE
from daemon.core.engine import Engine
from daemon.core.events import ForecastWanted, Level, Notification
from daemon.core.forecast.outlooks import Forecaster
from daemon.core.inputs import Input, Readings, Resumed
from daemon.core.orders import AskWrap, EndCook, JudgeWake, SetBand, StartCook
from daemon.core.settings import Band, WatchSettings
from daemon.shell.clock import ManualClock
from daemon.shell.journal.journal import Journal, Start
from daemon.shell.library.archive import CookArchive
from daemon.shell.loop import WatchLoop
from daemon.shell.view import View
from daemon.wiring.settings_from_files import cook_settings, watch_settings
from drivers.reading import Reading, on_grid
from drivers.simulated.cook import SimulatedCook
from drivers.simulated.scenarios import demo_scenario
from tests.run_files import made_once

READ_EVERY = 30.0
"""s between lines of the simulated board."""
FORECAST_EVERY = 1800.0
"""s between forecasts really computed for a piece."""
WEEK = 7 * 86400.0
LATER_NAME = "Choir supper"
FIRST, SECOND = "2026-11-27-village-hall", "2026-12-04-choir"
"""Ids of the two cooks."""
SHORT = 2.5
"""h of cooks that need not come to an end: a fire, a piece that cooks, a band set and a wrap asked for. One length for every test
that wants no more, so that they are made once."""
LATER_HOURS = 10.6
"""h of the second cook at most: until it is called for wood once. The meat comes to its end in the first."""
ASKED_WRAP = 60.0
"""°C: the cook's "if wrapped at" in the first."""


def write_files(home: Path) -> tuple[Path, Path]:
    """Rig and cook file of the scenario."""
    channels = "".join(
        CHANNEL.format(id=i, name=n, role=r, place=f'place = "{p}"' if p else "") for i, n, r, p in CHANNELS
    )
    rig, cook = home / "rig.toml", home / "cook.toml"
    rig.write_text(RIG.format(port="/dev/null", channels=channels, broker="", more=', "phone", "louder", "notice"'))
    cook.write_text(COOK)
    return rig, cook


def board_says(simulated: SimulatedCook, now: float) -> tuple[Reading, ...]:
    """One line of the simulated board."""
    return tuple(
        Reading(m.source, None if m.celsius is None else on_grid(m.celsius), now, m.fault, m.quality, m.cold_junction)
        for m in simulated.measure()
    )


class InThread:
    """Commits where it is called: a virtual night has nobody to keep waiting."""

    def __init__(self, journal: Journal) -> None:
        self.journal = journal

    async def commit(self, now: float, patience: float = 0.0) -> None:
        self.journal.commit(now)


class RecordedNight:
    """A simulated night into a journal, as fast as it can be judged. `start`: engine time = UTC of its first second."""

    def __init__(
        self,
        journal: Journal,
        settings: WatchSettings,
        start: float,
        read_every: float = READ_EVERY,
        forecast_every: float = FORECAST_EVERY,
        say: Callable[[SimulatedCook, float], tuple[Reading, ...]] | None = None,
    ) -> None:
        """say: what the probes say now, where they shall not say what the simulated board does."""
        self.clock, self.journal = ManualClock(start), journal
        self.read_every, self.forecast_every, self.say = read_every, forecast_every, say or board_says
        self.engine = Engine(settings)
        self.loop = WatchLoop(self.engine, self.clock, journal, time_scale=1e9)
        self.loop.writer = InThread(journal)  # type: ignore[assignment]
        self.archive = CookArchive(journal)
        self.woke: list[str] = []
        """Ids of what woke the cook."""
        self._forecast_at: dict[str, float] = {}
        self._forecaster = Forecaster()
        self.late: Callable[[], float] = lambda: 0.0
        """s by which the next line comes late."""

    async def begin(self, rig: str, cook: str | None) -> None:
        now = self.loop.stamp()
        self.journal.take_start(Start(self.journal.last_input + 1, now, "boot", 0.0, rig, cook))
        await self.put(Resumed())
        self.tend()

    def tend(self) -> None:
        """What the application does every half minute."""
        self.archive.tend(self.engine.settings, self.engine.wall.offset)
        self.journal.commit(self.loop.stamp())

    async def put(self, item: Input) -> None:
        now = self.loop.stamp()
        await self.loop.drive(now, item)
        await self.loop._housekeeping(now)

    async def night(
        self, seed: int, hours: float, more: Callable[[float], Iterator[Input]] = lambda now: iter(())
    ) -> None:
        """Pit, meat and hands for so many hours. more: further inputs at s since the start."""
        simulated, start = SimulatedCook(demo_scenario(), seed), self.clock.time
        posted: list[Input] = []
        hands = VirtualCook(simulated, posted.append, lambda text: None)
        wanted: list[ForecastWanted] = []

        def listen(events: Any, view: View, now: float) -> None:
            for event in events:
                if isinstance(event, Notification):
                    hands.hear(event, now - start)
                    if event.level is Level.WAKE and event.alarm != TEST_WAKE:
                        self.woke.append(event.id)
                elif isinstance(event, ForecastWanted):
                    wanted.append(event)

        self.loop.listeners.append(listen)
        while simulated.now < hours * HOUR:
            simulated.advance(self.read_every)
            self.clock.time = start + simulated.now + self.late()
            now = self.loop.stamp()
            hands.step(simulated.now)
            for item in (*more(simulated.now), *posted, Readings(self.say(simulated, now))):
                await self.put(item)
            posted.clear()
            for event in wanted:
                if now - self._forecast_at.get(event.request.piece.id, -1e9) >= self.forecast_every:
                    self._forecast_at[event.request.piece.id] = now
                    await self.put(self._forecaster(event.request))
            wanted.clear()
        self.loop.listeners.remove(listen)


async def record(home: Path, hours: float) -> None:
    rig_file, cook_file = write_files(home)
    rig, cook = load_both(rig_file, cook_file)
    assert cook is not None
    with closing(Journal(home / "journal.sqlite")) as journal:
        journal.disk.db.execute("PRAGMA synchronous=OFF")  # nothing here must outlive a power cut
        watch = RecordedNight(journal, watch_settings(rig, cook), START)
        await watch.begin(rig_file.read_text(), cook_file.read_text())
        ordered: dict[float, Input] = {
            HOUR: SetBand(Band(105, 135), "cook"),
            2 * HOUR: AskWrap("chuck", ASKED_WRAP, "cook"),
        }
        await watch.night(1, hours, lambda now: iter([ordered[now]] if now in ordered else []))
        await watch.put(EndCook("cook"))
        for number, wake in enumerate(watch.woke):
            await watch.put(JudgeWake(wake, number > 0, "cook"))  # the first, the cook says, was not needed
        watch.clock.time = START + WEEK
        await watch.put(Resumed())
        later = replace(cook_settings(cook, rig, 0.0), id="choir", name=LATER_NAME, serve_at=START + WEEK + 19.5 * HOUR)
        await watch.put(StartCook(later, "cook"))
        watch.tend()
        await watch.night(2, min(hours, LATER_HOURS))
        await watch.put(EndCook("cook"))
        watch.tend()
        watch.archive.finished()
        journal.commit(watch.loop.stamp())


def _record(home: Path, hours: float) -> None:
    with ThreadPoolExecutor(1) as pool:  # so that a test with a loop of its own may ask too
        pool.submit(asyncio.run, record(home, hours)).result()


def make_journal(home: Path, hours: float = 16.6) -> Path:
    """Path of a journal with two finished cooks of `hours`, the later of LATER_HOURS at most. Beside it lie rig and cook file."""
    made = made_once(f"kept-cooks-{hours}", lambda folder: _record(folder, hours))
    for file in ("rig.toml", "cook.toml", "journal.sqlite"):
        shutil.copy(made / file, home / file)
    return home / "journal.sqlite"
