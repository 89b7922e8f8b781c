"""What a person puts away comes back by the time that has really passed, whatever becomes of the board's clock. No outside
source: the rules are ours."""

from __future__ import annotations

import pytest

from daemon.core.drive import replayed
from daemon.core.engine import Engine
from daemon.core.events import AlarmChanged, AlarmState, Event
from daemon.core.inputs import Input, Resumed, WallClock
from daemon.core.orders import PauseSound, Shelve
from tests.core.night import NIGHT, SETTINGS, cooking, engine_at_night, readings, restarted, step
from tests.texts.english import in_english

MINUTE, HOUR = 60.0, 3600.0
KEY = "pit-high/pit"
BEGIN = NIGHT + 10 * MINUTE


def put_away() -> Engine:
    """An alarm shelved for half an hour, and the sound paused for a quarter of one."""
    engine = engine_at_night()
    cooking(engine)
    step(engine, Shelve(KEY, 30 * MINUTE, "known", "cook"), BEGIN)
    step(engine, PauseSound(15 * MINUTE, "cook"), BEGIN)
    return engine


def until(engine: Engine, now: float) -> list[Event]:
    return step(engine, None, now)


def comes_back(events: list[Event]) -> list[float]:
    return [e.time for e in events if isinstance(e, AlarmChanged) and e.before is AlarmState.SHELVED]


def shelved(engine: Engine, now: float) -> bool:
    return any(a.key == KEY and a.state is AlarmState.SHELVED for a in engine.snapshot(now).alarms)


def paused(engine: Engine, now: float) -> bool:
    return engine.snapshot(now).sleep.paused_until is not None


@pytest.mark.parametrize("offset", [-3 * HOUR, -10 * 86400.0])
def test_a_clock_that_is_set_back_lengthens_neither_shelf_nor_pause(offset: float) -> None:
    engine = put_away()
    step(engine, WallClock(offset, trusted=False), BEGIN + MINUTE)
    assert paused(engine, BEGIN + 14 * MINUTE) and not paused(engine, BEGIN + 15 * MINUTE)
    assert comes_back(until(engine, BEGIN + 40 * MINUTE)) == [BEGIN + 30 * MINUTE]


def test_a_board_that_was_off_and_hears_the_time_only_later_brings_back_what_ran_out_meanwhile() -> None:
    """It boots into the time at which it stopped; three minutes later it is told that three hours have passed."""
    engine = restarted(put_away())
    step(engine, Resumed(watched_until=BEGIN), BEGIN + 10.0)
    assert shelved(engine, BEGIN + 10.0) and paused(engine, BEGIN + 10.0)
    told = BEGIN + 3 * MINUTE
    step(engine, WallClock(3 * HOUR, trusted=True), told)
    assert comes_back(until(engine, told + 5.0)) == [told] and not paused(engine, told)


def test_a_clock_that_is_set_a_little_right_takes_no_more_than_that_from_a_shelf() -> None:
    engine = put_away()
    step(engine, WallClock(20.0, trusted=True), BEGIN + MINUTE)
    assert comes_back(until(engine, BEGIN + 40 * MINUTE)) == [BEGIN + 30 * MINUTE - 20.0]


def test_nothing_stays_put_away_by_a_stop_of_which_nobody_knows_how_long_it_was() -> None:
    engine = restarted(put_away())
    events = step(engine, Resumed(watched_until=BEGIN, away_known=False), BEGIN + 10.0)
    assert comes_back(events) == [BEGIN + 10.0] and not paused(engine, BEGIN + 10.0)


def test_a_stop_of_known_length_leaves_what_remains() -> None:
    engine = restarted(put_away())
    step(engine, Resumed(watched_until=BEGIN), BEGIN + 12 * MINUTE)
    assert shelved(engine, BEGIN + 12 * MINUTE) and paused(engine, BEGIN + 12 * MINUTE)
    assert comes_back(until(engine, BEGIN + 40 * MINUTE)) == [BEGIN + 30 * MINUTE]


def test_a_replay_brings_back_the_same_at_the_same_time() -> None:
    inputs: list[tuple[float, Input]] = [(NIGHT, Resumed()), (NIGHT, WallClock(0.0, True))]
    inputs += [(NIGHT + s, readings(NIGHT + s, pit_left=124.0, pit_right=118.0)) for s in range(0, 300, 5)]
    inputs += [(NIGHT + 300.0, Shelve(KEY, 30 * MINUTE, "known", "cook")), (NIGHT + 301.0, PauseSound(900.0, "cook"))]
    inputs += [
        (NIGHT + 400.0, WallClock(600.0, True)),
        (NIGHT + 500.0, Resumed(watched_until=NIGHT + 450.0, away_known=False)),
    ]
    inputs += [(NIGHT + s, readings(NIGHT + s, pit_left=124.0, pit_right=118.0)) for s in range(505, 900, 5)]
    first, again = (list(replayed(Engine(SETTINGS), inputs)) for _ in range(2))
    assert first == again
    back = [e for e in first if isinstance(e, AlarmChanged) and e.before is AlarmState.SHELVED]
    assert [e.time for e in back] == [NIGHT + 500.0] and not in_english(back[0].text)
