"""A pit that nobody sees any more: no message, reason or picture tells a value or a trend of it as if it were read now. What is
said instead is ours, no source."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import pairwise

import pytest

from daemon.core.engine import Engine
from daemon.core.events import AlarmChanged, AlarmState, Event, Level, Notification
from daemon.core.orders import GoToSleep, Mark, MarkKind
from daemon.texts.composer import UNMEASURED
from tests.core.night import NIGHT, SETTINGS, cooking, engine_at_night, read, readings, restarted, step
from tests.texts.english import in_english

MINUTE = 60.0


def falling(engine: Engine, minutes: int, start: float = 124.0, per_minute: float = 0.6) -> float:
    """A pit in its band that falls. Returns the minute at which it ends."""
    cooking(engine, 30.0)
    for minute in range(minutes):
        pit = start - per_minute * minute
        first = (30.0 + minute) * MINUTE
        read(engine, first, first + MINUTE, pit_left=pit + 3, pit_right=pit - 3, chuck=40.0, lamb=8.0)
    return 30.0 + minutes


def blind(engine: Engine, first: float, minutes: float) -> list[Event]:
    """Every pit probe is an open circuit."""
    until = (first + minutes) * MINUTE
    return read(engine, first * MINUTE, until, pit_left=None, pit_right=None, chuck=40.0, lamb=8.0)


def words(events: list[Event]) -> list[str]:
    said = [e.text for e in events if isinstance(e, Notification) and e.level is not Level.LOG]
    said += [t for e in events if isinstance(e, AlarmChanged) for t in (e.text, e.because)]
    return [in_english(text) for text in said]


def alarms(engine: Engine, now: float) -> dict[str, tuple[str, str]]:
    return {a.rule: (in_english(a.text), in_english(a.because)) for a in engine.snapshot(now).alarms}


def test_a_blind_pit_is_told_with_what_was_seen_last_and_for_how_long_not() -> None:
    engine = engine_at_night()
    end = falling(engine, 10)
    events = blind(engine, end, 8)
    text, because = alarms(engine, NIGHT + (end + 8) * MINUTE)["pit-blind"]
    assert text == "Check fire and probes: The long pit unseen 8 min, was 119 °C"
    assert "when it read 119 °C" in because and "since 01:39" in because
    assert UNMEASURED not in " ".join(words(events))


def test_a_call_for_wood_that_outlives_the_sight_of_the_pit_says_how_old_it_is() -> None:
    engine = engine_at_night()
    end = falling(engine, 20)
    now = NIGHT + end * MINUTE
    assert alarms(engine, now)["pit-falling"][0].startswith("Add 1-2 splits"), "or there is nothing to outlive"
    events = blind(engine, end, 12)
    now += 12 * MINUTE
    text, because = alarms(engine, now)["pit-falling"]
    assert text.startswith("Check fire: The long pit 113 °C 12 min ago, low ")
    assert "not seen since" in because and "11 min old" in because and "without seeing the pit" in because
    told = [e for e in events if isinstance(e, Notification) and e.level is Level.WAKE]
    assert told and UNMEASURED not in " ".join(words(events))


def test_a_standing_alarm_tells_no_value_of_long_ago_as_of_now() -> None:
    """A pit that was called lost, and is not seen now: the alarm stands, its number has a time."""
    engine = engine_at_night()
    end = falling(engine, 35, start=118.0, per_minute=1.0)
    now = NIGHT + end * MINUTE
    assert "fire-out" in alarms(engine, now)
    blind(engine, end, 7)
    text, because = alarms(engine, now + 7 * MINUTE)["fire-out"]
    assert " 85 °C 7 min ago, unseen since" in text and text.startswith("Relight fire")
    assert "not seen since" in because and "°C/h" not in because
    view = next(a for a in engine.snapshot(now + 7 * MINUTE).alarms if a.rule == "fire-out")
    assert view.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED) and view.value is None


def test_the_picture_of_a_blind_pit_has_no_trend_and_says_what_was_seen_last() -> None:
    engine = engine_at_night()
    end = falling(engine, 10)
    seen = engine.snapshot(NIGHT + end * MINUTE).pit
    assert seen.celsius is not None and seen.rate is not None and seen.rate < -20
    blind(engine, end, 4)
    now = NIGHT + (end + 4) * MINUTE
    pit = engine.snapshot(now).pit
    assert pit.celsius is None and pit.rate is None
    assert pit.last_celsius is not None and abs(pit.last_celsius - seen.celsius) < 1.0
    assert pit.last_seen_at is not None and now - pit.last_seen_at >= 4 * MINUTE
    assert pit.log_due is not None and pit.forecast_made_at is not None and pit.forecast_made_at < now - 3 * MINUTE
    assert restarted(engine).snapshot(now).pit == pit


def test_nobody_is_promised_a_sleep_by_a_fire_that_is_not_seen() -> None:
    engine = engine_at_night()
    cooking(engine, 20.0)
    step(engine, Mark(MarkKind.LOG), NIGHT + 20 * MINUTE)
    for minute in range(20, 40):
        warm = 121.0 + 0.4 * (minute - 20)
        read(
            engine, minute * MINUTE, (minute + 1) * MINUTE, pit_left=warm + 3, pit_right=warm - 3, chuck=40.0, lamb=8.0
        )
    step(engine, GoToSleep("cook"), NIGHT + 40 * MINUTE)
    nap = engine.snapshot(NIGHT + 40 * MINUTE).nap
    assert nap is not None and nap.until is not None, "or there is no promise to take back"
    blind(engine, 40.0, 3)
    nap = engine.snapshot(NIGHT + 43 * MINUTE).nap
    assert nap is not None and nap.until is None and in_english(nap.reason) == "the pit is not seen"


def test_what_a_fallen_probe_read_is_not_told_as_the_pit_s_last() -> None:
    """The only probe drops off the grate: from then on it reads the floor, which is found minutes later."""
    channels = tuple(c for c in SETTINGS.channels if c.id != "pit-right")
    engine = engine_at_night(replace(SETTINGS, channels=channels))
    end = falling(engine, 10, per_minute=0.0)
    fell = [124.0 - 60.0 * (1 - 0.5**minute) for minute in range(26)]
    for minute, (before, _) in enumerate(pairwise(fell)):
        first = (end + minute) * MINUTE
        read(engine, first, first + MINUTE, pit_left=before, chuck=40.0, lamb=8.0)
    now = NIGHT + (end + 25) * MINUTE
    pit = engine.snapshot(now).pit
    assert pit.celsius is None, "or it was never found out"
    assert pit.last_celsius is None
    assert " was " not in alarms(engine, now)["pit-blind"][0] and "read" not in alarms(engine, now)["pit-blind"][1]


def test_what_was_seen_last_survives_a_checkpoint() -> None:
    engine = engine_at_night()
    end = falling(engine, 10)
    blind(engine, end, 6)
    again = restarted(engine)
    assert json.dumps(again.dump()) == json.dumps(engine.dump())


@pytest.mark.parametrize(("seen_for", "in_every", "wakes"), [(20, 240, True), (10, 290, True), (230, 240, False)])
def test_a_loose_contact_that_shows_the_pit_now_and_then_wakes_as_an_unseen_one_does(
    seen_for: int, in_every: int, wakes: bool
) -> None:
    """s in s in which the probes give a value. Our own rule, no source."""
    engine, told = engine_at_night(), list[Event]()
    end = falling(engine, 1)
    for at in range(0, 40 * 60, 5):
        if at == 1500:
            engine = restarted(engine)
        shown = at % in_every < seen_for
        pit = 123.0 + 0.25 * (at // 5 % 4) if shown else None
        now = end * MINUTE + at
        told += step(engine, readings(NIGHT + now, pit_left=pit, pit_right=pit, chuck=40.0, lamb=8.0), NIGHT + now)
    blind_calls = [e.time for e in told if isinstance(e, Notification) and e.alarm == "pit-blind/pit"]
    assert bool(blind_calls) is wakes
    if not wakes:
        return
    assert blind_calls[0] <= NIGHT + end * MINUTE + 10 * MINUTE
    text, because = alarms(engine, NIGHT + end * MINUTE + 40 * 60)["pit-blind"]
    assert "barely seen" in text and "for longer than a moment" in because
    events = read(
        engine, end * MINUTE + 2400, end * MINUTE + 2400 + 7 * 60, pit_left=124.0, pit_right=118.0, chuck=40.0, lamb=8.0
    )
    assert "pit-blind/pit" not in engine.alarms.standing(), events[-1:]
