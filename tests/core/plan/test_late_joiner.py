"""A piece that joins a running cook whose plan would have had it on long ago. No outside source: the rules are ours."""

from __future__ import annotations

import pytest

from daemon.core.events import Event, Level, Notification
from daemon.core.orders import AddPiece, KeepPlan, Mark, MarkKind
from daemon.core.planned import KeptPlan, PlannedPiece, StepKind
from tests.core.pieces.test_seat import run
from tests.core.test_changing_cook import SHANK, Night

HOUR = 3600.0


def plan(night: Night, put_on: float) -> KeptPlan:
    """Chuck and lamb are on; the shank's hour is `put_on`."""
    on = night.now - 25 * 60.0
    long = (5 * HOUR, 6 * HOUR, 7 * HOUR)
    pieces = (
        PlannedPiece("chuck", on, *long),
        PlannedPiece("lamb", on, *long),
        PlannedPiece("shank", put_on, *long),
    )
    return KeptPlan(night.now + 9 * HOUR, HOUR, on - HOUR, HOUR, 2400.0, pieces)


def calls(events: list[Event], rule: str) -> list[Notification]:
    return [e for e in events if isinstance(e, Notification) and e.alarm.startswith(rule)]


@pytest.mark.parametrize("ago", [2 * HOUR, 60.0])
def test_no_prompt_rings_for_an_hour_that_was_past_when_its_piece_was_named(ago: float) -> None:
    night = Night()
    night.give(AddPiece(SHANK, "page"))
    run(night, 2)
    night.give(KeepPlan(plan(night, night.now - ago), "watch"))
    events = run(night, 40)
    step = night.engine.duties.plan.step(StepKind.PUT_ON, "shank")
    assert step is not None and step.at.p50 >= night.now
    assert not [call for call in calls(events, "plan-on/shank") if call.level is Level.WAKE]
    assert len(calls(events, "plan-on/shank")) <= 1
    night.give(Mark(MarkKind.MEAT_ON, "shank"))
    run(night, 2)
    assert not [v for v in night.engine.alarms.views() if v.key == "plan-on/shank" and v.state != "normal"]


def test_an_hour_that_lies_ahead_rings() -> None:
    night = Night()
    night.give(AddPiece(SHANK, "page"))
    run(night, 2)
    night.give(KeepPlan(plan(night, night.now + 45 * 60.0), "watch"))
    events = run(night, 60)
    assert [call for call in calls(events, "plan-on/shank") if call.level is Level.WAKE]
