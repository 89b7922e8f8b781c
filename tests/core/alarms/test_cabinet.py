"""A piece that is held without a probe of its own is watched by the cabinet's air (common practice, no source)."""

from __future__ import annotations

from dataclasses import replace

from daemon.core.engine import Engine
from daemon.core.events import Level, NapPlanned, Notification
from daemon.core.inputs import GoToSleep, Mark, MarkKind, MoveProbe, SpotReading
from daemon.core.said import Said
from daemon.core.settings import HoldSettings
from tests.core.night import COOK, NIGHT, SETTINGS, cooking, engine_at_night, read, restarted, step
from tests.texts.english import in_english

COOKED, HELD = 600.0, 3600.0
"""s after NIGHT: off the fire, and the hold watched for some minutes."""
FALLING, UNSAFE, LOST = "hold-falling", "hold-unsafe", "meat-probe-lost"
PITS: dict[str, float | None] = {"pit_left": 124.0, "pit_right": 118.0}
OUR_RULES = {FALLING, UNSAFE, LOST}


def held(probes: bool, cabinet: str | None = "cabinet") -> Engine:
    """Both pieces in the hold, the cabinet at 66 °C, until HELD."""
    settings = replace(SETTINGS, cook=replace(COOK, hold=HoldSettings(channel=cabinet)))
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


def test_the_cabinet_says_nothing_of_a_piece_with_a_probe_of_its_own() -> None:
    engine = held(probes=True)
    cold = fall(engine, HELD, chuck=80.0, lamb=80.0)
    read(engine, cold, cold + 900.0, 10.0, chuck=80.0, lamb=80.0, **PITS)
    assert not standing(engine, cold + 900.0) and probes_are_green(engine, cold + 900.0)
    assert not engine.conditioner.dump()["channels"]["cabinet"]["in_use"]  # type: ignore[index]


def test_without_a_channel_of_the_cabinet_nothing_stands_for_the_core() -> None:
    engine = held(probes=False, cabinet=None)
    cold = fall(engine, HELD)
    assert not standing(engine, cold)


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
