"""One of two pit probes reads the fire that goes out, the other one does not: somebody looks, whichever is believed."""

from __future__ import annotations

import random
from math import exp, sin

import pytest

from daemon.core.events import Level, Notification
from daemon.core.orders import Acknowledge, GoToSleep, Mark, MarkKind
from daemon.core.readings.pit_witness import contradiction
from tests.core.night import NIGHT, engine_at_night, readings, step

LOW, HIGH, HOUR = 107.0, 135.0, 3600.0
DIES_AT, OUTSIDE = 3.9 * HOUR, 15.0


@pytest.mark.parametrize(
    ("constant", "seed"), [(0.5 * HOUR, 3), (2 * HOUR, 3), (4 * HOUR, 1), (4 * HOUR, 3), (4 * HOUR, 6)]
)
def test_a_fire_that_dies_beside_a_probe_that_stays_warm_wakes_the_sleeper(constant: float, seed: int) -> None:
    """constant: s in which the pit loses 63 % of its warmth (Newton's law of cooling). The other probe keeps its value with
    noise, so that nothing but the first one tells. Each message is answered."""
    noise, engine, called = random.Random(seed), engine_at_night(), []
    step(engine, Mark(MarkKind.FIRE_LIT), NIGHT)
    step(engine, Mark(MarkKind.MEAT_ON, "chuck"), NIGHT)
    step(engine, GoToSleep("cook"), NIGHT + 2 * HOUR)
    pit = stuck = 118.0
    for at in range(0, int(DIES_AT + 2 * HOUR), 10):
        now, minute = NIGHT + at, at / 60 % 50
        if at < DIES_AT:  # a log every 50 min
            if minute == 0:
                step(engine, Mark(MarkKind.LOG), now)
            pit = stuck = 118.0 + (2 * minute / 12 if minute < 12 else 2 - 4 * (minute - 12) / 38)
        else:
            pit = OUTSIDE + (stuck - OUTSIDE) * exp(-(at - DIES_AT) / constant)
        left, right = (round(4 * (v + noise.gauss(0, 0.3))) / 4 for v in (stuck + 3, pit - 3))
        for event in step(engine, readings(now, pit_left=left, pit_right=right, chuck=60.0, lamb=8.0), now):
            if isinstance(event, Notification) and event.level is Level.WAKE and at >= DIES_AT:
                called.append((event.alarm, pit))
                step(engine, Acknowledge("*", "cook"), now)
        if pit < LOW - 40:
            break
    assert "pit-probes-contradict/pit" in {alarm for alarm, _ in called}
    assert len(called) <= 3, "one answer settles it"


def test_what_always_read_so_hangs_in_a_cold_place_and_what_never_parted_is_no_contradiction() -> None:
    warm = [118.0] * 120
    cold_place = contradiction({"a": warm, "b": [85.0] * 120}, LOW)
    assert cold_place is not None and not cold_place.surely
    parted = contradiction({"a": warm, "b": [112.0] * 100 + [85.0] * 20}, LOW)
    assert parted is not None and parted.surely and (parted.warm, parted.cold) == (118.0, 85.0)
    assert contradiction({"a": [80.0] * 120, "b": [112.0] * 100 + [70.0] * 20}, LOW) is None, (
        "the fire's own alarms speak"
    )
    assert contradiction({"b": [112.0] * 100 + [85.0] * 20}, LOW) is None, "nothing contradicts it"


def told(left: list[float], right: list[float]) -> list[tuple[int, bool]]:
    """(minute, of a fire that burns too hot) of all in which it begins or goes on beginning."""
    found = ((m, contradiction({"a": left[:m], "b": right[:m]}, LOW, HIGH)) for m in range(1, len(left) + 1))
    return [(m, told.hot) for m, told in found if told is not None and told.surely]


def test_one_that_left_the_band_and_sinks_on_tells_of_it_before_it_is_far_below() -> None:
    swings = [117.0 + 3.0 * sin(m / 8) for m in range(100)]
    sinks, fast = ([114.0 - rate * m for m in range(60)] for rate in (0.45, 2.0))
    for falls, at in ((sinks, 140), (fast, 118)):
        begins = told([v + 3 for v in swings] + [119.0] * 60, [v - 3 for v in swings] + falls)
        assert begins[0][0] <= at and not begins[0][1], "as it leaves the band, not a quarter of an hour after"
    shaded = [114.0 - 16.0 * (1 - exp(-m / 5)) for m in range(60)]
    assert not told([v + 3 for v in swings] + [119.0] * 60, [v - 3 for v in swings] + shaded), "it stays where it is"


def test_one_that_climbs_on_above_the_band_tells_of_a_fire_that_burns_too_hot() -> None:
    swings = [117.0 + 3.0 * sin(m / 8) for m in range(100)]
    climbs = [117.0 + 3.0 * m for m in range(30)]
    begins = told([v + 3 for v in swings] + climbs, [v - 3 for v in swings] + [115.0] * 30)
    assert begins[0] == (115, True), "five minutes after it was 10 °C above the band"
    both = told([v + 3 for v in swings] + climbs, [v - 3 for v in swings] + [v - 8.0 for v in climbs])
    assert not both, "the pit's own alarms speak"
    by_the_fire = [117.0 + 15.0 * sin(m / 8) for m in range(130)]
    leaps = [*by_the_fire[:120], *(135.0 + 4.0 * m for m in range(10))]
    assert not told(leaps, [117.0 + 3.0 * sin(m / 8) for m in range(130)]), "a log, as always"
    assert not told([v + 3 for v in swings] + [150.0] * 30, [v - 3 for v in swings] + [118.0] * 30), (
        "hung nearer the fire"
    )


def test_a_pit_that_runs_away_beside_a_probe_that_stays_in_the_band_wakes_the_sleeper() -> None:
    """The other probe keeps its value with noise; the watch doubts the one that left its own range, which is right."""
    noise, engine, called = random.Random(4), engine_at_night(), []
    step(engine, Mark(MarkKind.FIRE_LIT), NIGHT)
    step(engine, Mark(MarkKind.MEAT_ON, "chuck"), NIGHT)
    for at in range(0, int(1.9 * HOUR), 10):
        pit = 118.0 + 2 * sin(at / 480) if at < 1.5 * HOUR else 118.0 + 3.0 * (at - 1.5 * HOUR) / 60
        stays = 118.0 + 2 * sin(min(at, 1.5 * HOUR) / 480)
        left, right = (round(4 * (v + noise.gauss(0, 0.3))) / 4 for v in (stays + 3, pit - 3))
        for event in step(engine, readings(NIGHT + at, pit_left=left, pit_right=right, chuck=60.0), NIGHT + at):
            if isinstance(event, Notification) and event.level is Level.WAKE and at > 1.5 * HOUR:
                called.append((event.alarm.partition("#")[0], pit))
    assert called[0][0] == "pit-probes-contradict/pit" and called[0][1] <= 175.0, called


@pytest.mark.parametrize("kind", [MarkKind.LOG, MarkKind.FIRE_LIT])
def test_marks_that_come_by_themselves_buy_a_dead_fire_time_once(kind: MarkKind) -> None:
    """A button that marks every ten minutes, over a fire that is out: its call comes all the same."""
    engine, called, pit = engine_at_night(), [], 118.0
    step(engine, Mark(MarkKind.FIRE_LIT), NIGHT)
    step(engine, Mark(MarkKind.MEAT_ON, "chuck"), NIGHT)
    for at in range(0, int(3.2 * HOUR), 10):
        now = NIGHT + at
        if at >= 2 * HOUR:
            pit = OUTSIDE + (118.0 - OUTSIDE) * exp(-(at - 2 * HOUR) / 2700.0)
            if at % 600 == 0:
                step(engine, Mark(kind), now)
        swing = 0.25 * (at // 10 % 2)
        values = readings(now, pit_left=pit + swing + 2, pit_right=pit - swing, chuck=60.0, lamb=8.0)
        called += [
            (event.alarm, at - 2 * HOUR)
            for event in step(engine, values, now)
            if isinstance(event, Notification) and event.level is Level.WAKE and at > 2 * HOUR
        ]
    assert any(alarm == "fire-out/pit" and after <= 0.75 * HOUR for alarm, after in called), called


def test_who_is_called_for_wood_is_not_called_once_more_for_the_probe_that_sinks_faster() -> None:
    engine, called, state = engine_at_night(), set[str](), set[str]()
    step(engine, Mark(MarkKind.FIRE_LIT), NIGHT)
    step(engine, Mark(MarkKind.MEAT_ON, "chuck"), NIGHT)
    for at in range(0, int(2.2 * HOUR), 10):
        sinks, swing = max(0.0, at - 1.5 * HOUR) / 60, 0.25 * (at // 10 % 3)
        left, right = 119.0 + swing - 0.45 * sinks, 117.0 + swing - 1.3 * sinks
        for event in step(engine, readings(NIGHT + at, pit_left=left, pit_right=right, chuck=60.0), NIGHT + at):
            if isinstance(event, Notification) and event.level is Level.WAKE:
                called |= {name.partition("#")[0] for name in (event.alarm, *event.merged)}
        state |= {str(v.state) for v in engine.alarms.views() if v.rule == "pit-probes-contradict"}
    assert "pit-falling/pit" in called and "pit-probes-contradict/pit" not in called
    assert "suppressed-by-design" in state, "it would have been called"
