"""A piece that is held without a probe of its own is watched by the cabinet's air (common practice, no source)."""

from __future__ import annotations

from copy import deepcopy
from dataclasses import replace
from functools import cache
from math import cos, exp, sin

import pytest

from daemon.core.alarms.conditions.piece import COLD_IN
from daemon.core.engine import Engine
from daemon.core.events import Event, Level, NapPlanned, Notification, ProbeFault, QualityChanged
from daemon.core.inputs import Resumed
from daemon.core.orders import Acknowledge, GoToSleep, Mark, MarkKind, MoveProbe, SpotReading, TakeBack
from daemon.core.said import Said
from daemon.core.settings import HoldSettings
from tests.core.night import COOK, NIGHT, SETTINGS, cooking, engine_at_night, read, readings, restarted, step
from tests.texts.english import in_english

HOUR = 3600.0
COOKED, HELD = 600.0, 3600.0
"""s after NIGHT: off the fire, and the hold watched for some minutes."""
FALLING, UNSAFE, LOST = "hold-falling", "hold-unsafe", "meat-probe-lost"
PITS: dict[str, float | None] = {"pit_left": 124.0, "pit_right": 118.0}
OUR_RULES = {FALLING, UNSAFE, LOST}
UNSEEN = "hold-unseen"
BLIND = 600.0
"""s after which a probe that gives nothing has long been gone."""


def held(probes: bool, cabinet: str | None = "cabinet", target: float | None = None) -> Engine:
    """Both pieces in the hold, the cabinet at 66 °C, until HELD: a copy of one led there. target: that it keeps, °C."""
    return deepcopy(_held(probes, cabinet, target))


@cache
def _held(probes: bool, cabinet: str | None, target: float | None) -> Engine:
    settings = replace(SETTINGS, cook=replace(COOK, hold=HoldSettings(channel=cabinet, target=target)))
    engine = engine_at_night(settings)
    cooking(engine)
    step(engine, Mark(MarkKind.MEAT_ON, "lamb"), NIGHT + COOKED)
    for kind in (MarkKind.OFF, MarkKind.REST, MarkKind.HOLD):
        for piece in ("chuck", "lamb"):
            step(engine, Mark(kind, piece), NIGHT + COOKED)
    if not probes:
        for piece in ("chuck", "lamb"):
            step(engine, MoveProbe(piece, None, "page"), NIGHT + COOKED)
    read(engine, COOKED, HELD, 10.0, cabinet=66.0, chuck=80.0, lamb=80.0, **PITS)
    return engine


def standing(engine: Engine, now: float) -> dict[tuple[str, str], str]:
    """Those of the three alarms that stand, with message and reason."""
    views = [v for v in engine.snapshot(NIGHT + now).alarms if v.rule in OUR_RULES and v.active]
    return {(v.rule, v.subject): f"{in_english(v.text)} | {in_english(v.because)}" for v in views}


def probes_are_green(engine: Engine, now: float) -> bool:
    (nap,) = [e for e in step(engine, GoToSleep("page"), NIGHT + now) if isinstance(e, NapPlanned)]
    green, missing = ({said.key for said in found if isinstance(said, Said)} for found in (nap.green, nap.unmet))
    assert ("green.probes" in green) != ("missing.probes" in missing)
    return "green.probes" in green


def fall(engine: Engine, first: float, **others: float) -> float:
    """The cabinet falls from 66 to 30 °C by 1 °C a minute; the second at which it is there."""
    for minute in range(37):
        at = first + 60.0 * minute
        read(engine, at, at + 60.0, 10.0, cabinet=66.0 - minute, **PITS, **others)
    return first + 37 * 60.0


def test_a_silent_cabinet_is_an_alarm_of_each_piece_that_it_stands_for() -> None:
    engine = held(probes=False)
    assert not standing(engine, HELD) and probes_are_green(engine, HELD)
    read(engine, HELD, HELD + 900.0, 10.0, **PITS)
    found = standing(engine, HELD + 900.0)
    assert found.keys() == {(LOST, "chuck"), (LOST, "lamb")}
    assert found[LOST, "lamb"].startswith("Check cabinet probe (Lamb shoulder): lost for ")
    assert not probes_are_green(engine, HELD + 900.0)
    told = read(engine, HELD + 900.0, HELD + 7200.0, 10.0, **PITS)
    assert any(e.level is Level.WAKE and LOST in e.alarm for e in told if isinstance(e, Notification))
    read(engine, HELD + 7200.0, HELD + 8100.0, 10.0, cabinet=66.0, **PITS)
    assert LOST not in {rule for rule, _ in standing(engine, HELD + 8100.0)}
    assert probes_are_green(engine, HELD + 8100.0)


def test_a_cabinet_gone_cold_is_told_and_says_that_it_is_no_core() -> None:
    engine = held(probes=False)
    read(engine, HELD, HELD + 900.0, 10.0, **PITS)
    cold = fall(again := restarted(engine), HELD + 900.0)
    found = standing(again, cold)
    assert found.keys() == {(FALLING, "chuck"), (FALLING, "lamb")}
    assert found[FALLING, "lamb"].startswith("Reheat or serve Lamb shoulder: cabinet 3")
    assert "the cabinet's own reading, not the core's" in found[FALLING, "lamb"]
    late = cold + 3.5 * 3600.0
    read(again, cold, late, 10.0, cabinet=30.0, **PITS)
    found = standing(again, late)
    assert found.keys() == {(rule, piece) for rule in (FALLING, UNSAFE) for piece in ("chuck", "lamb")}
    assert "the cabinet's own reading, not the core's" in found[UNSAFE, "chuck"]
    read(again, late, late + 900.0, 10.0, cabinet=66.0, **PITS)
    assert not standing(again, late + 900.0)


def test_a_box_that_is_not_heated_says_nothing_of_a_piece_with_a_probe_of_its_own() -> None:
    engine = held(probes=True)
    cold = fall(engine, HELD, chuck=80.0, lamb=80.0)
    read(engine, cold, cold + 900.0, 10.0, chuck=80.0, lamb=80.0, **PITS)
    assert not standing(engine, cold + 900.0) and probes_are_green(engine, cold + 900.0)
    assert not engine.conditioner.dump()["channels"]["cabinet"]["in_use"]  # type: ignore[index]


def test_a_heated_cabinet_gone_cold_is_told_hours_before_the_core_shows_it_and_an_open_door_is_not() -> None:
    engine = held(probes=True, target=66.0)
    read(engine, HELD, HELD + 480.0, 10.0, cabinet=50.0, chuck=80.0, lamb=80.0, **PITS)
    read(engine, HELD + 480.0, HELD + 900.0, 10.0, cabinet=64.0, chuck=80.0, lamb=80.0, **PITS)
    assert not standing(engine, HELD + 900.0), "a door"
    told = read(
        again := restarted(engine), HELD + 900.0, HELD + 1800.0, 10.0, cabinet=47.0, chuck=80.0, lamb=80.0, **PITS
    )
    assert woken(told) == {f"{FALLING}/chuck"}, "one cabinet, one call"
    assert standing(again, HELD + 1800.0)[FALLING, "chuck"].startswith(
        "Look at the cabinet: 48 °C inside, below the safe 57 °C"
    )
    step(again, Acknowledge("*", "cook"), NIGHT + HELD + 1800.0)
    told = read(again, HELD + 1800.0, HELD + 3600.0, 10.0, cabinet=40.0, chuck=79.0, lamb=79.0, **PITS)
    assert not woken(told), "answered for, and the cores are far from the floor"
    told = read(again, HELD + 3600.0, HELD + 4500.0, 10.0, cabinet=40.0, chuck=55.0, lamb=79.0, **PITS)
    assert f"{FALLING}/chuck" in woken(told)
    read(again, HELD + 4500.0, HELD + 5400.0, 10.0, cabinet=66.0, chuck=79.0, lamb=79.0, **PITS)
    assert not standing(again, HELD + 5400.0)


def woken(events: list[Event]) -> set[str]:
    """Alarms that woke, in a message of their own or with another's."""
    calls = [e for e in events if isinstance(e, Notification) and e.level is Level.WAKE]
    return {alarm for call in calls for alarm in (call.alarm, *call.merged)}


def unseen(engine: Engine, now: float) -> set[str]:
    return {v.subject for v in engine.snapshot(NIGHT + now).alarms if v.rule == UNSEEN and v.active}


@pytest.mark.parametrize("gone", [{"chuck": None, "lamb": None}, {}], ids=["open", "silent"])
@pytest.mark.parametrize("again", [False, True])
def test_the_cabinet_stands_for_a_piece_whose_probe_is_gone(gone: dict[str, None], again: bool) -> None:
    engine = held(probes=True)
    read(engine, HELD, HELD + BLIND, 10.0, cabinet=66.0, **gone, **PITS)
    assert FALLING not in {rule for rule, _ in standing(engine, HELD + BLIND)} and not unseen(engine, HELD + BLIND)
    assert engine.conditioner.dump()["channels"]["cabinet"]["in_use"]  # type: ignore[index]
    engine = restarted(engine) if again else engine
    told = read(engine, HELD + BLIND, HELD + 2 * BLIND, 10.0, cabinet=40.0, **gone, **PITS)
    assert {f"{FALLING}/chuck", f"{FALLING}/lamb"} <= woken(told)
    assert standing(engine, HELD + 2 * BLIND)[FALLING, "lamb"].startswith("Reheat or serve Lamb shoulder: cabinet 4")
    back = HELD + 3 * BLIND
    read(engine, HELD + 2 * BLIND, back, 10.0, cabinet=40.0, chuck=80.0, lamb=80.0, **PITS)
    assert not standing(engine, back), "the probes tell again, and say that the meat is hot"


def test_the_air_does_not_stand_for_a_probe_that_is_gone_for_a_moment() -> None:
    engine = held(probes=True)
    read(engine, HELD, HELD + 1800.0, 10.0, cabinet=40.0, chuck=80.0, lamb=80.0, **PITS)
    assert not standing(engine, HELD + 1800.0)
    for start in range(int(HELD) + 1800, int(HELD) + 5400, 360):
        read(engine, start, start + 180.0, 10.0, cabinet=40.0, chuck=None, lamb=None, **PITS)
        read(engine, start + 180.0, start + 360.0, 10.0, cabinet=40.0, chuck=80.0, lamb=80.0, **PITS)
        assert not standing(engine, start + 360.0)


def test_warm_air_does_not_clear_what_a_probe_read_before_it_was_gone() -> None:
    engine = held(probes=True)
    read(engine, HELD, HELD + 1800.0, 10.0, cabinet=66.0, chuck=80.0, lamb=50.0, **PITS)
    read(engine, HELD + 1800.0, HELD + 3600.0, 10.0, cabinet=66.0, chuck=80.0, lamb=None, **PITS)
    assert (FALLING, "lamb") in standing(engine, HELD + 3600.0)


@pytest.mark.parametrize("cabinet", ["cabinet", None])
def test_a_piece_whose_probe_is_gone_in_a_cabinet_without_a_live_probe_is_unseen(cabinet: str | None) -> None:
    """A channel of the cabinet that is dead is as good as none."""
    engine, gone = held(probes=True, cabinet=cabinet), HELD
    dead = {"chuck": None, "lamb": None, "cabinet": None}
    told = read(engine, gone, gone + BLIND, 10.0, **dead, **PITS)
    assert unseen(engine, gone + BLIND) == {"chuck", "lamb"} and not woken(told)
    step(engine, SpotReading("lamb", 80.0), NIGHT + gone + BLIND)
    told = read(engine, gone + BLIND, gone + COLD_IN, 10.0, **dead, **PITS)
    assert f"{LOST}/chuck" in woken(told), "while there is time to act"
    assert unseen(engine, gone + COLD_IN) == {"chuck", "lamb"}, "a reading by hand tells for an hour"
    (nap,) = [e for e in step(engine, GoToSleep("page"), NIGHT + gone + COLD_IN) if isinstance(e, NapPlanned)]
    assert any(in_english(line).endswith("nothing watches Chuck roll; Lamb shoulder") for line in nap.unmet)
    read(engine, gone + COLD_IN, gone + COLD_IN + 900.0, 10.0, cabinet=66.0, chuck=80.0, lamb=80.0, **PITS)
    assert not unseen(engine, gone + COLD_IN + 900.0) and not standing(engine, gone + COLD_IN + 900.0)


def test_without_a_channel_of_the_cabinet_nothing_stands_for_the_core() -> None:
    engine = held(probes=False, cabinet=None)
    cold = fall(engine, HELD)
    assert not standing(engine, cold)
    unseen = {v.subject for v in engine.snapshot(NIGHT + cold).alarms if v.rule == "hold-unseen" and v.active}
    (nap,) = [e for e in step(engine, GoToSleep("page"), NIGHT + cold) if isinstance(e, NapPlanned)]
    assert unseen == {"chuck", "lamb"}
    assert any(in_english(line).endswith("nothing watches Chuck roll; Lamb shoulder") for line in nap.unmet)
    watched = held(probes=False)
    assert "held-unseen" not in str(watched.snapshot(NIGHT + HELD).could_sleep)
    assert all(v.rule != "hold-unseen" for v in watched.snapshot(NIGHT + HELD).alarms)


def test_the_cabinet_is_in_use_while_it_stands_for_a_core() -> None:
    engine = held(probes=False)

    def used() -> bool:
        return bool(engine.conditioner.dump()["channels"]["cabinet"]["in_use"])  # type: ignore[index]

    assert used()
    step(engine, MoveProbe("chuck", "chuck", "page"), NIGHT + HELD)
    assert used()
    step(engine, MoveProbe("lamb", "lamb", "page"), NIGHT + HELD)
    assert not used()
    step(engine, MoveProbe("lamb", None, "page"), NIGHT + HELD)
    assert used()
    step(engine, Mark(MarkKind.CHILL, "lamb"), NIGHT + HELD)
    assert not used()


def test_warm_air_does_not_clear_a_core_read_below_the_floor() -> None:
    engine = held(probes=False)
    step(engine, SpotReading("lamb", 50.0), NIGHT + HELD)
    read(engine, HELD, HELD + 1800.0, 10.0, cabinet=66.0, **PITS)
    assert standing(engine, HELD + 1800.0).keys() == {(FALLING, "lamb")}


@pytest.mark.parametrize("again", [False, True])
def test_what_a_stuck_cabinet_said_since_it_stuck_was_seen_by_nobody(again: bool) -> None:
    """A calm cabinet is found to be stuck late. again: restarted when it is found, and a mark said and taken back."""
    engine, called, found = held(probes=False), dict[str, float](), None
    step(engine, GoToSleep("page"), NIGHT + HELD)
    stuck_at, lead = HELD + HOUR / 2, SETTINGS.announcing.sleeper.lead
    for at in range(int(HELD), int(stuck_at + 3.6 * HOUR), 10):
        air = 66.0 + round(3 * sin(at / 400.0)) / 4 if at < stuck_at else 66.0
        pit = 120.0 + 12 * sin(at / 2000.0) + 0.25 * (at // 10 % 2)
        for event in step(engine, readings(NIGHT + at, cabinet=air, pit_left=pit, pit_right=pit), NIGHT + at):
            if isinstance(event, QualityChanged) and event.channel == "cabinet" and ProbeFault.STUCK in event.doubts:
                found = found or at
            if isinstance(event, Notification) and event.level is Level.WAKE:
                called.setdefault(event.alarm.partition("/")[0], at)
        if again and found == at:
            engine = restarted(engine)
            step(engine, Resumed(), NIGHT + at)
            step(engine, Mark(MarkKind.REST, "chuck"), NIGHT + at)
            step(engine, TakeBack("rest", "chuck"), NIGHT + at)
    assert found is not None and found - stuck_at > HOUR, "it is found late"
    assert called[LOST] <= max(found, stuck_at + COLD_IN - lead) + 600.0
    assert called[UNSAFE] <= stuck_at + 4 * HOUR - lead
    below = [piece.air for piece in engine.pieces.values()]
    assert all(stuck_at + one.unseen == pytest.approx(at, abs=180.0) and one.below == one.unseen for one in below)


def test_a_cabinet_that_was_never_heard_is_lost_since_the_meat_is_in_it() -> None:
    settings = replace(SETTINGS, cook=replace(COOK, pieces=tuple(replace(p, channel=None) for p in COOK.pieces)))
    engine, called = engine_at_night(settings), list[str]()
    cooking(engine)
    for kind in (MarkKind.OFF, MarkKind.HOLD):
        step(engine, Mark(kind, "chuck"), NIGHT + COOKED)
    step(engine, GoToSleep("page"), NIGHT + COOKED)
    for at in range(int(COOKED), int(COOKED + COLD_IN), 60):
        called += [
            event.alarm
            for event in step(engine, readings(NIGHT + at, pit_left=120.0, pit_right=118.0), NIGHT + at)
            if isinstance(event, Notification) and event.level is Level.WAKE
        ]
    assert called[0].startswith(f"{LOST}/chuck")


def one_probe() -> Engine:
    """The chuck roll is held with its probe, the lamb shoulder without."""
    engine = held(probes=True)
    step(engine, MoveProbe("lamb", None, "page"), NIGHT + HELD)
    return engine


def follow(engine: Engine, first: float, hours: float, room: float, takes: float, core: float = 80.0) -> list[Event]:
    """The cabinet's probe says 65 °C with live noise; the core nears `room` °C with a time constant of `takes` hours."""
    told: list[Event] = []
    for number in range(int(hours * 360)):  # every 10 s: a channel of this rig is stale after that
        at = 10.0 * number
        now, wobble = NIGHT + first + at, 0.25 * (number % 4)
        chuck = round(4.0 * (room + (core - room) * exp(-at / (takes * HOUR)))) / 4.0 + 0.25 * (number % 2)
        noise = 0.1 * sin(1.7 * number) + 0.05 * cos(0.9 * number)
        pits = {name: celsius + wobble for name, celsius in PITS.items() if celsius is not None}
        told += step(engine, readings(now, cabinet=65.0 + noise, chuck=chuck, **pits), now)
    return told


def of_the_hold(told: list[Event]) -> list[QualityChanged]:
    return [e for e in told if isinstance(e, QualityChanged) and e.channel in ("cabinet", "chuck")]


def test_a_cabinet_that_reads_warm_over_meat_that_cools_is_no_proof_for_the_meat_without_a_probe() -> None:
    """The heater has tripped and the probe stuck with its noise: a core beside it falls below that air and goes on falling."""
    engine = one_probe()
    told = follow(engine, HELD, 1.25, 20.0, 4.0)  # 64 °C, one below what the air says
    assert (LOST, "lamb") not in standing(engine, HELD + 1.25 * HOUR) and not of_the_hold(told)
    engine = restarted(engine)
    told = follow(engine, HELD + 1.25 * HOUR, 1.0, 20.0, 4.0, core=63.9)
    assert f"{LOST}/lamb" in woken(told), "within an hour"
    (change,) = of_the_hold(told)
    assert change.channel == "cabinet" and change.doubts == (ProbeFault.DISAGREES,)
    found = standing(engine, HELD + 2.25 * HOUR)
    assert found[LOST, "lamb"].startswith("Check cabinet (Lamb shoulder): 65 °C")
    assert not probes_are_green(engine, HELD + 2.25 * HOUR)
    back = HELD + 2.25 * HOUR
    told = follow(engine, back, 0.6, 65.0, 4.0, core=54.2)
    assert (LOST, "lamb") in standing(engine, back + 0.6 * HOUR), "the heater is on, but not yet for as long"
    told += follow(engine, back + 0.6 * HOUR, 0.6, 65.0, 4.0, core=55.7)
    assert [change.doubts for change in of_the_hold(told)] == [()]
    assert (LOST, "lamb") not in standing(engine, back + 1.2 * HOUR)


@pytest.mark.parametrize(("room", "takes"), [(65.0, 3.0), (63.0, 1.0)])
def test_meat_that_comes_down_to_the_air_of_its_cabinet_is_no_witness_against_it(room: float, takes: float) -> None:
    """Also where the air that the meat lies in is 2 °C colder than what the probe reads."""
    engine = one_probe()
    told = follow(engine, HELD, 6.0, room, takes)
    assert not standing(engine, HELD + 6.0 * HOUR) and not woken(told) and not of_the_hold(told)
    assert probes_are_green(engine, HELD + 6.0 * HOUR)


def test_meat_that_rested_cold_before_it_came_to_the_cabinet_is_no_witness_against_it() -> None:
    """It has fallen below the cabinet's air on the table, and falls on for half an hour while its rind warms."""
    engine = held(probes=True)
    for piece in ("chuck", "lamb"):
        step(engine, Mark(MarkKind.REST, piece), NIGHT + HELD)
    step(engine, MoveProbe("lamb", None, "page"), NIGHT + HELD)
    told = follow(engine, HELD, 1.5, 15.0, 5.0)
    hold = HELD + 1.5 * HOUR
    for piece in ("chuck", "lamb"):
        step(engine, Mark(MarkKind.HOLD, piece), NIGHT + hold)
    told += follow(engine, hold, 0.5, 53.0, 0.6, core=63.1)
    told += follow(engine, hold + 0.5 * HOUR, 2.0, 65.0, 4.0, core=57.4)
    assert (LOST, "lamb") not in standing(engine, hold + 2.5 * HOUR)
    assert not [change for change in of_the_hold(told) if change.channel == "cabinet"]
