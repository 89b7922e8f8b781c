"""A night with two pits and one sleeper: two simulated fires, each with a piece of meat, all probes on one line, and hands that
get up for a wake only and feed what the message names."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from daemon.core.drive import steps
from daemon.core.engine import Engine
from daemon.core.events import Event, Level, Notification
from daemon.core.inputs import Input, Readings, Resumed, WallClock
from daemon.core.orders import Acknowledge, GoToSleep, Mark, MarkKind
from daemon.core.settings import Band, ChannelSettings, CookSettings, PitSettings, Role, WatchSettings
from daemon.wiring.learned import learned
from drivers.reading import Reading, on_grid
from drivers.simulated.cook import Act, Scenario, SimulatedCook
from drivers.simulated.scenarios import NIGHT_LOAD, demo_scenario
from tests.core.night import BY_NIGHT, CHUCK, LAMB

EVENING = 1_795_885_200.0
"""Engine time of the scenario's start, 17:00 UTC."""
HOUR = 3600.0
STEP = 30.0
LOADED_AFTER = 6.4
"""h after the start at which `load` puts on the last logs before bed."""
BED = EVENING + 6.6 * HOUR
SEEDS = {"": 3, "drum": 4}
PROBES = {"": ("pit-left", "pit-right"), "drum": ("drum-left", "drum-right")}
MEAT = {"": "chuck", "drum": "lamb"}
SUBJECTS = {"pit": "", "drum": "drum"}
ANSWERED_IN, FED_IN = 75.0, 9 * 60.0
"""s from a wake to the answer, and to the wood on the fires."""

CHANNELS = (
    ChannelSettings("pit-left", "Offset, left", Role.PIT, place="left"),
    ChannelSettings("pit-right", "Offset, right", Role.PIT, place="right"),
    ChannelSettings("drum-left", "Drum, left", Role.PIT, place="left", pit="drum"),
    ChannelSettings("drum-right", "Drum, right", Role.PIT, place="right", pit="drum"),
    ChannelSettings("chuck", "Chuck roll", Role.MEAT),
    ChannelSettings("lamb", "Lamb shoulder", Role.MEAT, pit="drum"),
    ChannelSettings("outside", "Outside", Role.AMBIENT),
)
BAND = Band(107.0, 135.0)
SLOW = tuple(replace(channel, stale_after=3 * STEP) for channel in CHANNELS)
COOK = CookSettings("hall", "Village-hall lunch", BAND, (CHUCK, replace(LAMB, pit="drum")), EVENING + 19 * HOUR, HOUR)
TWO = WatchSettings(
    "offset", "Offset", CHANNELS, COOK, BY_NIGHT, learned=learned(), other_pits=(PitSettings("drum", "Drum", BAND),)
)


def _scenario(pit: str) -> Scenario:
    """The demo's night with this pit's piece only, and without the wood before bed."""
    night, piece = demo_scenario(), MEAT[pit]
    script = tuple(
        act for act in night.script if (act.act is not Act.PUT_ON or act.subject == piece) and act.amount != NIGHT_LOAD
    )
    return replace(
        night, script=script, pieces=tuple(p for p in night.pieces if p.id == piece), failures=(),
        channels=tuple(c for c in night.channels if c.source in ("pit-left", "pit-right", piece, "outside")),
    )  # fmt: skip


BY_SIMULATION = replace(TWO, channels=SLOW)


class TwoPits:
    """Drives an engine and keeps what went in and what came out."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self.fires = {pit: SimulatedCook(_scenario(pit), SEEDS[pit]) for pit in SEEDS}
        self.given: list[tuple[float, Input]] = []
        self.events: list[Event] = []
        self.now = EVENING
        self._seen = dict.fromkeys(SEEDS, 0)
        self._todo: list[tuple[float, Input | str]] = []
        self._give(Resumed(), WallClock(0.0, True))

    def until(self, hours: float) -> None:
        """Hours after the start."""
        while self.now < EVENING + hours * HOUR:
            self.now += STEP
            for fire in self.fires.values():
                fire.advance(STEP)
            self._give(*self._said(), Readings(tuple(self._read())))

    def load(self, loads: dict[str, float]) -> None:
        """kg of wood by pit, now."""
        for pit, amount in loads.items():
            self.fires[pit].do(Act.LOG, amount=amount)

    def _read(self) -> Iterator[Reading]:
        for pit, fire in self.fires.items():
            for one in fire.measure():
                source = one.source.replace("pit-", "drum-") if pit else one.source
                if source == "outside" and pit:
                    continue
                yield Reading(
                    source, None if one.celsius is None else on_grid(one.celsius), self.now, one.fault, one.quality
                )

    def _said(self) -> Iterator[Input]:
        """What the hands have done, and say."""
        for pit, fire in self.fires.items():
            for event in fire.truth[self._seen[pit] :]:
                if event.kind == Act.LIGHT:
                    yield Mark(MarkKind.FIRE_LIT, pit=pit)
                elif event.kind == Act.LOG:
                    yield Mark(MarkKind.LOG, pit=pit)
                elif event.kind == Act.PUT_ON:
                    yield Mark(MarkKind.MEAT_ON, event.subject)
            self._seen[pit] = len(fire.truth)
        if self.now == BED:
            yield GoToSleep("cook")
        for due in [one for one in self._todo if one[0] <= self.now]:
            self._todo.remove(due)
            if isinstance(due[1], str):
                self.fires[due[1]].do(Act.LOG, amount=1.6)
            else:
                yield due[1]

    def _give(self, *items: Input) -> None:
        for item in items:
            self.given.append((self.now, item))
            for step in steps(self.engine, self.now, item):
                self.events += step.events
                for event in step.events:
                    if isinstance(event, Notification) and event.level is Level.WAKE:
                        self._get_up(event)

    def _get_up(self, message: Notification) -> None:
        self._todo.append((self.now + ANSWERED_IN, Acknowledge(message.id, "cook")))
        for alarm in (message.alarm, *message.merged):
            rule, _, subject = alarm.partition("/")
            if rule == "pit-falling" and not any(what == SUBJECTS[subject] for _, what in self._todo):
                self._todo.append((self.now + FED_IN, SUBJECTS[subject]))

    @property
    def calls(self) -> list[Notification]:
        """Messages that wake."""
        return [e for e in self.events if isinstance(e, Notification) and e.level is Level.WAKE]
