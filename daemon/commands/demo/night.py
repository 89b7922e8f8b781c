"""The demo's night at full speed: the same pit, meat and hands, judged by the real engine and kept in a real journal, on a
virtual clock. No wire and no waiting: twenty hours take some seconds of computing.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from pathlib import Path

from config.loader import load_both
from daemon.commands.demo.virtual_cook import NIGHT_LOG, VirtualCook
from daemon.core.annunciation.annunciator import TEST_WAKE
from daemon.core.drive import steps
from daemon.core.engine import Engine
from daemon.core.events import EVENT_NAMES, Event, ForecastWanted, Level, Notification
from daemon.core.forecast.outlooks import Forecaster
from daemon.core.inputs import Delivered, Input, Outcome, Readings, Resumed
from daemon.core.orders import EndCook, JudgeWake
from daemon.shell.journal.journal import Journal, Start
from daemon.shell.library.archive import CookArchive
from daemon.shell.wording import event_to_dict
from daemon.wiring.settings_from_files import watch_settings
from drivers.reading import Reading, on_grid
from drivers.simulated.cook import Act, SimulatedCook
from drivers.simulated.scenarios import demo_scenario

READ_EVERY = 15.0
"""Simulated s between lines of the board."""
COMMIT_EVERY = 600.0
"""Simulated s between commits: nothing here must outlive a power cut."""
SOUNDER = "bell"


class DemoNight:
    """One night of the demo, from a Friday 17:00 on. `run` takes it to its end; the journal then holds one finished cook."""

    def __init__(self, journal: Journal, rig_file: Path, cook_file: Path, start: float, seed: int = 1) -> None:
        """start: engine time, here equal to UTC, of 17:00. The journal should be empty."""
        self.simulated = SimulatedCook(demo_scenario(), seed)
        self._journal, self._archive, self._start = journal, CookArchive(journal), start
        self._engine = Engine(watch_settings(*load_both(rig_file, cook_file)))
        self._forecaster = Forecaster()
        self._waiting: deque[Input] = deque()
        self._woke: list[Notification] = []
        self._hands = VirtualCook(self.simulated, self._waiting.append, lambda _: None)
        texts = rig_file.read_text(encoding="utf-8"), cook_file.read_text(encoding="utf-8")
        journal.take_start(Start(journal.last_input + 1, start, "", 0.0, *texts))

    def run(self, hours: float | None = None, progress: Callable[[float, float], None] = lambda done, of: None) -> None:
        """hours: None = to the end of the scenario, after the meal. progress: is given the simulated hours done and in all, at
        each whole one."""
        length = self.simulated.scenario.length if hours is None else hours * 3600.0
        now = self._start
        self._take(Resumed(), now)
        while self.simulated.now < length:
            self.simulated.advance(READ_EVERY)
            now = self._start + self.simulated.now
            self._hands.step(self.simulated.now)
            self._take(Readings(self._line(now)), now)
            while self._waiting:
                self._take(self._waiting.popleft(), now)
            if self.simulated.now % 3600.0 == 0:
                progress(self.simulated.now / 3600.0, length / 3600.0)
            if self.simulated.now % COMMIT_EVERY == 0:
                self._journal.commit(now)
                self._archive.tend(self._engine.settings, self._engine.wall.offset)
        for wake in self._woke:
            self._take(JudgeWake(wake.id, self._was_needed(wake), "cook"), now)
        self._take(EndCook("cook"), now)
        self._journal.commit(now)
        self._archive.tend(self._engine.settings, self._engine.wall.offset)
        self._journal.commit(now)
        self._archive.finished()
        self._journal.commit(now)

    def wood(self) -> float:
        """kg laid so far."""
        scripted = [
            s.amount for s in self.simulated.scenario.script if s.act is Act.LOG and s.time <= self.simulated.now
        ]
        laid = sum(event.kind == Act.LOG for event in self.simulated.truth)
        return sum(scripted) + NIGHT_LOG * (laid - len(scripted))

    def _was_needed(self, wake: Notification) -> bool:
        """As this cook sees it: a wake was needed if there was something to do at the pit soon after."""
        due = wake.time - self._start
        return any(due <= e.time <= due + 3600.0 and e.kind in (Act.LOG, Act.DAMPER) for e in self.simulated.truth)

    def _line(self, now: float) -> tuple[Reading, ...]:
        return tuple(
            Reading(m.source, None if m.celsius is None else on_grid(m.celsius), now, m.fault, m.quality)
            for m in self.simulated.measure()
        )

    def _take(self, item: Input, now: float) -> None:
        for step in steps(self._engine, now, item):
            if step.item is not None:
                self._journal.take_input(step.item, step.time)
            self._keep(step.events)

    def _keep(self, events: Iterable[Event]) -> None:
        offset, cook = self._engine.wall.offset, self._engine.settings.cook.id
        for event in events:
            if type(event) in EVENT_NAMES:
                name = EVENT_NAMES[type(event)]
                self._journal.take_event(event.time, offset, name, cook, event_to_dict(event, offset))
            match event:
                case Notification():
                    self._hands.hear(event, self.simulated.now)
                    if event.level is not Level.LOG:
                        self._waiting.append(Delivered(event.id, SOUNDER, Outcome.SENT))
                    if event.level is Level.WAKE and event.alarm != TEST_WAKE:
                        self._woke.append(event)
                case ForecastWanted():
                    self._waiting.append(self._forecaster(event.request))
                case _:
                    pass
