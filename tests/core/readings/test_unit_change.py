"""A device that begins to tell degrees Fahrenheit: found from one reading to the next, and not in what a fire or a hand does."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC

import pytest

from daemon.core.engine import Engine
from daemon.core.events import ProbeFault, QualityChanged
from daemon.core.inputs import Readings, Resumed
from daemon.core.readings.conditioning import Conditioner
from daemon.core.settings import (
    AnnouncingSettings,
    Band,
    ChannelSettings,
    CookSettings,
    QuietHours,
    Role,
    WatchSettings,
)
from drivers.reading import Quality, Reading
from tests.texts.english import in_english

ROLES = {"left": Role.PIT, "chuck": Role.MEAT, "outside": Role.AMBIENT, "far": Role.PIT}
SETTINGS = WatchSettings(
    "pit",
    "Pit",
    tuple(
        ChannelSettings(name, name, role, stale_after=90.0, device="radio" if name == "far" else "board")
        for name, role in ROLES.items()
    ),
    CookSettings("lunch", "Lunch", Band(107.0, 135.0)),
    AnnouncingSettings(QuietHours(22 * 60, 6 * 60, UTC)),
)
TRUE = {"left": 118.0, "chuck": 68.0, "outside": 6.0, "far": 112.0}
Told = Callable[[str, float], float | None]


def lived(conditioner: Conditioner, start: float, seconds: float, every: float, told: Told) -> list[QualityChanged]:
    """Readings every so many s, a scan every 5 s and a minute each minute, as the engine has it."""
    changes: list[QualityChanged] = []
    for now in range(int(start), int(start + seconds)):
        if now % every == 0:
            for name, true in TRUE.items():
                value = told(name, true + 0.2 * (now % 3))
                if value is not None:
                    changes += [c for c in (conditioner.judge(Reading(name, value, now), now)[1],) if c is not None]
        if now % 5 == 0:
            changes += conditioner.scan(now)
        if now % 60 == 0:
            changes += conditioner.minute(now)
    return changes


def fahrenheit(name: str, celsius: float) -> float:
    return celsius if name == "far" else 1.8 * celsius + 32.0


def celsius(_: str, celsius: float) -> float:
    return celsius


def doubted(conditioner: Conditioner) -> set[str]:
    samples = {name: conditioner.current(name) for name in ROLES}
    return {n for n, s in samples.items() if s is not None and ProbeFault.UNIT_CHANGED in s.doubts}


@pytest.mark.parametrize("every", [1.0, 5.0, 30.0])
def test_all_channels_of_the_device_are_doubted_at_once_and_believed_when_they_leap_back(every: float) -> None:
    conditioner = Conditioner(SETTINGS)
    lived(conditioner, 0, 600, every, celsius)
    changes = lived(conditioner, 600, 300, every, fahrenheit)
    assert doubted(conditioner) == {"left", "chuck", "outside"}
    first = next(c for c in changes if ProbeFault.UNIT_CHANGED in c.doubts)
    assert first.time <= 600 + every + 5 and "°F" in in_english(first.evidence)
    assert not [c for c in changes if c.channel == "left" and c.quality is Quality.GOOD and c.time > first.time]
    again = Conditioner(SETTINGS)
    again.load(json.loads(json.dumps(conditioner.dump())))
    for watch in (conditioner, again):
        lived(watch, 900, 300, every, celsius)
        assert not doubted(watch)
        left = watch.current("left")
        assert left is not None and left.quality is Quality.GOOD


WRONG: dict[str, Told] = {
    "one channel alone": lambda name, true: fahrenheit(name, true) if name == "chuck" else true,
    "a grease fire": lambda name, true: 244.0 if ROLES[name] is Role.PIT else true,
    "all but one": lambda name, true: true if name == "outside" else fahrenheit(name, true),
    "all leap, but elsewhere": lambda name, true: true + 60.0,
    "the board falls silent": lambda name, true: true if name == "far" else None,
}


@pytest.mark.parametrize("told", WRONG.values(), ids=WRONG)
def test_what_is_not_every_channel_in_fahrenheit_is_left_to_the_other_doubts(told: Told) -> None:
    conditioner = Conditioner(SETTINGS)
    lived(conditioner, 0, 300, 5.0, celsius)
    lived(conditioner, 300, 180, 5.0, told)
    assert not doubted(conditioner)


def test_a_silent_channel_does_not_hide_the_change_of_the_others() -> None:
    conditioner = Conditioner(SETTINGS)
    lived(conditioner, 0, 300, 5.0, celsius)
    lived(conditioner, 300, 120, 5.0, lambda name, true: None if name == "outside" else true)
    lived(conditioner, 420, 120, 5.0, lambda name, true: None if name == "outside" else fahrenheit(name, true))
    assert {"left", "chuck"} <= doubted(conditioner)


def test_the_seconds_until_it_is_found_are_in_no_minute() -> None:
    """The board falls silent with it: the minute had nothing else."""
    engine = Engine(SETTINGS)
    engine.handle(Resumed(), 0.0)
    for now in range(1, 400):
        while (deadline := engine.next_deadline()) is not None and deadline <= now:
            engine.handle_timer(deadline)
        tell = celsius if now < 241 else fahrenheit
        if now < 250:
            values = {name: tell(name, true + 0.2 * (now % 3)) for name, true in TRUE.items() if name != "far"}
            engine.handle(Readings(tuple(Reading(name, value, now) for name, value in values.items())), now)
    assert max(v for v in engine.trace.window("left", 5, 6) if v == v) < 120.0
    assert max(v for v in engine.trace.window("chuck", 5, 6) if v == v) < 70.0
