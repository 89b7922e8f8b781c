"""The fire watch on hand-made pit traces: each sign, the forecast, marks, own fires, restarts."""

from __future__ import annotations

import json
from math import exp, nan
from statistics import median

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.core.events import FireNoticed, FireSign
from daemon.core.fire import BLIND_FOR, ROWS_KEPT, FireWatch
from daemon.core.fire_exit import FEATURES, ExitLibrary, Row
from daemon.core.fire_prior import PRIOR
from daemon.core.fire_signs import slope
from daemon.core.inputs import Interval, Mark, MarkKind
from daemon.core.pit_profile import FireProfile
from daemon.core.settings import Band

BAND = Band(121.0, 135.0)


def minutes(watch: FireWatch, values: list[float], start: int = 0) -> list[FireNoticed]:
    """One value a minute, seen by both the fast and the slow detectors."""
    noticed: list[FireNoticed] = []
    for i, value in enumerate(values):
        now = (start + i) * 60.0
        noticed += watch.beat(now, value)
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
    return [sign for i, value in enumerate(values) for sign in watch.beat(start + 5.0 * i, value)]


def burning() -> FireWatch:
    watch = FireWatch()
    minutes(watch, fires(3))
    assert watch.no_forecast == ""
    assert watch.log_due is not None
    return watch


# --- signs ------------------------------------------------------------------------------------------


def test_each_added_log_is_found_once_and_soon() -> None:
    seen = [n for n in minutes(FireWatch(), fires(5)) if n.sign is FireSign.LOG_ADDED]
    late = [n.time / 60 - 40 * k for k, n in enumerate(seen, start=5 - len(seen))]
    assert len(seen) >= 4
    assert all(0 < delay <= 20 for delay in late)
    assert all(abs((n.at / 60 + 20) % 40 - 20) <= 10 for n in seen)


def test_a_dying_fire_and_a_steady_one_have_no_logs() -> None:
    assert minutes(FireWatch(), [128.0] * 200) == []
    assert [n for n in minutes(FireWatch(), dying()) if n.sign is FireSign.LOG_ADDED] == []


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
    watch = FireWatch()
    minutes(watch, [128.0] * 40)
    after = [128.0 - 50.0 * exp(-i / 4) for i in range(40)]
    assert FireSign.LOG_ADDED not in [n.sign for n in minutes(watch, after, 40)]


def test_a_lid_that_is_left_open_is_no_excuse_for_ever() -> None:
    watch = burning()
    minutes(watch, [60.0] * 20, 120)
    assert not watch.lid_open


def test_a_fast_turn_is_a_moved_damper() -> None:
    watch = FireWatch()
    trace = [128.0] * 40 + [128.0 - 2.5 * i for i in range(8)]
    assert FireSign.DAMPER_CHANGED in [n.sign for n in minutes(watch, trace)]


def test_a_log_that_catches_is_no_damper() -> None:
    catching = [123.0] * 20 + [123.0 + 1.7 * i for i in range(8)] + [135.0] * 10
    assert FireSign.DAMPER_CHANGED not in [n.sign for n in minutes(FireWatch(), catching)]


def test_slope_matches_a_line_and_leaves_gaps_out() -> None:
    assert slope([1.0, 3.0, 5.0, 7.0]) == pytest.approx(2.0)
    assert slope([1.0, nan, 5.0, 7.0]) == pytest.approx(2.0)
    assert slope([nan, nan, nan, 7.0]) != slope([nan])


# --- how long the pit stays in its band -------------------------------------------------------------


def test_no_fire_no_forecast_and_the_reason_is_said() -> None:
    watch = FireWatch()
    assert (watch.log_due, watch.no_forecast) == (None, "no fire is lit")
    minutes(watch, [15.0] * 30)
    assert (watch.log_due, watch.no_forecast) == (None, "no fire is lit")
    watch.mark(Mark(MarkKind.FIRE_LIT), 1800.0)
    minutes(watch, [15.0 + 2 * i for i in range(30)], 30)
    assert (watch.log_due, watch.no_forecast) == (None, "the pit has not reached its band")


def test_the_forecast_of_a_dying_fire_holds_the_truth_and_nears_it() -> None:
    watch = burning()
    trace = dying()
    truth = (120 + next(i for i, v in enumerate(trace) if v < BAND.low)) * 60.0
    errors = []
    for i, value in enumerate(trace):
        now = (120 + i) * 60.0
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
    assert FireWatch().nap_window(0.0) is None


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
    watch = FireWatch()
    for k in range(6):
        watch.mark(Mark(MarkKind.LOG), k * 40 * 60.0)
        minutes(watch, fires(1), 40 * k)
    profile = watch.learned()
    assert len(profile.log_intervals) >= 4
    assert all(abs(gap - 40) < 1 for gap in profile.log_intervals)
    assert all(len(row) == len(FEATURES) + 1 for row in profile.episodes)
    assert profile.episodes
    watch = FireWatch()
    watch.use_profile(profile)
    assert watch.learned() == profile


def test_own_fires_outweigh_the_prior() -> None:
    """Fires that all last 90 min where the prior says far less: the answer moves with the number of own fires."""
    fire = (6.0, -0.3, -0.2, -0.1, 20.0, 10.0, 9.0, 40.0)
    own = tuple((*fire, 90.0) for _ in range(30))
    alone = ExitLibrary((), 0).minutes_left(fire)
    few, many = ExitLibrary(own[:5], 1).minutes_left(fire), ExitLibrary(own, 60).minutes_left(fire)
    assert alone is not None and few is not None and many is not None
    assert alone[1] < 45
    assert alone[2] < few[2]
    assert many[1] == pytest.approx(90.0)


def fires_of(slow: float) -> tuple[Row, ...]:
    """Own fires of a pit that takes `slow` times as long as the prior says."""
    return tuple((*row[:-1], slow * row[-1]) for row in PRIOR[::50] if row[-1] >= 10)


@pytest.mark.parametrize("rows", [6, 30])
def test_a_slow_pit_tells_so_from_its_first_few_rows(rows: int) -> None:
    library = ExitLibrary(fires_of(2.5)[:rows], 1 + rows // 6)
    unseen = [row for row in PRIOR[7::40] if row[-1] >= 10]
    ratios = []
    for row in unseen:
        said = library.minutes_left(row[:-1])
        assert said is not None
        ratios.append(said[1] / row[-1])
    assert 1.5 <= median(ratios) <= 3.0


@pytest.mark.parametrize("slow", [0.5, 1.0, 1.2])
def test_an_ordinary_pit_is_not_called_slow(slow: float) -> None:
    assert ExitLibrary(fires_of(slow), 10).slowness == 1.0


def test_the_many_rows_of_one_long_fall_are_one_witness() -> None:
    """Fires as the prior has them, then one that took four times as long and left forty rows."""
    told = {row[-1]: row for row in PRIOR if row[-1] >= 10}
    fall = [told[minutes] for minutes in sorted(told, reverse=True)]
    usual = fires_of(1.0)
    long_one = [(*row[:-1], 4.0 * row[-1]) for row in fall[:40]]
    assert ExitLibrary((*usual, *long_one), 5).slowness == 1.0
    assert ExitLibrary(tuple(long_one), 1).slowness > 1.5, "alone it does tell"


def test_a_heavy_pit_is_given_its_time_from_the_second_fire_on() -> None:
    """A pit that falls 6 °C an hour, fed every 100 min: its first fire is judged by the prior, later ones by its own."""
    watch = FireWatch()
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
    assert all(minutes_left >= 40 for minutes_left in said[1:])


def test_the_prior_has_the_shape_the_library_expects() -> None:
    assert len(PRIOR) >= 500
    assert all(len(row) == len(FEATURES) + 1 and 0 <= row[-1] <= 180 for row in PRIOR)


def test_the_profile_does_not_grow_without_end() -> None:
    row = (5.0, 0.0, 0.0, 0.0, 10.0, 5.0, 8.0, 35.0, 30.0)
    watch = FireWatch()
    watch.use_profile(FireProfile((row,) * 5000, (35.0,) * 5000))
    assert len(watch.learned().episodes) == ROWS_KEPT


steps = st.lists(
    st.one_of(st.just(nan), st.floats(-20, 400), st.sampled_from([MarkKind.LOG, MarkKind.LID_OPEN, MarkKind.FIRE_LIT])),
    max_size=60,
)


@settings(deadline=None)
@given(st.booleans(), steps)
def test_odd_data_never_raises_and_a_restart_changes_nothing(warm: bool, todo: list[float | MarkKind]) -> None:
    watch, twin = FireWatch(), FireWatch()
    start = 0
    if warm:
        start = 60
        minutes(watch, fires(2)[:60])
    twin.load(json.loads(json.dumps(watch.dump())))
    for i, step in enumerate(todo):
        now = (start + i) * 60.0
        if i % 20 == 10:
            twin = FireWatch()
            twin.load(json.loads(json.dumps(watch.dump())))
        answers: list[list[FireNoticed]] = []
        for one in (watch, twin):
            if isinstance(step, MarkKind):
                one.mark(Mark(step), now)
                answers.append([])
            else:
                answers.append(one.beat(now, step) + one.minute(now, step, BAND, nan))
        assert answers[0] == answers[1]
        assert (watch.log_due, watch.no_forecast) == (twin.log_due, twin.no_forecast)
        assert (watch.log_due is None) == bool(watch.no_forecast)
    assert watch.dump() == twin.dump()
