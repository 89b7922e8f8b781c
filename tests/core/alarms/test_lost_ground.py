"""An alarm ends when its ground has gone, whichever rule it is of, and stands while nobody can tell. No outside source: ours."""

from __future__ import annotations

from dataclasses import replace

from daemon.core.alarms.conditions.scan import conditions
from daemon.core.alarms.rules import ALARM_RULES
from daemon.core.events import AlarmState
from daemon.core.inputs import ForecastArrived
from daemon.core.orders import ChangeCook, ChangePiece, MoveProbe
from daemon.core.outlook import Goal, Interval, Outlook
from daemon.core.said import say
from tests.core.test_changing_cook import CHUCK, START, Night

HOUR = 3600.0


def forecast(night: Night, hours: float, half: float = 0.1, hotter: float | None = None, piece: str = "chuck") -> None:
    """The chuck roll is tender in so many hours, give or take; hotter: in a pit that is hotter."""

    def at(middle: float) -> Interval:
        return Interval(*(night.now + HOUR * (middle + part) for part in (-half, 0.0, half)))

    outlooks = [Outlook(Goal.TENDER, "planned", at(hours))]
    if hotter is not None:
        outlooks.append(Outlook(Goal.TENDER, "pit-10-hotter", at(hotter)))
    night.give(ForecastArrived(piece, night.now, tuple(outlooks)))


def standing(night: Night) -> set[str]:
    return {
        view.key
        for view in night.engine.alarms.views()
        if view.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
    }


def test_the_service_is_at_no_risk_once_it_has_no_hour() -> None:
    night = Night()
    cook = night.engine.settings.cook
    night.give(ChangeCook(replace(cook, serve_at=START + 4 * HOUR, rest=HOUR), "page"))
    forecast(night, 5.0, hotter=4.0)
    night.minutes(15)
    assert "service-at-risk/chuck" in standing(night)
    night.give(ChangeCook(replace(night.engine.settings.cook, serve_at=None), "page"))
    night.minutes(2)
    assert "service-at-risk/chuck" not in standing(night)


def test_a_piece_that_is_wrapped_no_more_asks_for_no_wrap() -> None:
    night = Night(wrap_at=49.0)
    night.minutes(10)
    assert "wrap-target/chuck" in standing(night)
    night.give(ChangePiece(replace(CHUCK, wrap=None, wrap_at=None), "page"))
    night.minutes(10)
    assert "wrap-target/chuck" not in standing(night)


def test_a_piece_with_a_probe_again_asks_for_no_reading_by_hand() -> None:
    night = Night()
    night.give(MoveProbe("chuck", None, "page"))
    forecast(night, 0.4, half=1.0)
    night.minutes(5)
    assert "spot-check/chuck" not in standing(night), "its own probe read it a moment ago"
    night.minutes(15)
    forecast(night, 0.1, half=1.0)
    night.minutes(5)
    assert "spot-check/chuck" in standing(night)
    night.give(MoveProbe("chuck", "m1", "page"))
    night.minutes(5)
    assert "spot-check/chuck" not in standing(night)


def test_where_anything_may_happen_a_reading_is_asked_for_only_once_the_core_may_be_there() -> None:
    """A core climbs by 1 °C a minute at most: from 50 °C to 90 takes 40 min, less a quarter of an hour for fetching the
    thermometer. No source: common practice."""
    night = Night()
    night.minutes(1)
    night.give(MoveProbe("chuck", None, "page"))
    asked = []
    for minute in range(45):
        if minute % 5 == 0:
            wide = Outlook(Goal.TENDER, "planned", None, say("forecast.too-wide", width=17 * HOUR))
            night.give(ForecastArrived("chuck", night.now, (wide,)))
        night.minutes(1)
        asked += [minute] if "spot-check/chuck" in standing(night) else []
    assert 24 <= asked[0] <= 29


def test_every_rule_ends_that_nobody_judges_and_none_that_is_not_known() -> None:
    """Of a subject that is not there any more no rule is judged; of a pit that nobody sees some are not known."""
    night = Night()
    night.minutes(1)
    process = replace(night.engine._processes(night.now)[0], pit=float("nan"))
    gone = frozenset((rule.id, "a piece of long ago") for rule in ALARM_RULES)
    blind = frozenset((rule, "pit") for rule in ("fire-out", "pit-high", "runaway"))
    judged = {(c.rule, c.subject): c for c in conditions(replace(process, open=gone | blind))}
    assert all(not judged[key].active and judged[key].within for key in gone)
    assert not blind & set(judged)


def test_a_delay_that_runs_ends_with_its_ground() -> None:
    """Before its on-delay is over, too: nothing is raised of a serving time that is there no more."""
    night = Night()
    cook = night.engine.settings.cook
    night.give(ChangeCook(replace(cook, serve_at=START + 4 * HOUR, rest=HOUR), "page"))
    forecast(night, 5.0, hotter=4.0)
    night.minutes(5)
    night.give(ChangeCook(replace(night.engine.settings.cook, serve_at=None), "page"))
    before = len(night.engine.alarms.seen())
    night.minutes(20)
    view = night.engine.alarms.view("service-at-risk/chuck")
    assert before and view is not None and view.occurrence == 0


def test_a_guess_of_hours_calls_nobody_to_a_piece_without_a_probe() -> None:
    """At 20 min to the middle: one that is narrow enough to act on is told, one from 40 min ago to 80 min ahead is not."""
    told = {}
    for half in (0.3, 1.0):
        night = Night()
        night.give(MoveProbe("chuck", None, "page"))
        forecast(night, 0.33, half)
        night.minutes(6)
        told[half] = "tender-range/chuck" in standing(night)
    assert told == {0.3: True, 1.0: False}


def test_a_tender_prompt_of_a_forecast_alone_ends_when_it_is_put_off() -> None:
    night = Night()
    night.give(MoveProbe("chuck", None, "page"))
    forecast(night, 0.3, half=0.2)
    night.minutes(6)
    assert "tender-range/chuck" in standing(night)
    forecast(night, 3.0, half=0.2)
    night.minutes(3)
    assert "tender-range/chuck" not in standing(night)
