"""The fire watch on hand-made pit traces: each sign, the forecast, marks, own fires, restarts."""

from __future__ import annotations

import json
from math import exp, nan

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.core.events import FireNoticed, FireSign
from daemon.core.orders import Mark, MarkKind
from daemon.core.outlook import Interval
from daemon.core.pit.exit_watch import LASTS
from daemon.core.pit.fire import OPENED_FOR, FireWatch
from daemon.core.pit.habits import FIGURES, FIRES_KEPT
from daemon.core.pit.laid_logs import INTERVALS_KEPT
from daemon.core.pit.signs import slope
from daemon.core.pit_profile import FireProfile
from daemon.core.settings import Band
from daemon.wiring.learned import learned
from tests.texts.english import in_english

BAND = Band(121.0, 135.0)
MODEL = learned().fire


def minutes(watch: FireWatch, values: list[float], start: int = 0) -> list[FireNoticed]:
    """One value a minute, seen by both the fast and the slow detectors."""
    noticed: list[FireNoticed] = []
    for i, value in enumerate(values):
        now = (start + i) * 60.0
        noticed += watch.scan(now, value)
        noticed += watch.minute(now, value, BAND, 12.0)
    return noticed


def fires(count: int, length: int = 40) -> list[float]:
    """A pit fed every `length` minutes: up by 9 °C over a quarter of an hour, then down again to where it was."""
    one = [123.0 + 9.0 * min(i / 15, (length - i) / (length - 15)) for i in range(length)]
    return one * count


def dying(start: float = 131.0, length: int = 60) -> list[float]:
    """A fire nobody feeds, on its way to 60 °C."""
    return [60.0 + (start - 60.0) * exp(-i / 120) for i in range(length)]


def beats(watch: FireWatch, values: list[float], start: float) -> list[FireNoticed]:
    """One value every 5 s, the fast detector only."""
    return [sign for i, value in enumerate(values) for sign in watch.scan(start + 5.0 * i, value)]


def burning() -> FireWatch:
    watch = FireWatch(MODEL)
    minutes(watch, fires(3))
    assert watch.no_forecast == ""
    assert watch.log_due is not None
    return watch


# --- signs ------------------------------------------------------------------------------------------


def test_each_added_log_is_found_once_and_soon() -> None:
    seen = [n for n in minutes(FireWatch(MODEL), fires(5)) if n.sign is FireSign.LOG_ADDED]
    late = [n.time / 60 - 40 * k for k, n in enumerate(seen, start=5 - len(seen))]
    assert len(seen) >= 4
    assert all(0 < delay <= 20 for delay in late)
    assert all(abs((n.at / 60 + 20) % 40 - 20) <= 10 for n in seen)


def test_a_dying_fire_and_a_steady_one_have_no_logs() -> None:
    assert minutes(FireWatch(MODEL), [128.0] * 200) == []
    assert [n for n in minutes(FireWatch(MODEL), dying()) if n.sign is FireSign.LOG_ADDED] == []


def test_a_lid_is_seen_open_within_a_minute_and_shut_when_the_pit_has_recovered() -> None:
    watch = burning()
    opened = [128.0 - 3.0 * i for i in range(18)]
    signs = beats(watch, opened, 7200.0)
    assert [s.sign for s in signs] == [FireSign.LID_OPENED]
    assert signs[0].time - 7200.0 <= 30.0
    assert signs[0].at <= 7205.0
    assert watch.lid_open
    signs = beats(watch, [77.0 + 1.0 * i for i in range(60)], 7300.0)
    assert [s.sign for s in signs] == [FireSign.LID_CLOSED]
    assert signs[0].at <= 7310.0
    assert not watch.lid_open


def test_a_lid_is_not_shut_because_the_draught_brings_a_little_heat_back() -> None:
    """From 128 down to 98 °C and back to 106 within 8 min, ever more slowly: the lid stands open (as on a simulated pit)."""
    watch = burning()
    beats(watch, [128.0 - 2.5 * i for i in range(13)], 7200.0)
    assert watch.lid_open
    back = [98.0 + 8.0 * (1 - exp(-i / 40)) for i in range(96)]
    assert beats(watch, back, 7265.0) == []
    assert watch.lid_open


def test_the_climb_after_a_lid_is_no_log() -> None:
    watch = FireWatch(MODEL)
    minutes(watch, [128.0] * 40)
    after = [128.0 - 50.0 * exp(-i / 4) for i in range(40)]
    assert FireSign.LOG_ADDED not in [n.sign for n in minutes(watch, after, 40)]


def test_a_lid_that_is_left_open_is_no_excuse_for_ever() -> None:
    watch = burning()
    minutes(watch, [60.0] * 45, 120)
    assert not watch.lid_open


def test_no_lid_explains_a_cold_pit() -> None:
    """Over a fire an open pit stays warmer than a cold one: after a few minutes below 40 °C it is the fire."""
    watch = FireWatch()
    lid_shows(watch, 122.0, 22.0)
    assert watch.lid_open
    beats(watch, [22.0] * 24, 7260.0)
    assert watch.lid_open
    beats(watch, [22.0] * 24, 7380.0)
    assert not watch.lid_open


def test_a_lid_that_nobody_marked_is_unknown_once_nothing_is_read() -> None:
    seen, marked = FireWatch(), FireWatch()
    for watch in (seen, marked):
        lid_shows(watch, 122.0, 80.0)
    marked.mark(Mark(MarkKind.LID_OPEN), 7260.0)
    for watch in (seen, marked):
        beats(watch, [nan] * 24, 7260.0)
    assert not seen.lid_open and marked.lid_open


def test_a_pit_that_does_not_climb_after_the_lid_was_shut_is_judged_as_it_reads() -> None:
    watch = FireWatch()
    lid_shows(watch, 122.0, 80.0)
    beats(watch, [80.0 + i for i in range(10)], 7260.0)
    assert watch.lid_recovering
    beats(watch, [89.0] * 60, 7310.0)
    assert not watch.lid_open


def lid_shows(watch: FireWatch, before: float, after: float) -> None:
    """A pit that falls from one to the other within a minute."""
    beats(watch, [before] * 12, 7140.0)
    beats(watch, [before + (after - before) * i / 11 for i in range(12)], 7200.0)


def test_a_lid_that_was_shut_is_recovering_and_not_open() -> None:
    """Down by 51 °C, then up again by a degree every 5 s: shut as soon as a fifth has come back."""
    watch = burning()
    beats(watch, [128.0 - 3.0 * i for i in range(18)], 7200.0)
    assert watch.lid_open and not watch.lid_recovering
    beats(watch, [77.0 + 1.0 * i for i in range(15)], 7300.0)
    assert watch.lid_open and watch.lid_recovering


def test_a_lid_marked_shut_is_recovering_until_the_heat_is_back() -> None:
    watch = burning()
    watch.mark(Mark(MarkKind.LID_OPEN), 7200.0)
    beats(watch, [128.0 - 3.0 * i for i in range(18)], 7205.0)
    watch.mark(Mark(MarkKind.LID_CLOSED), 7300.0)
    assert watch.lid_open and watch.lid_recovering
    beats(watch, [77.0 + 1.0 * i for i in range(60)], 7305.0)
    assert not watch.lid_open


def test_a_fast_turn_is_a_moved_damper() -> None:
    watch = FireWatch(MODEL)
    trace = [128.0] * 40 + [128.0 - 2.5 * i for i in range(8)]
    assert FireSign.DAMPER_CHANGED in [n.sign for n in minutes(watch, trace)]


def test_a_log_that_catches_is_no_damper() -> None:
    catching = [123.0] * 20 + [123.0 + 1.7 * i for i in range(8)] + [135.0] * 10
    assert FireSign.DAMPER_CHANGED not in [n.sign for n in minutes(FireWatch(MODEL), catching)]


def test_slope_matches_a_line_and_leaves_gaps_out() -> None:
    assert slope([1.0, 3.0, 5.0, 7.0]) == pytest.approx(2.0)
    assert slope([1.0, nan, 5.0, 7.0]) == pytest.approx(2.0)
    assert slope([nan, nan, nan, 7.0]) != slope([nan])


# --- how long the pit stays in its band -------------------------------------------------------------


def test_no_fire_no_forecast_and_the_reason_is_said() -> None:
    watch = FireWatch(MODEL)
    assert (watch.log_due, in_english(watch.no_forecast)) == (None, "no fire is lit")
    minutes(watch, [15.0] * 30)
    assert (watch.log_due, in_english(watch.no_forecast)) == (None, "no fire is lit")
    watch.mark(Mark(MarkKind.FIRE_LIT), 1800.0)
    minutes(watch, [15.0 + 2 * i for i in range(30)], 30)
    assert (watch.log_due, in_english(watch.no_forecast)) == (None, "the pit has not reached its band")


def test_the_forecast_of_a_dying_fire_holds_the_truth_and_nears_it() -> None:
    watch = burning()
    minutes(watch, fires(1)[:15], 120)
    trace = dying(132.0)
    truth = (135 + next(i for i, v in enumerate(trace) if v < BAND.low)) * 60.0
    errors = []
    for i, value in enumerate(trace):
        now = (135 + i) * 60.0
        if now >= truth - 120:
            break
        watch.minute(now, value, BAND, 12.0)
        due = watch.log_due
        assert due is not None
        assert now <= due.p05 <= due.p50 <= due.p95
        errors.append(abs(due.p50 - truth) / 60)
    assert errors[-1] <= 3
    later = errors[3:]  # at the peak nothing tells it from a fire that will be fed
    assert sum(later) / len(later) <= 8


def test_the_nap_window_is_the_interval_less_the_lead() -> None:
    watch = burning()
    minutes(watch, fires(1)[:25], 120)
    due = watch.log_due
    assert due is not None
    window = watch.nap_window(60.0)
    assert window == (due.p05 - 60.0, due.p50 - 60.0)
    assert watch.nap_window(1e6) is None
    assert FireWatch(MODEL).nap_window(0.0) is None


def test_below_the_band_there_is_no_forecast() -> None:
    watch = burning()
    minutes(watch, [128.0 - 2 * i for i in range(10)], 120)
    assert (watch.log_due, in_english(watch.no_forecast)) == (None, "the pit is below its band")


def test_a_pit_that_cannot_be_read_keeps_its_forecast_until_that_is_old() -> None:
    """Losing the probe is not losing the right to call: the last forecast stands, comes nearer, and dies of its age."""
    watch = burning()
    before = watch.log_due
    assert before is not None
    chances = []
    for minute in range(1, int(LASTS // 60)):
        minutes(watch, [nan], 119 + minute)
        assert watch.log_due is not None and watch.log_due.p50 >= before.p50 - 1e-6
        chances.append(watch.feed((119 + minute) * 60.0, 24 * 60.0).chance)
    assert chances == sorted(chances, key=lambda c: c or 0.0) and (chances[-1] or 0.0) > (chances[0] or 0.0)
    minutes(watch, [nan] * 3, 119 + int(LASTS // 60))
    assert (watch.log_due, in_english(watch.no_forecast)) == (None, "the pit has not been seen for half an hour")


def test_an_open_lid_leaves_the_forecast_as_it_was_but_never_in_the_past() -> None:
    watch = burning()
    minutes(watch, fires(1)[:25], 120)
    before = watch.log_due
    assert before is not None
    minutes(watch, [90.0, 70.0], 145)
    assert watch.lid_open
    assert watch.log_due == before
    late = before.p50 + 60.0
    watch.minute(late, 70.0, BAND, 12.0)
    assert watch.log_due == Interval(late, late, max(late, before.p95))


# --- marks and own fires ----------------------------------------------------------------------------


def test_a_marked_log_starts_a_new_cycle_and_is_not_found_again() -> None:
    watch = burning()
    watch.mark(Mark(MarkKind.LOG), 7200.0)
    assert watch.last_log == 7200.0
    seen = minutes(watch, fires(1)[:14], 120)
    assert FireSign.LOG_ADDED not in [n.sign for n in seen]
    assert watch.last_log == 7200.0


def test_a_marked_lid_opens_and_closes_without_anything_to_see() -> None:
    watch = burning()
    watch.mark(Mark(MarkKind.LID_OPEN), 7200.0)
    assert watch.lid_open
    watch.mark(Mark(MarkKind.LID_CLOSED), 7230.0)
    assert not watch.lid_open


def test_own_fires_are_learned_and_come_back_in_the_next_cook() -> None:
    watch = FireWatch(MODEL)
    for k in range(6):
        watch.mark(Mark(MarkKind.LOG), k * 40 * 60.0)
        minutes(watch, fires(1), 40 * k)
    profile = watch.learned()
    assert len(profile.log_intervals) >= 4
    assert all(abs(gap - 40) < 1 for gap in profile.log_intervals)
    assert profile.episodes and all(len(row) > FIGURES for row in profile.episodes)
    habits = watch.exit.habits
    assert habits.usual("gap") == pytest.approx(40.0, rel=0.05)
    assert 10 <= habits.usual("peak") <= 20, "fires() peak after a quarter of an hour"
    assert 0.3 <= habits.usual("fall") <= 0.45, "and fall by 9 °C in 25 min"
    again = FireWatch(MODEL)
    again.use_profile(profile)
    assert again.learned() == profile


@pytest.mark.parametrize("slower", [0.6, 1.0, 2.0, 3.0])
def test_a_pit_is_told_by_its_own_last_fires(slower: float) -> None:
    """The same shape, stretched in time: from the fourth fire on the forecast knows this pit's pace."""
    watch, length = FireWatch(MODEL), round(40 * slower)
    one = [123.0 + 9.0 * min(i / (15 * slower), (length - i) / (25 * slower)) for i in range(length)]
    for k in range(5):
        watch.mark(Mark(MarkKind.LOG), k * length * 60.0)
        minutes(watch, one, length * k)
    watch.mark(Mark(MarkKind.LOG), 5 * length * 60.0)
    at = round(22 * slower)
    minutes(watch, one[:at], 5 * length)
    due = watch.log_due
    assert due is not None
    now = (5 * length + at - 1) * 60.0
    # 9 °C in 25 min: the edge, 2 °C below where the log went in, is (18 + 5.6) times `slower` minutes away
    truth = 23.6 * slower
    assert 0.5 * truth <= (due.p50 - now) / 60.0 <= 2.0 * truth
    assert (due.p05 - now) / 60.0 <= truth <= (due.p95 - now) / 60.0


@pytest.mark.parametrize(("last", "tended"), [(24, True), (34, False)], ids=["in time", "too late"])
def test_who_feeds_often_and_in_time_tends_the_fire(last: int, tended: bool) -> None:
    """Five fires of 24 min, each fed high in the band; or the last one left until the pit is out of it."""
    watch = FireWatch(MODEL)
    one = [129.0 + 6.0 * min(i / 9, (24 - i) / 15) for i in range(24)]
    for k in range(5):
        watch.mark(Mark(MarkKind.LOG), k * 24 * 60.0)
        minutes(watch, one, 24 * k)
    minutes(watch, [129.0 - i for i in range(last - 23)], 120)
    at = 96 + last
    watch.mark(Mark(MarkKind.LOG), at * 60.0)
    minutes(watch, one[:14], at)
    assert watch.feed((at + 13) * 60.0, 24 * 60.0).tended is tended


@pytest.mark.parametrize("marks", [True, False])
def test_who_is_late_or_lets_the_pit_fall_further_than_usual_does_not_tend_it(marks: bool) -> None:
    """Fed every 24 min at 126 °C. A log that nobody marks is found minutes later, so he is given those."""
    watch = FireWatch(MODEL)
    one = [126.0 + 6.0 * min(i / 9, (24 - i) / 15) for i in range(24)]
    for k in range(6):
        if marks:
            watch.mark(Mark(MarkKind.LOG), k * 24 * 60.0)
        minutes(watch, one, 24 * k)
    now, fed = 6 * 24 - 1, watch.last_log
    assert fed is not None and watch.feed(now * 60.0, 24 * 60.0).tended
    late = int(fed // 60) + 24 + (7 if marks else 13)
    minutes(watch, [126.0] * (late - now), now + 1)
    assert not watch.feed(late * 60.0, 24 * 60.0).tended, "late"
    again = FireWatch(MODEL)
    for k in range(6):
        if marks:
            again.mark(Mark(MarkKind.LOG), k * 24 * 60.0)
        minutes(again, one, 24 * k)
    minutes(again, [123.0], now + 1)
    assert again.feed((now + 1) * 60.0, 24 * 60.0).tended, "he may have opened the door to feed it"
    minutes(again, [123.0] * OPENED_FOR, now + 2)
    assert not again.feed((now + 1 + OPENED_FOR) * 60.0, 24 * 60.0).tended, "3 °C lower than he ever let it fall"


def test_the_profile_does_not_grow_without_end() -> None:
    row = (40.0, 6.0, 15.0, 9.0, 0.36, 0.4, *fires(1))
    watch = FireWatch(MODEL)
    watch.use_profile(FireProfile((row,) * 50, (35.0,) * 5000))
    assert len(watch.learned().episodes) == FIRES_KEPT
    assert len(watch.log_intervals) == INTERVALS_KEPT


def test_rows_of_an_older_version_are_left_out_and_its_log_intervals_kept() -> None:
    old = (5.0, 0.0, 0.0, 0.8, 10.0, 35.0, 30.0)
    watch = FireWatch(MODEL)
    watch.use_profile(FireProfile((old,), (35.0, 36.0)))
    assert watch.learned() == FireProfile((), (35.0, 36.0))


def test_a_marked_log_is_given_its_time_and_then_blamed() -> None:
    """A pit that sinks on after a log as if it were not there: first nobody is called, then the log is blamed."""
    watch = burning()
    minutes(watch, fires(1)[:30], 120)
    watch.mark(Mark(MarkKind.LOG), 150 * 60.0)
    senses = []
    for i in range(40):
        minutes(watch, [126.0 - 0.25 * i], 150 + i)
        senses.append(watch.feed((150 + i) * 60.0, 24 * 60.0))
    answering = [s.answering for s in senses]
    patience = answering.index(False)
    assert 10 <= patience <= 30 and not any(answering[patience:])
    assert not any(s.not_caught for s in senses[:patience])
    assert any(s.not_caught for s in senses[patience : patience + 5])


def test_a_log_that_catches_is_not_blamed() -> None:
    watch = burning()
    watch.mark(Mark(MarkKind.LOG), 120 * 60.0)
    for i, value in enumerate(fires(1)):
        minutes(watch, [value], 120 + i)
        assert not watch.feed((120 + i) * 60.0, 24 * 60.0).not_caught


steps = st.lists(
    st.one_of(st.just(nan), st.floats(-20, 400), st.sampled_from([MarkKind.LOG, MarkKind.LID_OPEN, MarkKind.FIRE_LIT])),
    max_size=60,
)


@settings(deadline=None)
@given(st.booleans(), steps)
def test_odd_data_never_raises_and_a_restart_changes_nothing(warm: bool, todo: list[float | MarkKind]) -> None:
    watch, twin = FireWatch(MODEL), FireWatch(MODEL)
    start = 0
    if warm:
        start = 60
        minutes(watch, fires(2)[:60])
    twin.load(json.loads(json.dumps(watch.dump())))
    for i, step in enumerate(todo):
        now = (start + i) * 60.0
        if i % 20 == 10:
            twin = FireWatch(MODEL)
            twin.load(json.loads(json.dumps(watch.dump())))
        answers: list[list[FireNoticed]] = []
        for one in (watch, twin):
            if isinstance(step, MarkKind):
                one.mark(Mark(step), now)
                answers.append([])
            else:
                answers.append(one.scan(now, step) + one.minute(now, step, BAND, nan))
        assert answers[0] == answers[1]
        assert (watch.log_due, watch.no_forecast) == (twin.log_due, twin.no_forecast)
        assert (watch.log_due is None) == bool(watch.no_forecast)
    assert watch.dump() == twin.dump()


def test_a_probe_that_is_found_to_lie_makes_no_lid_no_log_and_no_damper() -> None:
    steady = [120.0 - 0.1 * (minute % 3) for minute in range(60)]
    watch, twin = FireWatch(), FireWatch()
    for one in (watch, twin):
        minutes(one, steady[:45] + [v + 40.0 for v in steady[45:]])
        beats(one, [160.0] * 12, 60 * 60.0)
    watch.seen_anew(steady[-30:])
    found = [beats(one, [120.0] * 24, 61 * 60.0) + minutes(one, steady[:30], start=63) for one in (watch, twin)]
    assert found[0] == [] and found[1], "it would be taken for something"
    assert abs(watch.slope) < 0.1
