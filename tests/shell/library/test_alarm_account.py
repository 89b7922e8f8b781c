"""The alarm figures over kept cooks: what a window cuts, and how cooks are laid end to end. Names: ISA-18.2, OPC UA Part 9."""

from __future__ import annotations

from typing import Any

from daemon.core.annunciation.test_call import TEST_WAKE
from daemon.shell.library.alarm_account import AlarmTrail, Window, figures_of
from daemon.shell.wording import rfc3339

NIGHT = 1_780_000_000.0
OFFSET = 500.0


def alarm(at: float, key: str, before: str, after: str, prompt: bool = False) -> dict[str, Any]:
    return {
        "time": rfc3339(at + OFFSET),
        "event": "alarm",
        "alarm": key,
        "before": before,
        "after": after,
        "prompt": prompt,
    }


def trail(started: float, *events: dict[str, Any], hours: float = 10.0) -> AlarmTrail:
    return AlarmTrail(started, started + hours * 3600.0, OFFSET, events)


def whole_cook(started: float) -> AlarmTrail:
    """Raised in the evening and at night; the first is answered after 2 min and gone at night, the second stays."""
    call = {"event": "notification", "alarm": "pit-low/pit", "id": "n1", "time": rfc3339(started + 7200.0 + OFFSET)}
    test = {"event": "notification", "alarm": TEST_WAKE, "id": "t1", "time": rfc3339(started + 60.0 + OFFSET)}
    return trail(
        started,
        test,
        alarm(started + 600.0, "lid/pit", "normal", "unacknowledged"),
        alarm(started + 720.0, "lid/pit", "unacknowledged", "acknowledged"),
        alarm(started + 7200.0, "pit-low/pit", "normal", "unacknowledged", prompt=True),
        call,
        alarm(started + 9000.0, "lid/pit", "acknowledged", "normal"),
        {"event": "wake-judged", "notification": "t1", "needed": False, "time": rfc3339(started + 36000.0)},
        {"event": "wake-judged", "notification": "n1", "needed": False, "time": rfc3339(started + 36000.0)},
        {"event": "wake-judged", "notification": "n1", "needed": True, "time": rfc3339(started + 36060.0)},
    )


def test_one_cook() -> None:
    found = figures_of([whole_cook(NIGHT)])
    assert (found.alarm_count, found.prompt_count, found.seconds) == (2, 1, 36000.0)
    assert (found.answers, found.answer_median) == (1, 120.0)
    assert (found.judged, found.needed) == (1, 1), "the last word counts, and a test is no call"


def test_a_window_raises_nothing_anew_and_cuts_what_it_does_not_see() -> None:
    start = NIGHT + 3600.0 + OFFSET  # UTC
    found = figures_of([whole_cook(NIGHT)], Window(start, start + 4 * 3600.0))
    assert (found.alarm_count, found.prompt_count, found.seconds) == (1, 1, 4 * 3600.0)
    assert found.maximum_active is not None
    assert (found.maximum_active.alarm, found.maximum_active.seconds) == ("pit-low/pit", 4 * 3600.0 - 3600.0)
    evening = figures_of([whole_cook(NIGHT)], Window(NIGHT + OFFSET, NIGHT + OFFSET + 3600.0))
    assert (evening.alarm_count, evening.judged) == (1, 0)


def test_a_season_is_its_cooks_end_to_end() -> None:
    found = figures_of([whole_cook(NIGHT), whole_cook(NIGHT + 30 * 86400.0)])
    assert (found.alarm_count, found.seconds, found.judged) == (4, 72000.0, 2)
    assert found.maximum_active is not None and found.maximum_active.seconds < 36000.0
    assert figures_of([]).alarm_count == 0
