"""Own reminders, against a plain reckoning: from a start, every so often, never two at once."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.core.orders import AddReminder, Mark, MarkKind, MovePiece, TakeBack
from daemon.core.plan.reminders import Reminder, Reminders
from daemon.core.planned import From, ReminderSettings
from tests.core.night import NIGHT, engine_at_night, read, step
from tests.core.two_pits import TWO

EVERY = st.floats(300.0, 7200.0)
COLD = {"pit_left": 12.0, "pit_right": 12.5, "drum_left": 11.0, "drum_right": 11.5, "chuck": 5.0, "lamb": 6.0}
ONE_HOT = COLD | {"pit_left": 122.0, "pit_right": 119.0}
BOTH_HOT = ONE_HOT | {"drum_left": 121.0, "drum_right": 118.0}


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


def test_of_two_pits_a_reminder_goes_by_the_fire_of_its_own_piece() -> None:
    """Whichever fire comes first begins one that names no piece. s after NIGHT."""
    engine, every = engine_at_night(TWO), 1800.0

    def begun() -> dict[str, float]:
        views = engine.snapshot(NIGHT).reminders
        return {view.id: view.due - every - NIGHT for view in views if view.due is not None}

    def tell(item: Mark | TakeBack | MovePiece, at: float) -> None:
        step(engine, item, NIGHT + at)

    for piece in ("chuck", "lamb", None):
        for start in (From.LIT, From.IN_BAND):
            own = ReminderSettings(f"{start}-{piece}", "Fill the pan", every, start, piece=piece)
            step(engine, AddReminder(own, "cook"), NIGHT)
    read(engine, 0.0, 300.0, **COLD)
    assert begun() == {}
    tell(Mark(MarkKind.FIRE_LIT, pit="drum"), 300.0)
    assert begun() == {"lit-lamb": 300.0, "lit-None": 300.0}
    tell(TakeBack("fire-lit", pit="drum"), 310.0)
    assert begun() == {}
    tell(Mark(MarkKind.FIRE_LIT), 320.0)
    read(engine, 320.0, 900.0, **ONE_HOT)
    hot = begun()["in-band-chuck"]
    assert begun() == {"lit-chuck": 320.0, "lit-None": 320.0, "in-band-chuck": hot, "in-band-None": hot}
    tell(Mark(MarkKind.FIRE_LIT, pit="drum"), 900.0)
    read(engine, 900.0, 1500.0, **BOTH_HOT)
    assert begun()["lit-lamb"] == 900.0 and begun()["lit-chuck"] == 320.0
    assert 900.0 < begun()["in-band-lamb"] <= 1500.0 and begun()["in-band-chuck"] == hot


def test_a_fire_that_was_not_lit_leaves_the_reminders_of_the_other_pit_alone() -> None:
    engine, every = engine_at_night(TWO), 1800.0
    step(engine, AddReminder(ReminderSettings("pan", "Fill the pan", every, From.LIT, piece="chuck"), "cook"), NIGHT)
    step(engine, Mark(MarkKind.FIRE_LIT, pit="drum"), NIGHT)
    step(engine, Mark(MarkKind.FIRE_LIT), NIGHT + 60.0)
    read(engine, 60.0, 900.0, **ONE_HOT)
    step(engine, TakeBack("fire-lit", pit="drum"), NIGHT + 900.0)
    (view,) = engine.snapshot(NIGHT + 900.0).reminders
    assert view.due == NIGHT + 60.0 + every


def test_a_piece_that_moves_takes_its_reminder_to_the_other_fire() -> None:
    engine, every = engine_at_night(TWO), 1800.0
    step(engine, AddReminder(ReminderSettings("pan", "Fill the pan", every, From.LIT, piece="lamb"), "cook"), NIGHT)
    step(engine, Mark(MarkKind.FIRE_LIT), NIGHT)
    (view,) = engine.snapshot(NIGHT).reminders
    assert view.due is None
    step(engine, MovePiece("lamb", "offset", "cook"), NIGHT + 60.0)
    read(engine, 60.0, 180.0, **COLD)
    (view,) = engine.snapshot(NIGHT + 180.0).reminders
    assert view.due == NIGHT + every
