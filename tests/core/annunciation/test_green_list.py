"""The green list: nothing is green that does not hold now."""

from __future__ import annotations

from dataclasses import replace

from daemon.core.annunciation.nap import green_list, rung_within
from daemon.core.drive import replayed
from daemon.core.engine import Engine
from daemon.core.health import HealthTable
from daemon.core.inputs import GoToSleep, Health, Part
from daemon.core.said import say
from tests.core.annunciation.test_annunciator import SETTINGS
from tests.core.test_restart import NOON, engine, read
from tests.texts.english import in_english


def unmet(one: Engine, now: float) -> tuple[str, ...]:
    nap = one.snapshot(now).nap
    assert nap is not None
    return tuple(in_english(line) for line in nap.unmet)


def test_without_a_delivery_no_line_that_needs_one_is_green() -> None:
    listed = green_list(
        replace(SETTINGS, audiences=()), HealthTable(), test_wake=False, clock=True, probes=True, answered=True
    )
    lines = {in_english(line): holds for line, holds in listed}
    assert not lines["every wake channel works"] and not lines["a second device can wake you"]


def test_the_list_is_that_of_now_and_not_of_the_moment_of_pressing() -> None:
    """Pressed while all was well; then the phone's channel fails, and works again."""
    one, line = engine(), "every wake channel works"
    for _ in replayed(one, [(NOON + second, read(NOON + second, 121.0)) for second in range(120)]):
        pass
    one.handle(GoToSleep("cook"), NOON + 120)
    assert line not in unmet(one, NOON + 121)
    one.handle(Health(Part.CHANNEL, "phone", False, "no answer"), NOON + 130)
    assert line in unmet(one, NOON + 131)
    one.handle(Health(Part.CHANNEL, "phone", True), NOON + 140)
    assert line not in unmet(one, NOON + 141)


def test_wood_is_on_the_list_once_it_was_counted() -> None:
    well = {"test_wake": True, "clock": True, "probes": True, "answered": True}
    words = say("green.wood")
    assert words not in dict(green_list(SETTINGS, HealthTable(), **well))
    assert dict(green_list(SETTINGS, HealthTable(), **well, wood=False))[words] is False


def test_an_agreed_hour_ends_the_sleep_and_promises_none_that_the_fire_does_not() -> None:
    """(window of the fire, hour of the plan, meat on the fire) -> window."""
    now = 100.0
    assert rung_within((500.0, 600.0), 550.0, now, burning=True) == (500.0, 550.0)
    assert rung_within((500.0, 600.0), 900.0, now, burning=True) == (500.0, 600.0)
    assert rung_within(None, 900.0, now, burning=True) is None, "nobody knows how long the fire lasts"
    assert rung_within(None, 900.0, now, burning=False) == (900.0, 900.0)
    assert rung_within(None, 50.0, now, burning=False) is None, "it rings already"
    assert rung_within((500.0, 600.0), None, now, burning=True) == (500.0, 600.0)
