"""What the forecaster promises whatever it is given: order, reasons, determinism, no exception."""

from dataclasses import replace
from functools import cache
from math import inf, nan
from time import process_time
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daemon.core.forecast.ahead import pit_to_come, wrapped_at
from daemon.core.forecast.outlooks import FAN_POINTS, forecast
from daemon.core.forecast_request import ForecastRequest, WrapDone
from daemon.core.inputs import ForecastArrived
from daemon.core.outlook import Goal, Outlook
from daemon.core.settings import Band, MeatKind, PieceSettings, Wrap
from drivers.simulated.batch import simulate_cooks
from drivers.simulated.records import CookRecord
from tests.known import known
from tests.texts.english import in_english

FIRST_MINUTE = 1000
CHUCK = PieceSettings(
    "chuck",
    "Chuck roll",
    "beef-chuck-roll",
    MeatKind.WHOLE_ROAST,
    "meat",
    6.0,
    0.125,
    1.25,
    Wrap.FOIL,
    77.0,
    92.0,
    97.0,
)


@cache
def cooks() -> list[CookRecord]:
    """Those that came to be tender. Made when a test asks: every worker of a run reads this file."""
    return [c for c in simulate_cooks(3, 12) if c.tender_minute is not None]


@cache
def wrapping() -> CookRecord:
    return next(c for c in cooks() if c.plan_wrap and c.wrapped_minute and not c.plan_broken)


def asked(cook: CookRecord, minute: int, **changed: Any) -> ForecastRequest:
    wrapped = None
    if cook.wrapped is not None and cook.wrapped_minute is not None and cook.wrapped_minute <= minute:
        wrapped = WrapDone((FIRST_MINUTE + cook.wrapped_minute) * 60.0, cook.wrapped)
    piece = PieceSettings(
        "p", "p", cook.cut, MeatKind.WHOLE_ROAST, "c", cook.weight, cook.thickness, cook.shape,
        Wrap(cook.plan_wrap) if cook.plan_wrap else None, cook.plan_wrap_at, cook.tender_low,
    )  # fmt: skip
    request = ForecastRequest(
        piece=piece, asked_at=(FIRST_MINUTE + minute) * 60.0, on_at=FIRST_MINUTE * 60.0, phase="cook",
        band=Band(cook.band_low, cook.band_high), boiling_point=100.0,
        minutes=tuple(range(FIRST_MINUTE, FIRST_MINUTE + minute)), pit=tuple(map(float, cook.pit_read[:minute])),
        core=tuple(map(float, cook.core_read[:minute])), wrapped=wrapped, ambient=12.0,
    )  # fmt: skip
    return replace(request, **changed)


def outlook(answer: ForecastArrived, goal: Goal, scenario: str = "planned") -> Outlook:
    return next(o for o in answer.outlooks if o.goal is goal and o.scenario == scenario)


def test_same_question_same_answer() -> None:
    request = asked(wrapping(), 200)
    assert forecast(request) == forecast(request)


def test_intervals_and_fans_are_ordered_and_ahead() -> None:
    for cook in cooks()[:6]:
        for share in (0.2, 0.5, 0.8):
            request = asked(cook, int(known(cook.tender_minute) * share))
            answer = forecast(request)
            assert any(o.at for o in answer.outlooks)
            for o in answer.outlooks:
                assert (o.at is None) == bool(o.reason)
                if o.at:
                    assert request.asked_at <= o.at.p05 <= o.at.p50 <= o.at.p95
            assert 2 <= len(answer.fan) <= FAN_POINTS
            assert all(p.p05 <= p.p50 <= p.p95 for p in answer.fan)
            assert [p.time for p in answer.fan] == sorted(p.time for p in answer.fan)


def test_a_hotter_pit_and_a_wrap_now_are_sooner_than_never_wrapping() -> None:
    answer = forecast(asked(wrapping(), 200))
    tender = {
        s: known(outlook(answer, Goal.TENDER, s).at).p50
        for s in ("planned", "pit-10-hotter", "wrapped-now", "never-wrapped")
    }
    assert tender["pit-10-hotter"] < tender["planned"] <= tender["never-wrapped"]
    assert tender["wrapped-now"] < tender["planned"]
    assert known(outlook(answer, Goal.WRAP, "pit-10-hotter").at).p50 < known(outlook(answer, Goal.WRAP).at).p50


def test_goals_come_in_their_order() -> None:
    answer = forecast(asked(wrapping(), 200))
    wrap, tender, peak, end = (
        known(outlook(answer, g).at).p50 for g in (Goal.WRAP, Goal.TENDER, Goal.REST_PEAK, Goal.REST_END)
    )
    assert wrap < tender < peak < end < known(outlook(answer, Goal.HOLD_LIMIT).at).p50
    assert known(outlook(answer, Goal.REST_PEAK).celsius) >= wrapping().tender_low


def test_once_wrapped_there_is_no_question_of_wrapping() -> None:
    answer = forecast(asked(wrapping(), known(wrapping().wrapped_minute) + 20))
    assert {o.scenario for o in answer.outlooks} == {"planned", "pit-10-hotter"}
    assert in_english(outlook(answer, Goal.STALL_END).reason) == "wrapped: the stall is over"


def test_the_lower_the_wrap_the_sooner_it_is_tender() -> None:
    """Foil stops the loss by evaporation, so each degree without it costs time (common practice, no source); close to the
    goal it may gain nothing any more."""
    core = wrapping().core_read[199]
    levels = (core + 1.0, core + 8.0, 86.0)
    answers = [forecast(asked(wrapping(), 200, asked_wrap=level)) for level in levels]
    early, middle, late = (
        known(outlook(answer, Goal.TENDER, wrapped_at(level)).at).p50
        for answer, level in zip(answers, levels, strict=True)
    )
    now, never = (known(outlook(answers[0], Goal.TENDER, s).at).p50 for s in ("wrapped-now", "never-wrapped"))
    assert now < early < middle < min(late, never)


def test_the_plan_s_own_wrap_asked_for_is_the_plan() -> None:
    """Fewer members follow it, so its interval is no narrower."""
    answer = forecast(asked(wrapping(), 200, asked_wrap=wrapping().plan_wrap_at))
    plan, same = (
        known(outlook(answer, Goal.TENDER, s).at) for s in ("planned", wrapped_at(known(wrapping().plan_wrap_at)))
    )
    assert same.p50 == plan.p50
    assert same.p05 <= plan.p05 and plan.p95 <= same.p95


def test_a_piece_without_a_planned_wrap_may_be_asked_about_foil() -> None:
    bare = replace(asked(wrapping(), 200).piece, wrap=None, wrap_at=None, tender_low=None, target=90.0)
    answer = forecast(asked(wrapping(), 200, piece=bare, asked_wrap=wrapping().core_read[199] + 2.0))
    target = {o.scenario: known(o.at).p50 for o in answer.outlooks if o.goal is Goal.TARGET}
    assert target[wrapped_at(wrapping().core_read[199] + 2.0)] < target["planned"]


def test_what_is_asked_changes_nothing_else() -> None:
    plain, more = forecast(asked(wrapping(), 200)), forecast(asked(wrapping(), 200, asked_wrap=70.0))
    assert more.fan == plain.fan
    assert tuple(o for o in more.outlooks if o.scenario != wrapped_at(70.0)) == plain.outlooks
    assert len(more.outlooks) == len(plain.outlooks) + 1


@pytest.mark.parametrize(
    ("minute", "celsius", "words"),
    [(200, 20.0, "see if wrapped now"), (200, 99.5, "above what wet meat reaches"), (30, 70.0, "first 45 minutes")],
)
def test_a_wrap_that_cannot_be_is_refused_with_its_reason(minute: int, celsius: float, words: str) -> None:
    answer = forecast(asked(wrapping(), minute, asked_wrap=celsius))
    assert outlook(answer, Goal.TENDER, wrapped_at(celsius)).at is None
    assert words in in_english(outlook(answer, Goal.TENDER, wrapped_at(celsius)).reason)


def test_once_wrapped_the_question_of_another_wrap_is_dropped() -> None:
    minute = known(wrapping().wrapped_minute) + 20
    assert forecast(asked(wrapping(), minute, asked_wrap=90.0)) == forecast(asked(wrapping(), minute))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"asked_at": (FIRST_MINUTE + 44) * 60.0}, "first 45 minutes"),
        ({"suspect": "stuck"}, "probe not to be trusted: stuck"),
        ({"core": (nan,) * 200}, "too few core readings"),
        ({"pit": (nan,) * 200}, "pit probe"),
        ({"core": (20.0,) * 100}, "readings do not line up"),
        ({"core": tuple(90.0 * (i % 40 > 20) for i in range(200))}, "follow"),
        ({"asked_at": inf}, "time or altitude not known"),
        ({"piece": replace(CHUCK, thickness=nan)}, "piece not described"),
    ],
)
def test_no_forecast_without_the_right_to_one(change: dict[str, Any], words: str) -> None:
    nothing_foretold(forecast(asked(wrapping(), 200, **change)), words)


@pytest.mark.parametrize(
    ("part", "heard", "words"), [("core", 150, "no good core reading for half an hour"), ("pit", 60, "pit probe")]
)
def test_no_forecast_of_what_is_heard_no_longer(part: str, heard: int, words: str) -> None:
    before = map(float, getattr(wrapping(), f"{part}_read")[:heard])
    nothing_foretold(forecast(asked(wrapping(), 200, **{part: (*before, *(nan,) * (200 - heard))})), words)


def nothing_foretold(answer: ForecastArrived, words: str) -> None:
    assert answer.fan == ()
    assert answer.outlooks
    for o in answer.outlooks:
        assert o.at is None
        assert words in in_english(o.reason)


def test_a_gap_of_two_thirds_of_the_pits_readings_is_bridged_and_meat_off_the_fire_needs_none() -> None:
    request = asked(wrapping(), 200)
    gap = replace(request, pit=(*request.pit[:35], *(nan,) * 130, *request.pit[165:]))
    assert outlook(forecast(gap), Goal.TENDER).at
    off = replace(request, phase="rest", off_at=request.asked_at - 1200.0, pit=(nan,) * 200)
    assert "pit probe" not in in_english(outlook(forecast(off), Goal.HOLD_LIMIT).reason)


def test_what_boiling_water_cannot_reach_is_not_forecast() -> None:
    answer = forecast(asked(wrapping(), 200, boiling_point=93.0))
    assert "altitude" in in_english(outlook(answer, Goal.TENDER).reason)
    assert outlook(answer, Goal.WRAP).at is not None


def test_a_fire_dip_is_not_extrapolated() -> None:
    """The rule: the pit to come stays inside its band, however deep the pit lies now, and hardly moves for one dip."""
    steady = np.full(240, 128.0)
    dipped = np.r_[steady, np.linspace(128.0, 80.0, 40)]
    now, later = pit_to_come(dipped, Band(121.0, 135.0))
    assert now < 90.0
    assert 126.5 < later < 128.0
    assert pit_to_come(np.full(400, 80.0), Band(121.0, 135.0))[1] == 121.0
    assert pit_to_come(np.full(100, nan), Band(121.0, 135.0)) == (128.0, 128.0)


def test_a_piece_that_no_body_follows_gets_wider_intervals() -> None:
    wave = 3.0 * np.sin(np.arange(200) / 20.0)
    plain, odd_one = asked(wrapping(), 200), asked(wrapping(), 200, core=tuple(wrapping().core_read[:200] + wave))
    widths = [at.p95 - at.p05 for r in (plain, odd_one) if (at := known(outlook(forecast(r), Goal.TENDER).at))]
    assert widths[1] > 1.5 * widths[0]
    fan = forecast(odd_one).fan
    assert fan
    assert all(12.0 <= p.p05 <= p.p95 <= 100.5 for p in fan)  # from the room to boiling water


def test_a_core_that_outruns_the_model_is_tender_sooner() -> None:
    """Two hours in which it climbs 3 °C/h quicker than it did."""
    core = np.array(wrapping().core_read[:200])
    faster = core + 3.0 * np.maximum(np.arange(200) - 80, 0) / 60.0
    slow, fast = (
        known(outlook(forecast(asked(wrapping(), 200, core=tuple(map(float, c)))), Goal.TENDER).at).p50
        for c in (core, faster)
    )
    assert fast < slow - 20 * 60


def test_resting_meat_is_watched_down_to_its_floor() -> None:
    off = known(wrapping().tender_minute)
    cooling = asked(wrapping(), off + 20, phase="rest", off_at=(FIRST_MINUTE + off) * 60.0)
    answer = forecast(cooling)
    assert {o.goal for o in answer.outlooks} == {Goal.REST_PEAK, Goal.REST_END, Goal.HOLD_LIMIT}
    assert known(outlook(answer, Goal.REST_END).at).p50 == known(cooling.off_at) + cooling.rest
    bare = known(outlook(answer, Goal.HOLD_LIMIT).at)
    assert 1 * 3600 < bare.p50 - cooling.asked_at < 9 * 3600  # a hot shoulder in a kitchen: hours, not minutes or a day
    held = replace(cooling, phase="hold", hold_cabinet=66.0)
    assert "hot enough" in in_english(outlook(forecast(held), Goal.HOLD_LIMIT).reason)


def test_what_past_cooks_taught_moves_the_forecast() -> None:
    request = asked(wrapping(), 200)
    plain = known(outlook(forecast(request), Goal.TENDER).at)
    taught = known(outlook(forecast(asked(wrapping(), 200, bias_minutes=6.0)), Goal.TENDER).at)
    assert taught.p50 - request.asked_at == pytest.approx(1.1 * (plain.p50 - request.asked_at), abs=1.0)
    assert plain.p05 < taught.p05 < plain.p05 + (taught.p50 - plain.p50)  # half of the way back stays open
    assert known(outlook(forecast(asked(wrapping(), 200, bias_minutes=1e9)), Goal.TENDER).at).p50 < 2 * taught.p50


def test_a_query_late_in_a_cook_is_quick() -> None:
    cook = max(cooks(), key=lambda c: known(c.tender_minute))
    request = asked(cook, int(0.9 * known(cook.tender_minute)))
    start = process_time()
    forecast(request)
    assert process_time() - start < 1.0  # s of this process: how busy the machine is else is not its doing


odd = st.one_of(st.floats(-300.0, 2000.0), st.sampled_from([nan, inf, -inf, 0.0]))


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(
    data=st.data(),
    thickness=st.sampled_from([0.0, -1.0, 0.001, 0.03, 0.13, 2.0, nan, inf]),
    shape=st.sampled_from([0.0, 1.1, 2.0, -4.0, 9.0, nan]),
    minutes=st.integers(0, 120),
    phase=st.sampled_from(["cook", "rest", "hold", "nonsense"]),
    ambient=st.one_of(st.none(), odd),
    boiling=st.sampled_from([100.0, 93.0, 0.0, nan]),
    cabinet=st.one_of(st.none(), odd),
    goal=st.one_of(st.none(), odd),
    asked_wrap=st.one_of(st.none(), odd),
)
def test_odd_input_never_raises_and_never_breaks_the_order(
    data: st.DataObject,
    thickness: float,
    shape: float,
    minutes: int,
    phase: str,
    ambient: float | None,
    boiling: float,
    cabinet: float | None,
    goal: float | None,
    asked_wrap: float | None,
) -> None:
    def readings(level: float) -> tuple[float, ...]:
        """A plain trace with odd values strewn in."""
        strewn = data.draw(st.dictionaries(st.integers(0, 119), odd, max_size=12))
        return tuple(strewn.get(m, level + 0.2 * m) for m in range(minutes))

    piece = replace(CHUCK, thickness=thickness, shape=shape, tender_low=goal, wrap_at=goal)
    request = ForecastRequest(
        piece=piece, asked_at=minutes * 60.0, on_at=0.0, phase=phase, band=Band(121.0, 135.0), boiling_point=boiling,
        minutes=tuple(range(minutes)), pit=readings(125.0), core=readings(data.draw(odd)),
        off_at=data.draw(st.one_of(st.none(), odd)), ambient=ambient, hold_cabinet=cabinet,
        asked_wrap=asked_wrap,
        wrapped=data.draw(st.one_of(st.none(), st.builds(WrapDone, odd, st.sampled_from(["foil", "leaf"])))),
    )  # fmt: skip
    answer = forecast(request)
    for o in answer.outlooks:
        assert (o.at is None) == bool(o.reason)
        if o.at:
            assert o.at.p05 <= o.at.p50 <= o.at.p95 < inf
