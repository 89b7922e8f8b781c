"""What lies in a hot pit does not cool: where the cores fall, somebody looks at the fire, whatever the pit probe says."""

from __future__ import annotations

import random
from dataclasses import replace
from math import exp, nan

import pytest

from daemon.core.events import Level, Notification
from daemon.core.inputs import Resumed
from daemon.core.orders import Acknowledge, GoToSleep, Mark, MarkKind, SpotReading
from daemon.core.pieces.meat_witness import Course, alone_cools, cold_meat
from daemon.core.settings import Role
from tests.core.night import NIGHT, SETTINGS, engine_at_night, readings, restarted, step

HOUR, DIES_AT = 3600.0, 2.2 * 3600.0
ONE_PROBE = replace(
    SETTINGS, channels=tuple(c for c in SETTINGS.channels if c.role is not Role.PIT or c.place == "left")
)
HOT, ALARM = [118.0] * 30, "pit-probes-contradict/pit"


def falling(by: float, minutes: int = 30, core: float = 71.0) -> list[float]:
    """A core that stood still and has fallen by so much in the last minutes, °C."""
    return [core] * (120 - minutes) + [core - by * (minute + 1) / minutes for minute in range(minutes)]


@pytest.mark.parametrize(
    ("mark", "again"),
    [(None, False), (MarkKind.LOG, True), (MarkKind.LID_OPEN, False), (MarkKind.WRAPPED, False)],
)
def test_a_fire_that_dies_under_the_only_probe_that_stays_warm_wakes_the_sleeper(
    mark: MarkKind | None, again: bool
) -> None:
    """The chuck roll tends to its surroundings as a body with a lag does. mark:
    said every half hour, as a button that sticks does: only what may have cooled the meat explains anything, and a lid that is
    opened again and again only for its first hours. Each call is answered."""
    noise, engine, called = random.Random(5), engine_at_night(ONE_PROBE), list[tuple[float, float]]()
    step(engine, Mark(MarkKind.FIRE_LIT), NIGHT)
    step(engine, Mark(MarkKind.MEAT_ON, "chuck"), NIGHT)
    pit, core = 118.0, 70.0
    for at in range(0, int(DIES_AT + 3 * HOUR), 10):
        now = NIGHT + at
        if at == 60:
            step(engine, GoToSleep("cook"), now)
        if mark is not None and at % 1800 == 0 and at > 0:
            step(engine, Mark(mark, "chuck" if mark is MarkKind.WRAPPED else None), now)
        if at > DIES_AT:
            pit = 15.0 + 103.0 * exp(-(at - DIES_AT) / HOUR)
            core += 10 * (pit - core) / (2.5 * HOUR) if pit < core else 0.0
        if again and at == DIES_AT + 2 * HOUR:
            engine = restarted(engine)
            step(engine, Resumed(watched_until=now - 10), now)
        values = {"pit_left": 118.0 + noise.gauss(0, 0.6), "chuck": core + noise.gauss(0, 0.1), "lamb": 8.0}
        quarter = {name: round(4 * value) / 4 for name, value in values.items()}
        for event in step(engine, readings(now, **quarter), now):
            if isinstance(event, Notification) and event.level is Level.WAKE and event.alarm.startswith(ALARM):
                called.append((at - DIES_AT, core))
                step(engine, Acknowledge("*", "cook"), now)
    if mark is not MarkKind.WRAPPED:
        assert called and called[0][0] < 3 * HOUR and len(called) <= 2, "one answer settles it for two hours"
    else:
        assert not called, "whoever was at the meat may have cooled it"


@pytest.mark.parametrize("dies", [True, False])
def test_the_meat_alone_tells_of_a_dead_fire_that_no_probe_sees(dies: bool) -> None:
    """Both pit probes are open circuits all night. The meat has come to 66 °C; it stalls there, or falls below the floor."""
    noise, engine, told = random.Random(7), engine_at_night(), list[Notification]()
    step(engine, Mark(MarkKind.FIRE_LIT), NIGHT)
    step(engine, Mark(MarkKind.MEAT_ON, "chuck"), NIGHT)
    for at in range(0, int(DIES_AT + 4 * HOUR), 10):
        now, blind = NIGHT + at, at > DIES_AT
        core = 50.0 + 16.0 * min(1.0, at / DIES_AT)
        if blind:
            fallen = 1.0 - exp(-(at - DIES_AT) / (6 * HOUR))
            core -= 50.0 * fallen if dies else 4.0 * fallen
        pit = None if blind else 118.0 + noise.gauss(0, 0.6)
        values = {"pit_left": pit, "pit_right": pit, "chuck": round(4 * (core + noise.gauss(0, 0.1))) / 4, "lamb": 8.0}
        told += [e for e in step(engine, readings(now, **values), now) if isinstance(e, Notification)]
    wakes = [e for e in told if e.level is Level.WAKE]
    assert any("meat-cooling/chuck" in (e.alarm, *e.merged) for e in wakes) is dies
    assert wakes[-1].time > NIGHT + DIES_AT + 2 * HOUR, "an unseen pit under meat is called until somebody answers"


def test_who_falls_is_told_with_what_the_pit_says() -> None:
    told = cold_meat(HOT, 97.0, [falling(5.6)])
    assert told is not None and told.surely and told.pit == 118.0 and told.core == pytest.approx(65.8, abs=0.3)
    slow = cold_meat(HOT, 97.0, [falling(7.0, 90)])
    assert slow is not None and slow.surely, "what fell before counts"
    stands = cold_meat(HOT, 97.0, [falling(1.0)])
    assert stands is not None and not stands.surely


@pytest.mark.parametrize(
    ("pit", "cores", "why"),
    [
        (HOT, [falling(4.0)], "a stall dips"),
        (HOT, [falling(7.0, 1)], "a probe that was moved steps"),
        ([118.0] * 29 + [nan], [falling(6.0)], "a pit that is not seen has an alarm of its own"),
        ([90.0] * 30, [falling(6.0)], "a pit that is said to be cold, too"),
        (HOT, [falling(6.0, core=105.0)], "a core that is not wet does not stay under its pit"),
        (HOT, [falling(6.0), [70.0 + 0.05 * minute for minute in range(120)]], "another that rises is a witness against it"),
        (HOT, [[nan] * 20 + falling(6.0)[20:90] + [nan] * 30], "nothing is read"),
        (HOT, [], "nothing lies there, or all of it was touched"),
    ],
)  # fmt: skip
def test_what_is_no_sign_of_a_dead_fire(pit: list[float], cores: list[list[float]], why: str) -> None:
    told = cold_meat(pit, 97.0, cores)
    assert told is None or not told.surely, why


def test_a_reading_by_hand_explains_a_probe_that_reads_less() -> None:
    engine = engine_at_night(ONE_PROBE)
    step(engine, Mark(MarkKind.FIRE_LIT), NIGHT)
    step(engine, Mark(MarkKind.MEAT_ON, "chuck"), NIGHT)
    for at in range(0, int(3 * HOUR), 10):
        core = 70.0 - max(0.0, at - 2.2 * HOUR) * 12 / HOUR
        values = readings(NIGHT + at, pit_left=118 + 0.25 * (at // 10 % 3), chuck=core, lamb=8.0)
        step(engine, values, NIGHT + at)
        if at == 1.8 * HOUR:
            step(engine, SpotReading("chuck", 70.0), NIGHT + at)
    assert engine.pit.cold_meat is None


def test_the_meat_tells_of_its_own_cooling_under_a_probe_that_stays_warm() -> None:
    """The fire dies under a chuck roll of 72 °C. A wrap is marked every 40 min: each explains a fall for half an hour, and none a
    deep one."""
    told = calls_of_cooling(
        [118.0] * 280, [72.0 - max(0.0, minute - DIES_AT / 60) * 7.5 / 60 for minute in range(280)], 40
    )
    assert told and told[0][1] > 54.4, "before it reaches the hot-holding floor"


def test_what_is_tender_and_cools_is_told_before_it_is_under_the_floor() -> None:
    """Nobody has answered the call to probe it: off or on, cooked meat cools, and a fall by a few degrees asks only."""
    told = calls_of_cooling([118.0] * 270, [95.0 - max(0.0, minute - DIES_AT / 60) * 20 / 60 for minute in range(270)])
    assert told and 57.2 < told[0][1] < 85.0


def test_a_core_that_falls_on_for_a_while_in_a_pit_that_was_lit_again_is_explained() -> None:
    """An hour of a cold pit takes it to 63 °C, and it falls for forty minutes more."""
    pit = [118.0] * 132 + [118.0 - 3 * minute for minute in range(21)] + [55.0] * 39
    pit += [55.0 + 4 * minute for minute in range(16)] + [118.0] * 64
    core = [69.0] * 132 + [69.0 - 0.1 * minute for minute in range(60)]
    core += [63.0 - 0.125 * minute for minute in range(40)] + [58.0 + 0.1 * minute for minute in range(40)]
    assert not calls_of_cooling(pit, core)


def calls_of_cooling(pit: list[float], core: list[float], wrapped_every: int = 0) -> list[tuple[int, float]]:
    """(minute, °C of the core) of every call that the meat cools. pit, core: °C, one a minute. wrapped_every: minutes."""
    noise, engine, told = random.Random(11), engine_at_night(ONE_PROBE), list[tuple[int, float]]()
    step(engine, Mark(MarkKind.FIRE_LIT), NIGHT)
    step(engine, Mark(MarkKind.MEAT_ON, "chuck"), NIGHT)
    for at in range(0, 60 * len(pit), 10):
        now, minute = NIGHT + at, at // 60
        if wrapped_every and at % (60 * wrapped_every) == 0 and at > 0:
            step(engine, Mark(MarkKind.WRAPPED, "chuck"), now)
        values = {
            "pit_left": pit[minute] + noise.gauss(0, 0.6),
            "chuck": core[minute] + noise.gauss(0, 0.1),
            "lamb": 8.0,
        }
        quarter = {name: round(4 * value) / 4 for name, value in values.items()}
        for event in step(engine, readings(now, **quarter), now):
            if isinstance(event, Notification) and event.level is Level.WAKE:
                named = (event.alarm, *event.merged)
                told += [(minute, core[minute]) for one in named if one.startswith("meat-cooling/chuck")]
    return told


def test_a_piece_that_cools_alone_in_a_hot_pit_is_off_or_its_probe_is_out() -> None:
    falls = Course(57.0, 2.9, False, falls=True, dipped=3.0, in_heat=True)
    climbs, stalls = Course(50.0, -2.0, False), Course(66.0, 0.2, False)
    assert alone_cools("lamb", {"lamb": falls, "chuck": climbs}, 2.5)
    assert alone_cools("lamb", {"lamb": falls, "chuck": stalls}, 2.5) and alone_cools("lamb", {"lamb": falls}, 2.5)
    assert not alone_cools("lamb", {"lamb": falls, "chuck": replace(falls, fallen=0.6)}, 2.5), "it is the pit"
    for other in (replace(falls, in_heat=False), replace(falls, falls=False), replace(falls, fallen=2.4)):
        assert not alone_cools("lamb", {"lamb": other}, 2.5)
    assert not alone_cools("lamb", {}, 2.5)
