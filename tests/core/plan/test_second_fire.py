"""A kept plan over two pits: the second fire is called for as the first is, and its meat is not forgotten while it is cold."""

from __future__ import annotations

from copy import deepcopy
from dataclasses import replace

import pytest

from daemon.core.engine import Engine
from daemon.core.events import AlarmState, Level, NapPlanned, Notification, PlanKept
from daemon.core.orders import GoToSleep, KeepPlan, Mark, MarkKind, MovePiece, TakeBack
from daemon.core.plan.steps import PlanStep
from daemon.core.planned import KeptPlan, PlannedPiece, StepKind
from tests.core.night import NIGHT, engine_at_night, read, restarted, step
from tests.core.two_pits import BY_SIMULATION, HOUR
from tests.texts.english import in_english

COLD = {"pit_left": 12.0, "pit_right": 12.5, "drum_left": 11.0, "drum_right": 11.5, "chuck": 5.0, "lamb": 6.0}
ONE_BURNS = COLD | {"pit_left": 122.0, "pit_right": 119.0, "chuck": 30.0}
BOTH_BURN = ONE_BURNS | {"drum_left": 121.0, "drum_right": 118.0}
PLAN = KeptPlan(
    serve_at=NIGHT + 14 * HOUR,
    rest=HOUR,
    light=NIGHT + 0.5 * HOUR,
    heat_up=HOUR,
    log_interval=2400.0,
    pieces=(
        PlannedPiece("chuck", NIGHT + 1.5 * HOUR, 9 * HOUR, 10 * HOUR, 11.5 * HOUR),
        PlannedPiece("lamb", NIGHT + 3 * HOUR, 5 * HOUR, 6 * HOUR, 7 * HOUR),
    ),
)
COOK = replace(BY_SIMULATION.cook, serve_at=PLAN.serve_at)
SLEEPER = BY_SIMULATION.announcing.sleeper
LEAD = SLEEPER.notice + SLEEPER.dress_and_walk


class Evening:
    """Reads both pits every 15 s; counts s from the start."""

    def __init__(self, plan: KeptPlan = PLAN) -> None:
        self.engine: Engine = engine_at_night(replace(BY_SIMULATION, cook=COOK))
        self.told: list[Notification] = []
        self.now = 0.0
        (self.kept,) = (e for e in step(self.engine, KeepPlan(plan, "cook"), NIGHT) if isinstance(e, PlanKept))

    def until(self, last: float, read_as: dict[str, float]) -> None:
        events = read(self.engine, self.now, last, 15.0, **read_as)
        self.told += [event for event in events if isinstance(event, Notification)]
        self.now = last

    def mark(self, kind: MarkKind, subject: str | None = None, pit: str = "") -> None:
        step(self.engine, Mark(kind, subject, pit=pit), NIGHT + self.now)

    def first(self, alarm: str) -> Notification | None:
        return next((one for one in self.told if alarm in (one.alarm, *one.merged)), None)

    def stands(self, alarm: str) -> bool:
        """It is active and known."""
        return any(v.key == alarm and v.active and v.state is not AlarmState.NORMAL for v in self.engine.alarms.views())

    def steps(self) -> dict[tuple[str, str], PlanStep]:
        """(kind, piece or pit) -> as shown; who looks from outside calls the first pit by its id."""
        plan = self.engine.snapshot(NIGHT + self.now).plan
        assert plan is not None
        return {(one.kind, one.piece or one.pit): one for one in plan.steps}

    def first_pit_cooks(self) -> None:
        """The first fire is lit at its hour and takes its meat at its own."""
        self.until(0.5 * HOUR, COLD)
        self.mark(MarkKind.FIRE_LIT)
        self.until(1.5 * HOUR, ONE_BURNS)
        self.mark(MarkKind.MEAT_ON, "chuck")


@pytest.fixture(scope="module")
def cooking() -> Evening:
    """`first_pit_cooks`; each test goes on from a copy."""
    evening = Evening()
    evening.first_pit_cooks()
    return evening


def test_the_second_fire_is_called_for_by_its_name_and_at_its_hour(cooking: Evening) -> None:
    evening = deepcopy(cooking)
    assert evening.first("plan-light/pit") is not None and evening.first("plan-light/drum") is None
    evening.until(2.25 * HOUR, ONE_BURNS)
    call = evening.first("plan-light/drum")
    assert call is not None and "Drum" in in_english(call.text)
    hour = NIGHT + 2 * HOUR - LEAD
    assert hour <= call.time <= hour + 180.0
    assert restarted(evening.engine).alarms.views() == evening.engine.alarms.views()
    evening.mark(MarkKind.FIRE_LIT, pit="drum")
    evening.until(2.4 * HOUR, ONE_BURNS)
    assert not evening.stands("plan-light/drum")


def test_meat_that_waits_for_a_cold_second_pit_is_called_until_it_is_on(cooking: Evening) -> None:
    evening = deepcopy(cooking)
    evening.until(4 * HOUR, ONE_BURNS)
    assert evening.stands("plan-light/drum")
    assert not evening.stands("plan-prepare/lamb"), "it is taken out of the cold once its fire is near"
    assert not evening.stands("plan-on/lamb")
    evening.mark(MarkKind.FIRE_LIT, pit="drum")
    evening.until(4.5 * HOUR, BOTH_BURN)
    assert evening.stands("plan-on/lamb") and not evening.stands("plan-prepare/lamb")
    evening.mark(MarkKind.MEAT_ON, "lamb")
    evening.until(4.6 * HOUR, BOTH_BURN)
    assert not any(evening.stands(f"plan-{what}") for what in ("light/drum", "on/lamb", "prepare/lamb"))


def test_a_second_fire_that_burns_or_has_no_meat_to_come_is_not_called_for() -> None:
    evening = Evening()
    evening.mark(MarkKind.FIRE_LIT, pit="drum")
    evening.first_pit_cooks()
    evening.until(2.25 * HOUR, BOTH_BURN)
    evening.mark(MarkKind.MEAT_ON, "lamb")
    evening.until(3 * HOUR, BOTH_BURN)
    assert evening.first("plan-light/drum") is None


def test_a_nap_before_any_meat_is_on_ends_with_the_call_for_the_second_fire() -> None:
    chuck, lamb = PLAN.pieces
    pieces = (replace(chuck, put_on=NIGHT + 3 * HOUR), replace(lamb, put_on=NIGHT + 2.5 * HOUR))
    evening = Evening(replace(PLAN, pieces=pieces))
    evening.until(0.5 * HOUR, COLD)
    evening.mark(MarkKind.FIRE_LIT)
    evening.until(HOUR, ONE_BURNS)
    events = step(evening.engine, GoToSleep("cook"), NIGHT + evening.now)
    (nap,) = (event for event in events if isinstance(event, NapPlanned))
    assert nap.until == nap.latest == NIGHT + 1.5 * HOUR - LEAD
    evening.until(1.5 * HOUR, ONE_BURNS)
    call = evening.first("plan-light/drum")
    assert call is not None and call.level is Level.WAKE


def test_each_fire_is_a_step_of_its_own_with_its_own_hour() -> None:
    evening = Evening()
    evening.until(120.0, COLD)
    steps, hours = evening.steps(), {"offset": PLAN.light, "drum": NIGHT + 2 * HOUR}
    assert {of: one.planned for (kind, of), one in steps.items() if kind is StepKind.LIGHT} == hours
    assert [(one.pit, one.at) for one in evening.kept.steps if one.kind == StepKind.LIGHT] == [
        ("", PLAN.light),
        ("drum", NIGHT + 2 * HOUR),
    ]
    evening.first_pit_cooks()
    steps = evening.steps()
    assert steps[StepKind.LIGHT, "offset"].done and not steps[StepKind.LIGHT, "drum"].done
    evening.mark(MarkKind.FIRE_LIT, pit="drum")
    lit = NIGHT + evening.now
    evening.until(evening.now + 120.0, ONE_BURNS)
    assert evening.steps()[StepKind.LIGHT, "drum"].at.p50 == lit
    again = restarted(evening.engine)
    assert again.duties.plan.steps == evening.engine.duties.plan.steps


def test_meat_waits_for_the_fire_of_its_own_pit(cooking: Evening) -> None:
    """The first pit in its band says nothing of when the second takes meat."""
    evening = deepcopy(cooking)
    evening.until(2.5 * HOUR, ONE_BURNS)
    evening.mark(MarkKind.FIRE_LIT, pit="drum")
    lit = NIGHT + evening.now
    evening.until(evening.now + 120.0, ONE_BURNS)
    assert evening.steps()[StepKind.PUT_ON, "lamb"].at.p50 == lit + PLAN.heat_up
    step(evening.engine, MovePiece("lamb", "", "page"), NIGHT + evening.now)
    evening.until(evening.now + 120.0, ONE_BURNS)
    steps = evening.steps()
    assert steps[StepKind.PUT_ON, "lamb"].at.p50 == PLAN.pieces[1].put_on
    assert {of for kind, of in steps if kind is StepKind.LIGHT} == {"offset"}, "the drum has no piece any more"


def test_a_fire_that_was_not_lit_after_all_is_waited_for_again(cooking: Evening) -> None:
    evening = deepcopy(cooking)
    evening.mark(MarkKind.FIRE_LIT, pit="drum")
    step(evening.engine, TakeBack("fire-lit", pit="drum"), NIGHT + evening.now)
    evening.until(evening.now + 120.0, ONE_BURNS)
    steps = evening.steps()
    assert steps[StepKind.LIGHT, "offset"].done and not steps[StepKind.LIGHT, "drum"].done
