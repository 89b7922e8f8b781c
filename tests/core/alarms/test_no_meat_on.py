"""A pit that was in its band and loses its fire: with meat on somebody is woken; with none nobody is, and nothing is shown that
speaks of a call to come."""

from __future__ import annotations

from math import exp

import pytest

from daemon.core.engine import Engine
from daemon.core.events import AlarmChanged, AlarmState, Event, Level, Notification
from daemon.core.orders import Mark, MarkKind
from daemon.core.snapshot import Snapshot
from tests.core.night import NIGHT, engine_at_night, readings, step
from tests.texts.english import in_english

MINUTE = 60.0
LOST, COLD = 40, 12.0
"""Minute at which the lid is left open over a fire that has burnt down; °C outside."""


def pit_at(minute: float) -> float:
    """In its band for forty minutes; then it loses its heat as an open pit with a dead fire does: a third in the first minutes,
    the rest of it, which the walls hold, within the hour."""
    if minute < LOST:
        return 121.0 + 2.0 * (minute % 20) / 20
    lost = minute - LOST
    return COLD + 40.0 * exp(-lost / 3.0) + 69.0 * exp(-lost / 35.0)


def night(meat: bool, until: float, slip: bool = False) -> tuple[Engine, list[Event]]:
    """slip: meat that is half done and stays on is marked off, and a log is laid ten minutes later."""
    engine = engine_at_night()
    events = step(engine, Mark(MarkKind.FIRE_LIT), NIGHT)
    if meat:
        events += step(engine, Mark(MarkKind.MEAT_ON, "chuck"), NIGHT + 5 * MINUTE)
    for number in range(int(until * 12)):
        now = NIGHT + 5.0 * number
        pit, wobble = pit_at(number / 12), 0.25 * (number % 4)
        core = (60.0 if slip else 8.0) + (number / 12 * 0.1 if meat else 0.0) + wobble / 10
        if slip and number in (20 * 12, 30 * 12):
            events += step(engine, Mark(MarkKind.OFF, "chuck") if number == 20 * 12 else Mark(MarkKind.LOG), now)
        events += step(
            engine, readings(now, pit_left=pit + wobble, pit_right=pit - 3 + wobble, chuck=core, lamb=6.0), now
        )
    return engine, events


def woken(events: list[Event]) -> list[float]:
    """Minutes after NIGHT."""
    return [(e.time - NIGHT) / MINUTE for e in events if isinstance(e, Notification) and e.level is Level.WAKE]


def _calls(event: Event) -> bool:
    return isinstance(event, AlarmChanged) and event.rule == "pit-falling" and event.after is AlarmState.UNACKNOWLEDGED


def seen(engine: Engine, minute: float) -> Snapshot:
    return engine.snapshot(NIGHT + minute * MINUTE)


def test_with_meat_on_a_fire_that_is_lost_wakes() -> None:
    _, events = night(True, LOST + 25)
    late = [at for at in woken(events) if at > LOST]
    assert late and late[0] < LOST + 15


def test_meat_that_is_said_to_be_off_and_heats_up_on_a_fed_fire_holds_no_call_back() -> None:
    engine, events = night(True, LOST + 25, slip=True)
    late = [at for at in woken(events) if at > LOST]
    assert late and late[0] < LOST + 15
    step(engine, Mark(MarkKind.HOLD, "chuck"), NIGHT + (LOST + 25) * MINUTE)
    assert not any(rule in alarm for alarm in engine.alarms.standing() for rule in ("fire-out", "pit-falling"))


@pytest.mark.parametrize("minutes", [2, 6, 20, 60])
def test_with_no_meat_on_nothing_speaks_of_a_call(minutes: int) -> None:
    engine, events = night(False, LOST + minutes)
    assert woken(events) == []
    now = seen(engine, LOST + minutes)
    assert now.pit.celsius is not None and now.pit.celsius < now.pit.band.low
    assert (now.pit.log_due, now.pit.feed_at, now.pit.feed_called) == (None, None, False)
    assert now.could_sleep is not None and now.could_sleep.until is None
    assert in_english(now.could_sleep.reason) == (
        "the pit is below its band and no meat is on: nobody is called for wood"
    )


def test_a_pit_that_was_in_its_band_and_went_cold_is_not_said_never_to_have_reached_it() -> None:
    engine, _ = night(False, LOST + 60)
    assert in_english(seen(engine, LOST + 60).pit.no_forecast) == "the pit has gone cold"


def test_the_next_log_is_when_it_is_called_for_and_not_when_the_pit_gets_low() -> None:
    """Until the meat is on nobody is called. Then: by the hour at which the call comes if nothing changes; called for, once it
    stands."""
    engine = engine_at_night()
    step(engine, Mark(MarkKind.FIRE_LIT), NIGHT)
    called: float | None = None
    foreseen: list[tuple[float, float, float]] = []
    for number in range(12 * 240):
        now = NIGHT + 5.0 * number
        minute = number / 12
        fire = 131.0 - max(0.0, minute - 30) * 0.12
        wobble = 0.25 * (number % 4)
        events = step(
            engine,
            readings(now, pit_left=fire + wobble, pit_right=fire - 3 + wobble, chuck=8.0 + max(0.0, minute - 30) / 9),
            now,
        )
        if minute == 30:
            pit = engine.snapshot(now).pit
            assert pit.log_due is not None and pit.feed_at is None
            events += step(engine, Mark(MarkKind.MEAT_ON, "chuck"), now)
        if called is None and any(_calls(e) for e in events):
            called = now
            break
        if minute > 31 and number % 60 == 0:
            pit = engine.snapshot(now).pit
            if pit.log_due is not None:
                assert pit.feed_at is not None and pit.feed_at < pit.log_due.p95 and not pit.feed_called
                foreseen.append((now, pit.feed_at, pit.log_due.p50))
    assert called is not None and foreseen
    assert engine.snapshot(called).pit.feed_called
    last = foreseen[-1]
    assert abs(last[1] - called) < abs(last[2] - called), "nearer to the call than the hour at which the pit gets low"
