"""Own reminders, against a plain reckoning: from a start, every so often, never two at once."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.core.plan.reminders import Reminder, Reminders
from daemon.core.planned import From, ReminderSettings

EVERY = st.floats(300.0, 7200.0)


@given(every=EVERY, waits=st.lists(st.floats(0.0, 5000.0), max_size=12))
def test_it_is_due_so_long_after_it_was_last_done_however_late_that_was(every: float, waits: list[float]) -> None:
    """waits: s by which the cook is late each time."""
    reminder = Reminder(ReminderSettings("spritz", "Spritz", every, From.ON), began=1000.0)
    expected = 1000.0 + every
    for wait in waits:
        assert reminder.due == pytest.approx(expected)
        assert not reminder.is_due(expected - 1.0) and reminder.is_due(expected + 1.0)
        reminder.done_at = expected + wait
        expected += wait + every
    reminder.ended = True
    assert reminder.due is None and not reminder.is_due(expected + 1e6)


def test_at_an_hour_the_first_is_due_at_once_and_a_single_one_is_over_when_done() -> None:
    every, once = (Reminder(ReminderSettings("a", "A", every, at=500.0), began=500.0) for every in (600.0, None))
    assert [every.due, once.due] == [500.0, 500.0]
    every.done_at = once.done_at = 520.0
    assert [every.due, once.due] == [1120.0, None]


def test_a_changed_cook_file_keeps_what_the_page_added_and_begins_what_differs_anew() -> None:
    spritz, turn = (
        ReminderSettings("spritz", "Spritz", 900.0, From.ON),
        ReminderSettings("turn", "Turn", 900.0, From.ON),
    )
    own = ReminderSettings("water", "Water", 900.0, From.LIT)
    reminders = Reminders()
    reminders.begin((spritz, turn))
    reminders.add(own)
    reminders.done("turn", 50.0)
    longer = ReminderSettings("spritz", "Spritz", 1800.0, From.ON)
    assert reminders.change((spritz, turn), (longer, turn)) == ()
    assert {r.settings.id: (r.settings.every, r.done_at) for r in reminders} == {
        "spritz": (1800.0, None), "turn": (900.0, 50.0), "water": (900.0, None),
    }  # fmt: skip
    assert reminders.change((longer, turn), (turn,)) == ("spritz",)
    other = Reminders()
    other.load(reminders.dump())
    assert list(other) == list(reminders)
