"""Marks and spot readings taken back: the watch stands as one that was never told. No outside source: the rules are ours."""

from __future__ import annotations

import json
from typing import Any

import pytest

from daemon.core.engine import Engine
from daemon.core.events import AlarmChanged, AlarmState, Event, ForecastWanted, StageChanged, TakenBack
from daemon.core.inputs import Input
from daemon.core.orders import AddReminder, KeepPlan, Mark, MarkKind, SpotReading, TakeBack
from daemon.core.pieces.piece import PieceWatch
from daemon.core.planned import From, KeptPlan, PlannedPiece, ReminderSettings, StepKind
from daemon.core.said import say
from daemon.shell.web.understood import understood
from tests.core.test_changing_cook import Night, the


def both(*wrong: Input, minutes: int = 12) -> tuple[Night, Night, list[Event]]:
    """A night to which something wrong was said and taken back, one to which it was not, and what the first said to that."""
    told, untold = Night(), Night()
    said_at = told.now
    for item in wrong:
        told.give(item)
    told.minutes(minutes)
    untold.minutes(minutes)
    events: list[Event] = []
    for item in reversed(wrong):
        assert isinstance(item, Mark | SpotReading)
        what = item.kind.value if isinstance(item, Mark) else "spot"
        events += told.give(TakeBack(what, item.piece, said_at if len(wrong) == 1 else None, "Ann"))
    return told, untold, events


def seen(piece: PieceWatch) -> dict[str, Any]:
    """What a piece is known by, without what only its retelling leaves."""
    dumped = json.loads(json.dumps(piece.dump()))
    return {part: dumped[part] for part in ("stage", "stall", "safety", "wrap_material", "spots")}


@pytest.mark.parametrize(
    "wrong",
    [
        Mark(MarkKind.WRAPPED, "chuck", note="foil"),
        Mark(MarkKind.OFF, "chuck"),
        Mark(MarkKind.OFF),
        Mark(MarkKind.PROBED_TENDER, "lamb"),
        Mark(MarkKind.HOLD, "lamb"),
        SpotReading("lamb", 95.0),
    ],
    ids=lambda wrong: f"{getattr(wrong, 'kind', 'spot')} {wrong.piece}",
)
def test_pieces_stand_as_if_it_had_not_been_said(wrong: Mark | SpotReading) -> None:
    told, untold, events = both(wrong)
    assert the(TakenBack, events).by == "Ann"
    for name in ("chuck", "lamb"):
        assert seen(told.engine.pieces[name]) == seen(untold.engine.pieces[name]), name
    asked = [e.request.piece.id for e in events if isinstance(e, ForecastWanted)]
    assert asked == ([wrong.piece] if wrong.piece else ["chuck", "lamb"]), "what is foretold is foretold anew"
    told.minutes(12)
    untold.minutes(12)
    for name in ("chuck", "lamb"):
        assert seen(told.engine.pieces[name]) == seen(untold.engine.pieces[name]), name


def test_of_two_marks_only_the_wrong_one_goes() -> None:
    night = Night()
    night.give(Mark(MarkKind.WRAPPED, "chuck", note="foil"))
    night.minutes(6)
    wrapped = night.engine.pieces["chuck"].stage.wrapped_at
    night.give(Mark(MarkKind.OFF))
    night.minutes(6)
    changed = [e for e in night.give(TakeBack("off")) if isinstance(e, StageChanged)]
    assert next((e.subject, e.before, e.after) for e in changed) == ("chuck", "off", "wrapped")
    assert night.engine.pieces["chuck"].stage.wrapped_at == wrapped
    assert night.engine.pieces["chuck"].wrap_material == "foil"


def test_a_mark_at_a_wrong_time_is_taken_back_and_made_anew() -> None:
    night = Night()
    night.give(Mark(MarkKind.WRAPPED, "chuck"))
    night.minutes(3)
    night.give(TakeBack("wrapped", "chuck"))
    done = night.now - 900.0
    night.give(Mark(MarkKind.WRAPPED, "chuck", at=done))
    assert night.engine.pieces["chuck"].stage.wrapped_at == done
    assert [(m.what, m.at) for m in night.engine.snapshot(night.now).marks if m.what == "wrapped"] == [
        ("wrapped", done)
    ]


def test_the_answer_names_the_mark_that_goes() -> None:
    """Of three logs the newest said goes first, whether or not the order names when it was said."""
    night = Night()
    for _ in range(3):
        night.give(Mark(MarkKind.LOG, at=night.now - 60.0))
        night.minutes(5)
    logs = [m for m in night.engine.snapshot(night.now).marks if m.what == "log"]
    assert len(logs) == 3
    for left, said_at in ((logs, None), (logs[1:], None), (logs[2:], logs[2].said_at)):
        order, seen = TakeBack("log", None, said_at), night.engine.snapshot(night.now)
        answer = understood(order, seen)
        gone = the(TakenBack, night.give(order))
        assert answer == say("understood.back", what="log", at=gone.at)
        assert seen.newest_mark("log", None, said_at) == left[0]
        assert [m for m in night.engine.snapshot(night.now).marks if m.what == "log"] == left[1:]


def test_a_log_taken_back_leaves_the_logs_and_intervals_of_the_others() -> None:
    told, untold = Night(), Night()
    for night in (told, untold):
        night.give(Mark(MarkKind.LOG))
        night.minutes(30)
    told.give(Mark(MarkKind.LOG))
    wrong = told.now
    for night in (told, untold):
        night.minutes(10)
        night.give(Mark(MarkKind.LOG))
        night.minutes(1)
    assert len(told.engine.pit.fire.log_intervals) == len(untold.engine.pit.fire.log_intervals) + 1
    told.give(TakeBack("log", None, wrong))
    assert told.engine.pit.fire.log_intervals == untold.engine.pit.fire.log_intervals
    assert told.engine.pit.fire.last_log == untold.engine.pit.fire.last_log
    assert told.engine.pit.fire.exit.marked_at == untold.engine.pit.fire.exit.marked_at


def test_the_newest_log_taken_back_gives_the_fire_before_it_its_time_again() -> None:
    told, untold = Night(), Night()
    for night in (told, untold):
        night.give(Mark(MarkKind.LOG))
        night.minutes(30)
    told.give(Mark(MarkKind.LOG))
    for night in (told, untold):
        night.minutes(20)
    assert told.engine.pit.fire.last_log != untold.engine.pit.fire.last_log
    told.give(TakeBack("log"))
    for night in (told, untold):
        night.minutes(1)
    assert told.engine.pit.fire.last_log == untold.engine.pit.fire.last_log
    assert told.engine.pit.fire.log_intervals == untold.engine.pit.fire.log_intervals
    assert told.engine.pit.fire.exit.habits.rows() == untold.engine.pit.fire.exit.habits.rows()
    assert told.engine.pit.fire.log_due == untold.engine.pit.fire.log_due


def test_a_fire_that_was_not_lit_after_all() -> None:
    night = Night(lit=False)
    before = night.engine.pit.stage.stage
    night.give(Mark(MarkKind.FIRE_LIT))
    assert night.engine.pit.stage.stage == "lighting"
    (change,) = [e for e in night.give(TakeBack("fire-lit")) if isinstance(e, StageChanged)]
    assert (change.subject, change.after) == ("pit", before)


def test_a_prompt_that_was_answered_by_mistake_comes_again() -> None:
    night = Night(wrap_at=48.0)
    night.minutes(3)

    def told() -> list[AlarmState]:
        return [v.state for v in night.engine.alarms.views() if v.key == "wrap-target/chuck"]

    assert told() == [AlarmState.UNACKNOWLEDGED]
    night.give(Mark(MarkKind.WRAPPED, "chuck"))
    night.minutes(3)
    assert told() == []
    night.give(TakeBack("wrapped", "chuck"))
    night.minutes(3)
    assert told() == [AlarmState.UNACKNOWLEDGED]


def test_what_was_said_survives_a_restart() -> None:
    told, untold, _ = both(Mark(MarkKind.WRAPPED, "chuck"))
    night = Night()
    night.give(Mark(MarkKind.WRAPPED, "chuck"))
    night.minutes(12)
    again = Night()
    again.now = night.now
    again.engine.load(json.loads(json.dumps(night.engine.dump())))
    again.give(TakeBack("wrapped", "chuck"))
    assert (
        seen(again.engine.pieces["chuck"]) == seen(untold.engine.pieces["chuck"]) == seen(told.engine.pieces["chuck"])
    )


def test_a_checkpoint_of_an_earlier_version_is_retold_from_where_it_was() -> None:
    night = Night()
    dumped = json.loads(json.dumps(night.engine.dump()))
    for part in ("marks", "handheld", "acted_at"):
        del dumped[part]
    for piece in dumped["pieces"].values():
        for key in ("spots", "first_seen", "before"):
            del piece[key]
    del dumped["fire"]["logs"], dumped["pit_stage"]["before_lit"]
    again = Night()
    again.engine.load(dumped)
    stage, on_at = again.engine.pieces["chuck"].stage.stage, again.engine.pieces["chuck"].stage.on_at
    again.minutes(2)
    again.give(Mark(MarkKind.WRAPPED, "chuck"))
    again.minutes(5)
    again.give(TakeBack("wrapped", "chuck"))
    assert (again.engine.pieces["chuck"].stage.stage, again.engine.pieces["chuck"].stage.on_at) == (stage, on_at)


def test_alarms_of_the_past_stay_told() -> None:
    """What people were told cannot be untold: an alarm changes only by what is judged from now on."""
    _, _, events = both(Mark(MarkKind.LOG))
    assert not [e for e in events if isinstance(e, AlarmChanged)]


def kept(engine: Engine, now: float) -> None:
    plan = KeptPlan(
        serve_at=now + 10 * 3600.0, rest=3600.0, light=now + 1800.0, heat_up=4500.0, log_interval=2400.0,
        pieces=(PlannedPiece("chuck", now + 7200.0, 18000.0, 21600.0, 25200.0),),
    )  # fmt: skip
    engine.handle(KeepPlan(plan, "cook"), now)


def test_a_fire_that_was_not_lit_after_all_is_to_be_lit_by_the_plan() -> None:
    night = Night(lit=False)
    kept(night.engine, night.now)
    night.give(Mark(MarkKind.FIRE_LIT))
    step = night.engine.duties.plan.step(StepKind.LIGHT)
    assert step is not None and step.done
    night.give(TakeBack("fire-lit"))
    step = night.engine.duties.plan.step(StepKind.LIGHT)
    assert step is not None and not step.done


def test_a_fire_lit_earlier_than_said_was_lit_then_in_the_plan() -> None:
    night = Night(lit=False)
    kept(night.engine, night.now)
    night.minutes(15)
    night.give(Mark(MarkKind.FIRE_LIT, at=night.now - 600.0))
    step = night.engine.duties.plan.step(StepKind.LIGHT)
    assert step is not None and step.done and step.at.p50 == night.now - 600.0


def test_a_meal_that_was_not_served_after_all_is_still_to_be_served() -> None:
    night = Night()
    kept(night.engine, night.now)
    night.give(Mark(MarkKind.OFF, "chuck"))
    night.minutes(2)
    night.give(Mark(MarkKind.SERVE, "chuck"))
    night.minutes(2)
    assert [s.done for s in night.engine.duties.plan.steps if s.kind is StepKind.SERVE] == [True]
    night.give(TakeBack("serve", "chuck"))
    assert [s.done for s in night.engine.duties.plan.steps if s.kind is StepKind.SERVE] == [False]


def test_a_reminder_that_began_with_a_mark_waits_again_when_the_mark_is_taken_back() -> None:
    night = Night()
    night.give(AddReminder(ReminderSettings("glaze", "Glaze", 1800.0, From.WRAPPED, piece="chuck"), "page"))
    night.give(Mark(MarkKind.WRAPPED, "chuck"))
    assert [view.due is None for view in night.engine.snapshot(night.now).reminders] == [False]
    night.give(TakeBack("wrapped", "chuck"))
    assert [view.due is None for view in night.engine.snapshot(night.now).reminders] == [True]
