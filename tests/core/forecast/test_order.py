"""Times that follow from one another agree, and none is shown that nobody can act on. No outside source: the rules are ours."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.core.engine import Engine
from daemon.core.events import AlarmChanged, ForecastWanted, Level, Notification
from daemon.core.forecast.ahead import PLANNED
from daemon.core.forecast.outlooks import Forecaster, forecast, in_order
from daemon.core.inputs import ForecastArrived
from daemon.core.orders import MoveProbe
from daemon.core.outlook import FanPoint, Goal, Interval, Outlook
from daemon.core.said import Said, say
from tests.core.forecast.test_carried import CORE, ON
from tests.core.forecast.test_spots import PIECE, asked, spot
from tests.core.pieces.test_seat import run
from tests.core.test_changing_cook import Night

times = st.lists(st.floats(0.0, 1e5), min_size=3, max_size=3).map(lambda t: Interval(*sorted(t)))


@given(off=times, rest=times, hold=times)
def test_off_comes_before_the_end_of_the_rest_and_that_before_the_hold_limit(
    off: Interval, rest: Interval, hold: Interval
) -> None:
    rest = Interval(off.p05 + rest.p05, off.p50 + rest.p50, off.p95 + rest.p95)
    goals = (Goal.TENDER, Goal.REST_END, Goal.HOLD_LIMIT)
    told = in_order([Outlook(g, PLANNED, at) for g, at in zip(goals, (off, rest, hold), strict=True)], Goal.TENDER)
    tender, ends, limit = (o.at for o in told)
    assert tender is not None and ends is not None and limit is not None
    for side in ("p05", "p50", "p95"):
        assert getattr(tender, side) <= getattr(ends, side) <= getattr(limit, side)
    for at in (tender, ends, limit):
        assert at.p05 <= at.p50 <= at.p95
    assert limit.p05 >= hold.p05 and ends.p95 <= rest.p95, "a limit is never put off, a rest never drawn out"


def test_what_follows_from_nothing_foretold_is_not_foretold() -> None:
    why = say("forecast.too-wide", width=40 * 3600.0)
    at = Interval(1.0, 2.0, 3.0)
    told = in_order(
        [Outlook(Goal.TENDER, PLANNED, None, why), Outlook(Goal.HOLD_LIMIT, PLANNED, at, celsius=57.2)], Goal.TENDER
    )
    assert told[1].at is None and told[1].reason == why


@settings(max_examples=12, deadline=None)
@given(minute=st.integers(320, 650), hand=st.floats(40.0, 93.0), moved=st.booleans(), probed=st.booleans())
def test_after_a_move_and_readings_by_hand_the_times_agree_or_say_why_not(
    minute: int, hand: float, moved: bool, probed: bool
) -> None:
    core = np.where(np.arange(minute) < minute - 60, CORE[:minute] + 15.0, hand if moved else np.nan)
    piece = replace(PIECE, channel="core" if probed else "")
    seated = ((ON + minute - 60) * 60.0,) if moved else ()
    answer = forecast(asked(minute, core=tuple(core), seated=seated, spots=(spot(minute - 9, hand),), piece=piece))
    at = {o.goal: o for o in answer.outlooks if o.scenario == PLANNED}
    tender, ends, limit = at[Goal.TENDER].at, at[Goal.REST_END].at, at[Goal.HOLD_LIMIT].at
    if tender is None:
        assert isinstance(at[Goal.TENDER].reason, Said) and ends is None and limit is None
        return
    assert tender.p95 - tender.p05 <= 16 * 3600.0
    assert hand > 75.0 or tender.p50 > answer.asked_at + 20 * 60.0, "cold meat is not about to be tender"
    assert ends is None or tender.p50 <= ends.p50
    assert ends is None or limit is None or (ends.p05 <= limit.p05 and ends.p50 <= limit.p50 and ends.p95 <= limit.p95)


def test_nobody_is_called_to_cold_meat_by_a_forecast_of_another_place() -> None:
    """The forecast says tender within minutes, made before the probe was moved; the probe now reads 43 °C."""
    night = Night()
    run(night, 40, {"m1": 0.2})
    now = night.now
    soon = (Outlook(Goal.TENDER, PLANNED, Interval(now + 60.0, now + 900.0, now + 1800.0)),)
    fan = (FanPoint(now, 86.0, 88.0, 90.0), FanPoint(now + 7200.0, 88.0, 92.0, 95.0))
    night.give(MoveProbe("chuck", "m3", "page"))
    night.core["m3"] = 43.0
    night.give(ForecastArrived("chuck", now, soon, fan))
    events = run(night, 12)
    assert not [
        e for e in events if isinstance(e, AlarmChanged) and e.alarm == "tender-range/chuck" and e.after != "normal"
    ]
    asked_again = [e for e in events if isinstance(e, ForecastWanted) and e.request.piece.id == "chuck"]
    assert asked_again and asked_again[0].time <= now + 6 * 60.0, "it is asked anew as soon as the probe is at rest"


def test_a_forecast_of_this_core_calls() -> None:
    night = Night()
    night.core["m1"] = 88.0
    run(night, 40)
    now = night.now
    soon = (Outlook(Goal.TENDER, PLANNED, Interval(now + 60.0, now + 900.0, now + 1800.0)),)
    fan = (FanPoint(now, 86.0, 88.0, 90.0), FanPoint(now + 7200.0, 88.0, 92.0, 95.0))
    night.give(ForecastArrived("chuck", now, soon, fan))
    events = run(night, 5)
    assert [e for e in events if isinstance(e, AlarmChanged) and e.rule == "tender-range" and e.subject == "chuck"]
    again = Engine(night.engine.settings)
    again.load(json.loads(json.dumps(night.engine.dump())))
    assert again.pieces["chuck"].foretold_core(night.now) == night.engine.pieces["chuck"].foretold_core(night.now)


def test_an_interval_of_hours_wakes_nobody_before_the_core_is_there() -> None:
    """Night by the wall clock: the middle is near, the late end is four hours off."""
    night = Night()
    night.core["m1"] = 88.0
    run(night, 40)
    now = night.now
    wide = (Outlook(Goal.TENDER, PLANNED, Interval(now, now + 900.0, now + 4 * 3600.0)),)
    fan = (FanPoint(now, 86.0, 88.0, 90.0), FanPoint(now + 7200.0, 88.0, 90.0, 95.0))
    night.give(ForecastArrived("chuck", now, wide, fan))
    events = run(night, 20)
    woken = [e for e in events if isinstance(e, Notification) and e.level is Level.WAKE]
    assert not [e for e in woken if "tender-range" in e.alarm + "".join(e.merged)]
    events = run(night, 25, {"m1": 0.15})
    woken = [e for e in events if isinstance(e, Notification) and e.level is Level.WAKE]
    assert [e for e in woken if "tender-range" in e.alarm + "".join(e.merged)], "it is there"


def test_answers_stay_a_matter_of_the_question_alone() -> None:
    carried = Forecaster()
    for minute in (400, 330, 470):
        core = tuple(np.where(np.arange(minute) < 320, CORE[:minute], CORE[:minute] + 6.0))
        request = asked(minute, core=core, seated=((ON + 320) * 60.0,), piece=replace(PIECE, channel="core"))
        assert carried(request) == forecast(request)
