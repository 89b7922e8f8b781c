"""A pit that stays below its band while somebody lays logs: they buy the time in which a fire takes, and no more."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC
from math import exp, nan, sin
from types import SimpleNamespace
from typing import Any

import pytest

from daemon.core.alarms.conditions.pit import pit_conditions
from daemon.core.alarms.conditions.process import ProcessSnapshot
from daemon.core.alarms.rule import Condition
from daemon.core.orders import Mark, MarkKind
from daemon.core.pit.fire import FireWatch
from daemon.core.settings import AnnouncingSettings, Band, CookSettings, QuietHours, WatchSettings

BAND = Band(107.0, 135.0)
SETTINGS = WatchSettings(
    "pit", "Pit", (), CookSettings("night", "", BAND), AnnouncingSettings(QuietHours(22 * 60, 7 * 60, UTC))
)
BURNS = [118.0 + sin(minute / 9) for minute in range(40)]
DIES = [118.0 - 2.4 * minute for minute in range(21)]


def wavering(about: float, minutes: int) -> list[float]:
    """Each log brings some degrees, and they are lost again."""
    return [about + 4.0 * sin(minute / 5) for minute in range(minutes)]


def watched(pit: Iterable[float], log_every: int = 14) -> tuple[FireWatch, float]:
    """The fire watch after these minutes, and the time. log_every: minutes between marked logs."""
    fire, now = FireWatch(), 0.0
    for minute, celsius in enumerate(pit):
        now = 60.0 * minute
        if minute % log_every == 0:
            fire.mark(Mark(MarkKind.LOG), now)
        fire.minute(now, celsius, BAND, 10.0)
    return fire, now


def judged(fire: FireWatch, now: float, pit: float, meat: bool = True) -> dict[str, Condition]:
    on: Any = (SimpleNamespace(on_fire=True, needs_fire=True),) if meat else ()
    process = ProcessSnapshot(now, SETTINGS, BAND, pit, None, "low", fire, None, on, {}, {}, {}, frozenset())
    return {c.rule: c for c in pit_conditions(replace(process, asleep=True)) if isinstance(c, Condition)}


@pytest.mark.parametrize("mark", [MarkKind.LOG, MarkKind.FIRE_LIT])
def test_what_was_marked_as_a_quick_pit_falls_through_its_band_buys_no_twenty_minutes(mark: MarkKind) -> None:
    """A pit with a time constant of five minutes, whose fall slackens all the way down as one does that a log ends."""
    fire, called = FireWatch(), []
    for minute, celsius in enumerate([*BURNS, *(20.0 + 98.0 * exp(-since / 5) for since in range(12))]):
        if minute == len(BURNS):
            fire.mark(Mark(mark), 60.0 * minute)
        fire.minute(60.0 * minute, celsius, BAND, 10.0)
        if minute >= len(BURNS) and judged(fire, 60.0 * minute, celsius)["fire-out"].active:
            called.append(minute - len(BURNS))
    assert called and 3 <= called[0] <= 6 and called == list(range(called[0], 12))


@pytest.mark.parametrize(("about", "alarm"), [(72.0, "fire-out"), (100.0, "log-not-caught")])
def test_logs_on_a_fire_that_does_not_take_buy_it_three_quarters_of_an_hour(about: float, alarm: str) -> None:
    """alarm: what calls then. Far below the band the fire is lost; nearer to it its last log wants looking after."""
    pit = [*BURNS, *DIES[: 20 if about < 90 else 8]]
    fire, now = watched([*pit, *wavering(about, 25)])
    early = judged(fire, now, about)
    assert not early["fire-out"].active and not early["log-not-caught"].active, "the logs may yet show"
    fire, now = watched([*pit, *wavering(about, 60)])
    assert fire.excused(now) or fire.fed_within(now, 15 * 60.0), "marks come all the while"
    assert judged(fire, now, about)[alarm].active and not judged(fire, now, about, meat=False)[alarm].active


def test_a_pit_on_its_way_back_is_left_alone_and_one_that_is_back_begins_anew() -> None:
    climbs = [70.0 + 0.7 * minute for minute in range(45)]
    fire, now = watched([*BURNS, *DIES, *climbs])
    assert not fire.stays_low(now), "half an hour more takes it there"
    slow = [70.0 + 0.2 * minute for minute in range(45)]
    assert watched([*BURNS, *DIES, *slow])[0].stays_low(now)
    back = [*climbs, *BURNS, *DIES, *wavering(72.0, 20)]
    fire, now = watched([*BURNS, *DIES, *back])
    assert not fire.stays_low(now)


def test_a_new_fire_and_a_band_that_was_raised_are_given_their_time() -> None:
    pit = [*BURNS, *DIES, *wavering(72.0, 40)]
    fire, now = watched(pit)
    fire.mark(Mark(MarkKind.FIRE_LIT), now)
    raised, _ = watched([*BURNS, *BURNS])
    for minute in range(1, 21):
        fire.minute(now + 60.0 * minute, 72.0, BAND, 10.0)
        raised.minute(now + 60.0 * minute, 118.0, Band(150.0, 165.0), 10.0)
    assert not fire.stays_low(now + 1200.0) and not raised.stays_low(now + 1200.0)


def test_it_is_remembered_over_a_restart_and_while_nobody_sees_it() -> None:
    fire, now = watched([*BURNS, *DIES, *wavering(72.0, 20), *[nan] * 10, *wavering(72.0, 22)])
    other = FireWatch()
    other.load(json.loads(json.dumps(fire.dump())))
    assert fire.stays_low(now) and other.stays_low(now)
