"""A night for tests of the core: two pit probes, a chuck roll, a lamb shoulder and a cabinet, and an engine to play with."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC

from daemon.core.engine import Engine
from daemon.core.events import Event
from daemon.core.inputs import Input, Readings, Resumed, WallClock
from daemon.core.orders import Mark, MarkKind
from daemon.core.settings import (
    AnnouncingSettings,
    Band,
    ChannelSettings,
    CookSettings,
    HoldSettings,
    MeatKind,
    PieceSettings,
    QuietHours,
    Role,
    WatchSettings,
    Wrap,
)
from daemon.wiring.learned import learned
from drivers.reading import Fault, Reading

NIGHT = 1_796_000_400.0
"""Engine time, a whole minute; 00:20 UTC with no offset."""
CHUCK = PieceSettings(
    "chuck",
    "Chuck roll",
    "beef-chuck-roll",
    MeatKind.WHOLE_ROAST,
    "chuck",
    7.0,
    0.15,
    1.25,
    Wrap.PAPER,
    77.0,
    92.0,
    97.0,
)
LAMB = PieceSettings(
    "lamb", "Lamb shoulder", "lamb-shoulder", MeatKind.WHOLE_ROAST, "lamb", 2.4, 0.09, 1.1, None, None, 88.0, 94.0
)
CHANNELS = (
    ChannelSettings("pit-left", "Pit, left", Role.PIT, place="left"),
    ChannelSettings("pit-right", "Pit, right", Role.PIT, place="right"),
    ChannelSettings("chuck", "Chuck roll", Role.MEAT),
    ChannelSettings("lamb", "Lamb shoulder", Role.MEAT),
    ChannelSettings("outside", "Outside", Role.AMBIENT),
    ChannelSettings("cabinet", "Warmer", Role.HOLD),
)
COOK = CookSettings(
    "hall",
    "Village-hall lunch",
    Band(107.0, 135.0),
    (CHUCK, LAMB),
    NIGHT + 12 * 3600.0,
    3600.0,
    HoldSettings(channel="cabinet"),
)
AUDIENCES = (("phone", ("phone",)), ("sounder", ("horn",)), ("second", ("neighbour",)), ("notice", ("phone",)))
BY_NIGHT = AnnouncingSettings(QuietHours(22 * 60, 7 * 60, UTC), audiences=AUDIENCES)
SETTINGS = WatchSettings("pit", "The long pit", CHANNELS, COOK, BY_NIGHT, learned=learned())
DAY_OFFSET = 12 * 3600.0
"""s of wall-clock offset that make NIGHT noon."""


def engine_at_night(settings: WatchSettings = SETTINGS, wall_offset: float = 0.0) -> Engine:
    """An engine that has just started; nothing has been heard."""
    engine = Engine(settings)
    engine.handle(Resumed(), NIGHT)
    engine.handle(WallClock(wall_offset, True), NIGHT)
    return engine


def restarted(engine: Engine) -> Engine:
    """Another engine with what the first would find in its checkpoint."""
    other = Engine(replace(engine.settings))
    other.load(json.loads(json.dumps(engine.dump())))
    return other


def step(engine: Engine, item: Input | None, now: float) -> list[Event]:
    """Every deadline up to now, then the input."""
    events: list[Event] = []
    while (deadline := engine.next_deadline()) is not None and deadline <= now:
        events += engine.handle_timer(deadline)
    return events + (engine.handle(item, now) if item is not None else [])


def readings(now: float, **celsius: float | None) -> Readings:
    """readings(now, pit_left=121.5); None is an open circuit."""
    return Readings(
        tuple(
            Reading(channel.replace("_", "-"), value, now, fault=None if value is not None else Fault.OPEN_CIRCUIT)
            for channel, value in celsius.items()
        )
    )


def read(engine: Engine, first: float, last: float, every: float = 5.0, **celsius: float | None) -> list[Event]:
    """These values again and again, s after NIGHT from `first` until before `last`, with the wobble of real probes."""
    events: list[Event] = []
    for number in range(int((last - first) // every)):
        now = NIGHT + first + every * number
        values = {name: None if value is None else value + 0.25 * (number % 4) for name, value in celsius.items()}
        events += step(engine, readings(now, **values), now)
    return events


def cooking(engine: Engine, minutes: float = 10.0) -> list[Event]:
    """The fire burns in its band and the chuck roll lies on it; the lamb shoulder waits. Ends s after NIGHT: 60 * minutes."""
    events = step(engine, Mark(MarkKind.FIRE_LIT), NIGHT)
    events += step(engine, Mark(MarkKind.MEAT_ON, "chuck"), NIGHT)
    return events + read(engine, 0.0, 60.0 * minutes, pit_left=124.0, pit_right=118.0, chuck=40.0, lamb=8.0)
