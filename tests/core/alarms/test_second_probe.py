"""One of two pit probes gone for long: the pit is still seen, so nobody is woken, but it is told and the list is not green."""

from __future__ import annotations

import pytest

from daemon.core.alarms.rules import rule_by_id
from daemon.core.engine import Engine
from daemon.core.events import Level, NapPlanned, Notification
from daemon.core.orders import GoToSleep
from daemon.core.said import Said
from tests.core.night import NIGHT, cooking, engine_at_night, read, restarted, step
from tests.texts.english import in_english

AWAY = rule_by_id("pit-probe-lost").on_delay
COOKED = 600.0
MEAT = {"chuck": 70.0, "lamb": 60.0}


def standing(engine: Engine, now: float) -> dict[str, str]:
    views = engine.snapshot(NIGHT + now).alarms
    return {v.key: in_english(v.text) for v in views if v.rule in ("pit-probe-lost", "pit-blind") and v.active}


def missing(engine: Engine, now: float) -> set[str]:
    (nap,) = [e for e in step(engine, GoToSleep("page"), NIGHT + now) if isinstance(e, NapPlanned)]
    return {said.key for said in nap.unmet if isinstance(said, Said)}


@pytest.mark.parametrize("gone", [{}, {"pit_right": None}], ids=["silent", "broken"])
def test_a_second_pit_probe_that_is_gone_is_told_and_wakes_nobody(gone: dict[str, float | None]) -> None:
    engine = engine_at_night()
    cooking(engine)
    assert "missing.probes" not in missing(engine, COOKED)
    lost = COOKED + AWAY
    told = read(engine, COOKED, lost - 120.0, 10.0, pit_left=124.0, **MEAT, **gone)
    assert not standing(engine, lost - 120.0) and "missing.probes" in missing(engine, lost - 120.0)
    again = restarted(engine)
    told += read(again, lost - 120.0, lost + 300.0, 10.0, pit_left=124.0, **MEAT, **gone)
    found = standing(again, lost + 300.0)
    assert found.keys() == {"pit-probe-lost/pit-right"}
    assert found["pit-probe-lost/pit-right"].startswith("Check pit probe Pit, right: lost for 3")
    assert "missing.probes" in missing(again, lost + 300.0)
    assert [e for e in told if isinstance(e, Notification) and e.level is Level.WAKE and "probe-lost" in e.alarm] == []
    read(again, lost + 300.0, lost + 720.0, 10.0, pit_left=124.0, pit_right=118.0, **MEAT)
    assert not standing(again, lost + 720.0)


def test_when_both_are_gone_the_pit_is_blind_and_that_says_it_all() -> None:
    engine = engine_at_night()
    cooking(engine)
    read(engine, COOKED, COOKED + 60.0, 10.0, pit_left=124.0, pit_right=118.0, **MEAT)
    until = COOKED + 60.0 + AWAY + 120.0
    read(engine, COOKED + 60.0, until, 10.0, **MEAT)
    assert standing(engine, until).keys() == {"pit-blind/pit"}
