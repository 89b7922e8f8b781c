"""The fire watch on hand-made pit traces: each sign, the forecast, marks, own fires, restarts."""

from __future__ import annotations

import json
from math import exp, nan

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.core.events import FireNoticed, FireSign
from daemon.core.inputs import Interval, Mark, MarkKind
from daemon.core.pit.exit_library import FEATURES, ExitLibrary
from daemon.core.pit.fire import BLIND_FOR, ROWS_KEPT, FireWatch
from daemon.core.pit.profile import FireProfile
from daemon.core.pit.signs import slope
from daemon.core.settings import Band
from daemon.wiring.learned import learned

BAND = Band(121.0, 135.0)
PRIOR = learned().fires


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
    watch = FireWatch(PRIOR)
    minutes(watch, fires(3))
    assert watch.no_forecast == ""
    assert watch.log_due is not None
    return watch


# --- signs ------------------------------------------------------------------------------------------


def test_each_added_log_is_found_once_and_soon() -> None:
    seen = [n for n in minutes(FireWatch(PRIOR), fires(5)) if n.sign is FireSign.LOG_ADDED]
    late = [n.time / 60 - 40 * k for k, n in enumerate(seen, start=5 - len(seen))]
    assert len(seen) >= 4
    assert all(0 < delay <= 20 for delay in late)
    assert all(abs((n.at / 60 + 20) % 40 - 20) <= 10 for n in seen)


def test_a_dying_fire_and_a_steady_one_have_no_logs() -> None:
    assert minutes(FireWatch(PRIOR), [128.0] * 200) == []
    assert [n for n in minutes(FireWatch(PRIOR), dying()) if n.sign is FireSign.LOG_ADDED] == []


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
    watch = FireWatch(PRIOR)
    minutes(watch, [128.0] * 40)
    after = [128.0 - 50.0 * exp(-i / 4) for i in range(40)]
    assert FireSign.LOG_ADDED not in [n.sign for n in minutes(watch, after, 40)]


def test_a_lid_that_is_left_open_is_no_excuse_for_ever() -> None:
    watch = burning()
    minutes(watch, [60.0] * 20, 120)
    assert not watch.lid_open


def test_a_fast_turn_is_a_moved_damper() -> None:
    watch = FireWatch(PRIOR)
    trace = [128.0] * 40 + [128.0 - 2.5 * i for i in range(8)]
    assert FireSign.DAMPER_CHANGED in [n.sign for n in minutes(watch, trace)]


def test_a_log_that_catches_is_no_damper() -> None:
    catching = [123.0] * 20 + [123.0 + 1.7 * i for i in range(8)] + [135.0] * 10
    assert FireSign.DAMPER_CHANGED not in [n.sign for n in minutes(FireWatch(PRIOR), catching)]


def test_slope_matches_a_line_and_leaves_gaps_out() -> None:
    assert slope([1.0, 3.0, 5.0, 7.0]) == pytest.approx(2.0)
    assert slope([1.0, nan, 5.0, 7.0]) == pytest.approx(2.0)
    assert slope([nan, nan, nan, 7.0]) != slope([nan])


# --- how long the pit stays in its band -------------------------------------------------------------


def test_no_fire_no_forecast_and_the_reason_is_said() -> None:
    watch = FireWatch(PRIOR)
    assert (watch.log_due, watch.no_forecast) == (None, "no fire is lit")
    minutes(watch, [15.0] * 30)
    assert (watch.log_due, watch.no_forecast) == (None, "no fire is lit")
    watch.mark(Mark(MarkKind.FIRE_LIT), 1800.0)
    minutes(watch, [15.0 + 2 * i for i in range(30)], 30)
    assert (watch.log_due, watch.no_forecast) == (None, "the pit has not reached its band")


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
    assert sum(errors) / len(errors) <= 8


def test_the_nap_window_is_the_interval_less_the_lead() -> None:
    watch = burning()
    minutes(watch, fires(1)[:25], 120)
    due = watch.log_due
    assert due is not None
    window = watch.nap_window(60.0)
    assert window == (due.p05 - 60.0, due.p50 - 60.0)
    assert watch.nap_window(1e6) is None
    assert FireWatch(PRIOR).nap_window(0.0) is None


def test_below_the_band_and_blind_have_no_forecast() -> None:
    watch = burning()
    minutes(watch, [nan] * (BLIND_FOR + 1), 120)
    assert (watch.log_due, watch.no_forecast) == (None, "the pit cannot be read")
    minutes(watch, [128.0 - 2 * i for i in range(10)], 130)
    assert (watch.log_due, watch.no_forecast) == (None, "the pit is below its band")


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
    watch = FireWatch(PRIOR)
    for k in range(6):
        watch.mark(Mark(MarkKind.LOG), k * 40 * 60.0)
        minutes(watch, fires(1), 40 * k)
    profile = watch.learned()
    assert len(profile.log_intervals) >= 4
    assert all(abs(gap - 40) < 1 for gap in profile.log_intervals)
    assert all(len(row) == len(FEATURES) + 1 for row in profile.episodes)
    assert profile.episodes
    watch = FireWatch(PRIOR)
    watch.use_profile(profile)
    assert watch.learned() == profile


def test_own_fires_outweigh_the_prior() -> None:
    """Fires that all last 90 min where the prior says far less: the answer moves with the number of own fires."""
    fire = (6.0, -0.3, -0.2, 0.8, 20.0, 40.0)
    own = tuple((*fire, 90.0) for _ in range(40))
    alone = ExitLibrary(PRIOR).minutes_left(fire)
    few, many = ExitLibrary(PRIOR, own[:5], 1).minutes_left(fire), ExitLibrary(PRIOR, own, 60).minutes_left(fire)
    assert alone[1] < 45
    assert alone[2] < few[2]
    assert many[1] == pytest.approx(90.0)


@pytest.mark.parametrize("slower", [1.5, 2.5])
def test_a_slow_pit_is_told_by_how_it_falls_and_how_often_it_is_fed(slower: float) -> None:
    """The same fall, stretched in time, lasts longer by about as much, before any own fire has ended."""
    quick, library = (8.0, -1.0, -0.8, 1.2, 18.0, 25.0), ExitLibrary(PRIOR)
    level, slope_6, slope_12, fall, since_log, gap = quick
    slow = (level, slope_6 / slower, slope_12 / slower, fall / slower, since_log * slower, gap * slower)
    assert 0.7 * slower <= library.minutes_left(slow)[1] / library.minutes_left(quick)[1] <= 1.4 * slower


def test_higher_up_lasts_longer_even_between_the_same_neighbours() -> None:
    library = ExitLibrary(PRIOR)
    said = [library.minutes_left((level, -0.5, -0.4, 0.8, 25.0, 40.0))[1] for level in (4.0, 4.1, 4.2, 8.0, 12.0)]
    assert said[0] < said[3] < said[4]
    assert said[2] > 0


def test_the_interval_holds_unseen_fires_of_the_prior_and_the_middle_is_in_the_middle() -> None:
    """Every tenth row of the prior, asked of a library made of the others: 90 % intervals, common practice, no source."""
    said = [(ExitLibrary(PRIOR).minutes_left(row[:-1]), row[-1]) for row in PRIOR[::25]]
    inside = [low <= left <= high for (low, _, high), left in said]
    over = [middle > left for (_, middle, _), left in said]
    assert 0.85 <= sum(inside) / len(inside) <= 1.0
    assert 0.35 <= sum(over) / len(over) <= 0.65


def test_a_pit_that_never_falls_does_not_look_like_one_that_lasts_for_ever() -> None:
    steady, falling = (7.0, 0.0, 0.0, 0.0, 60.0, 35.0), (7.0, -0.6, -0.5, 0.0, 60.0, 35.0)
    library = ExitLibrary(PRIOR)
    assert library.minutes_left(falling)[1] < 20
    assert library.minutes_left(steady)[1] < 120


def test_a_very_heavy_pit_is_given_its_time_from_the_third_fire_on() -> None:
    """A pit that falls 6 °C an hour, fed every 100 min, slower than any in the prior: its own fires say so."""
    watch = FireWatch(PRIOR)
    one = [124.0 + 9.0 * min(i / 10, (100 - i) / 90) for i in range(100)]
    said = []
    for k in range(4):
        watch.mark(Mark(MarkKind.LOG), 100 * k * 60.0)
        minutes(watch, one[:40], 100 * k)
        due = watch.log_due
        assert due is not None
        said.append((due.p50 - (100 * k + 39) * 60.0) / 60.0)
        minutes(watch, one[40:], 100 * k + 40)
    assert said[0] < 35
    assert said[1] > 1.5 * said[0]
    assert all(minutes_left >= 50 for minutes_left in said[2:])


def test_the_prior_has_the_shape_the_library_expects() -> None:
    assert len(PRIOR) >= 500
    assert all(len(row) == len(FEATURES) + 1 and 0 <= row[-1] <= 180 for row in PRIOR)


def test_the_profile_does_not_grow_without_end() -> None:
    row = (5.0, 0.0, 0.0, 0.8, 10.0, 35.0, 30.0)
    watch = FireWatch(PRIOR)
    watch.use_profile(FireProfile((row,) * 5000, (35.0,) * 5000))
    assert len(watch.learned().episodes) == ROWS_KEPT


def test_rows_of_an_older_version_are_left_out_and_its_log_intervals_kept() -> None:
    new, old = (5.0, 0.0, 0.0, 0.8, 10.0, 35.0, 30.0), (5.0, 0.0, 0.0, 0.0, 10.0, 5.0, 8.0, 35.0, 30.0)
    watch = FireWatch(PRIOR)
    watch.use_profile(FireProfile((old, new), (35.0, 36.0)))
    assert watch.learned() == FireProfile((new,), (35.0, 36.0))


steps = st.lists(
    st.one_of(st.just(nan), st.floats(-20, 400), st.sampled_from([MarkKind.LOG, MarkKind.LID_OPEN, MarkKind.FIRE_LIT])),
    max_size=60,
)


@settings(deadline=None)
@given(st.booleans(), steps)
def test_odd_data_never_raises_and_a_restart_changes_nothing(warm: bool, todo: list[float | MarkKind]) -> None:
    watch, twin = FireWatch(PRIOR), FireWatch(PRIOR)
    start = 0
    if warm:
        start = 60
        minutes(watch, fires(2)[:60])
    twin.load(json.loads(json.dumps(watch.dump())))
    for i, step in enumerate(todo):
        now = (start + i) * 60.0
        if i % 20 == 10:
            twin = FireWatch(PRIOR)
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
