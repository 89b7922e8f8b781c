"""The green list: nothing is green that does not hold now."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from daemon.core.annunciation.nap import Wood, green_list, rung_within
from daemon.core.drive import replayed
from daemon.core.engine import Engine
from daemon.core.health import HealthTable
from daemon.core.inputs import ForecastArrived, Health, Part
from daemon.core.orders import Acknowledge, CountWood, GoToSleep, Mark, MarkKind
from daemon.core.outlook import Goal, Interval, Outlook
from daemon.core.said import say
from tests.core.annunciation.test_annunciator import SETTINGS
from tests.core.test_changing_cook import Night
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
    missing = {in_english(line) for line, holds in listed if not holds}
    assert "check what wakes you: a channel fails, or there is none" in missing
    assert "add a second device that can wake you" in missing


def test_the_list_is_that_of_now_and_not_of_the_moment_of_pressing() -> None:
    """Pressed while all was well; then the phone's channel fails, and works again; then an alarm comes up, and is answered."""
    one, line = engine(), "check what wakes you: a channel fails, or there is none"
    for _ in replayed(one, [(NOON + second, read(NOON + second, 121.0)) for second in range(120)]):
        pass
    one.handle(GoToSleep("cook"), NOON + 120)
    assert line not in unmet(one, NOON + 121)
    one.handle(Health(Part.CHANNEL, "phone", False, "no answer"), NOON + 130)
    assert line in unmet(one, NOON + 131)
    one.handle(Health(Part.CHANNEL, "phone", True), NOON + 140)
    assert line not in unmet(one, NOON + 141)
    answer, hot = "answer the alarm that stands", [(NOON + at, read(NOON + at, 190.0)) for at in range(141, 3000)]
    assert answer not in unmet(one, NOON + 141)
    for _ in replayed(one, hot):
        pass
    assert answer in unmet(one, NOON + 3000)
    one.handle(Acknowledge("*", by="cook"), NOON + 3001)
    assert answer not in unmet(one, NOON + 3002)


def test_wood_is_on_the_list_once_it_was_counted() -> None:
    well: dict[str, Any] = {"test_wake": True, "clock": True, "probes": True, "answered": True}
    assert "wood" not in str(green_list(SETTINGS, HealthTable(), **well))
    assert (say("missing.wood"), False) in green_list(SETTINGS, HealthTable(), **well, wood=Wood.SHORT)
    assert (say("green.wood"), True) in green_list(SETTINGS, HealthTable(), **well, wood=Wood.LASTS)


def wood_lines(one: Night) -> list[str]:
    nap = one.engine.snapshot(one.now).nap
    assert nap is not None
    return [line for text in (*nap.green, *nap.unmet) if "wood" in (line := in_english(text))]


def foretold(one: Night, piece: str) -> None:
    tender = Outlook(Goal.TENDER, "planned", Interval(one.now + 3600.0, one.now + 7200.0, one.now + 9000.0))
    one.give(ForecastArrived(piece, one.now, (tender,), ()))
    one.minutes(2)


def test_wood_is_green_only_once_it_is_known_until_when_each_piece_needs_it() -> None:
    """Two pieces are on the fire; first none is foretold, then one, then both."""
    one = Night()
    one.give(CountWood(400, "cook"))
    one.give(GoToSleep("cook"))
    unknown, green = (
        "look at the wood: nobody knows yet when the last piece is off",
        "the wood lasts until the meat is off",
    )
    assert wood_lines(one) == [unknown]
    foretold(one, "chuck")
    assert wood_lines(one) == [unknown], "the other may take longer"
    foretold(one, "lamb")
    assert wood_lines(one) == [green]
    again = one.engine.snapshot(one.now)
    assert again.wood is not None and again.wood.all_known
    one.give(CountWood(0, "cook"))
    assert wood_lines(one) == ["fetch wood: it runs out before the meat is off"]
    one.give(Mark(MarkKind.OFF))
    assert wood_lines(one) == [green], "no meat needs it any more"


def test_too_little_wood_is_told_though_not_every_piece_is_foretold() -> None:
    one = Night()
    one.give(CountWood(0, "cook"))
    one.give(GoToSleep("cook"))
    foretold(one, "chuck")
    assert wood_lines(one) == ["fetch wood: it runs out before the meat is off"]


def test_no_line_says_twice_that_something_is_not_so() -> None:
    """What does not hold is named by what is to be done about it."""
    ill = HealthTable()
    for part in (Part.CHANNEL, Part.DISK):
        ill.take(Health(part, "x", False, "no"), 0.0)
    listed = green_list(
        replace(SETTINGS, audiences=()), ill, test_wake=False, clock=False, probes=False, answered=False
    )
    assert not any(holds for _, holds in listed)
    verbs = {"send", "add", "check", "set", "answer", "look"}
    assert {in_english(line).split()[0] for line, _ in listed} == verbs


def test_an_agreed_hour_ends_the_sleep_and_promises_none_that_the_fire_does_not() -> None:
    """(window of the fire, hour of the plan, meat on the fire) -> window."""
    now = 100.0
    assert rung_within((500.0, 600.0), 550.0, now, burning=True) == (500.0, 550.0)
    assert rung_within((500.0, 600.0), 900.0, now, burning=True) == (500.0, 600.0)
    assert rung_within(None, 900.0, now, burning=True) is None, "nobody knows how long the fire lasts"
    assert rung_within(None, 900.0, now, burning=False) == (900.0, 900.0)
    assert rung_within(None, 50.0, now, burning=False) is None, "it rings already"
    assert rung_within((500.0, 600.0), None, now, burning=True) == (500.0, 600.0)


def test_a_lost_record_promises_nothing_until_somebody_has_said_how_things_stand() -> None:
    """Also once its alarm is acknowledged: that somebody has seen it tells nothing of the fire."""
    one = Night()
    one.give(Health(Part.RECORD, "cook", False, "the journal is damaged"))
    one.give(Acknowledge("*", "cook"))
    nap = one.engine.snapshot(one.now).could_sleep
    assert nap is not None and nap.until is None
    assert say("missing.told") in nap.unmet and nap.reason == say("missing.told")
    one.give(Mark(MarkKind.FIRE_LIT))
    nap = one.engine.snapshot(one.now).could_sleep
    assert nap is not None and say("missing.told") not in nap.unmet
