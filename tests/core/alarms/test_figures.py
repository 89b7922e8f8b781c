"""Alarm figures on a night small enough to count by hand. The thresholds are those of ANSI/ISA-18.2 as usually cited (10 min for
rates, 3 in a minute for chatter, 24 h for stale; from memory)."""

from __future__ import annotations

from daemon.core.alarms.figures import AlarmFigures, Longest, Transition, alarm_figures
from daemon.core.events import AlarmState

N, U, A, R = AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED_UNACKNOWLEDGED
HOUR = 3600.0
FEED, HIGH = "pit-falling/pit", "pit-high/pit"


def steps(alarm: str, *times: tuple[float, AlarmState], prompt: bool = False) -> list[Transition]:
    before, found = N, list[Transition]()
    for time, after in times:
        found.append(Transition(time, alarm, before, after, prompt))
        before = after
    return found


def night(*parts: list[Transition], end: float = 10 * HOUR, verdicts: tuple[bool, ...] = ()) -> AlarmFigures:
    return alarm_figures(sorted((t for part in parts for t in part), key=lambda t: t.time), 0.0, end, verdicts)


def test_a_quiet_night_has_no_figures() -> None:
    quiet = night()
    assert (quiet.alarm_count, quiet.maximum_rate, quiet.maximum_active, quiet.answer_median) == (0, 0, None, None)


def test_counts_rates_and_answers() -> None:
    found = night(
        steps(FEED, (HOUR, U), (HOUR + 240, A), (HOUR + 900, N),
              (5 * HOUR, U), (5 * HOUR + 60, A), (5 * HOUR + 600, N), prompt=True),
        steps(HIGH, (HOUR + 300, U), (HOUR + 1200, R), (HOUR + 1800, N)),
        verdicts=(True, True, False),
    )  # fmt: skip
    assert (found.alarm_count, found.prompt_count) == (3, 2)
    assert found.average_rate == 3 / 60, "3 in the 60 times 10 min of 10 h"
    assert found.maximum_rate == 2, "one at 1:00, one at 1:05"
    assert found.maximum_active == Longest(FEED, 900.0)  # 1:00 to 1:15; the other stood as long and came later
    assert found.maximum_unacknowledged == Longest(HIGH, 1500.0)  # 1:05 to 1:30
    assert (found.answers, found.answer_median, found.answer_longest) == (3, 240.0, 1500.0)
    assert found.top == ((FEED, 2), (HIGH, 1))
    assert (found.judged, found.needed) == (3, 2)
    assert found.chattering == () and found.stale == ()


def test_an_alarm_that_nobody_answered_is_no_answer() -> None:
    found = night(steps(HIGH, (HOUR, U)))
    assert (found.answers, found.answer_median) == (0, None)
    assert found.maximum_unacknowledged == Longest(HIGH, 9 * HOUR)


def test_chattering_and_stale_alarms_are_named() -> None:
    rattling = steps(HIGH, *((HOUR + 20 * n, state) for n, state in enumerate((U, A, N, U, A, N))))
    assert night(rattling).chattering == ()  # twice in 100 s
    quick = steps(HIGH, *((HOUR + 10 * n, state) for n, state in enumerate((U, R, U, R, U))))
    assert night(quick).chattering == (HIGH,)
    old = steps(FEED, (0.0, U), (60.0, A))
    assert night(old, end=25 * HOUR).stale == (FEED,)
    assert night(old, end=23 * HOUR).stale == ()
