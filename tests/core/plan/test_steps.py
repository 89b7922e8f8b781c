"""The steps of a kept plan: whatever the cook does, they agree with one another and with what was done."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from daemon.core.events import PlanKept
from daemon.core.orders import KeepPlan, Mark, MarkKind
from daemon.core.pieces.pieces import Pieces
from daemon.core.pit.stage import PitStage
from daemon.core.plan.steps import CHILL_AFTER, PlanStep, PlanWatch, home_of, planned_steps
from daemon.core.planned import KeptPlan, PlannedPiece, StepKind
from daemon.core.settings import CookSettings
from tests.core.night import COOK, NIGHT, SETTINGS

HOUR = 3600.0
PLAN = KeptPlan(
    serve_at=NIGHT + 14 * HOUR,
    rest=HOUR,
    light=NIGHT + HOUR,
    heat_up=1.25 * HOUR,
    log_interval=2400.0,
    pieces=(
        PlannedPiece("chuck", NIGHT + 2.25 * HOUR, 9 * HOUR, 10 * HOUR, 11.5 * HOUR, 5 * HOUR),
        PlannedPiece("lamb", NIGHT + 6 * HOUR, 5 * HOUR, 6 * HOUR, 7 * HOUR),
    ),
)
COOKED = replace(COOK, serve_at=PLAN.serve_at)


class Kitchen:
    """Pit, pieces and plan without an engine."""

    def __init__(self) -> None:
        self.pit, self.pieces, self.plan = PitStage(), Pieces(), PlanWatch()
        self.pieces.begin(replace(SETTINGS, cook=COOKED))
        assert isinstance(self.plan.keep(KeepPlan(PLAN, "cook"), NIGHT, home_of(self.pieces)), PlanKept)

    def mark(self, kind: MarkKind, now: float, piece: str | None = None) -> None:
        mark = Mark(kind, piece)
        self.pit.mark(mark, now)
        for watch in self.pieces.meant(mark):
            watch.mark(mark, now)

    def steps(self, now: float, serve_at: float = PLAN.serve_at) -> dict[tuple[StepKind, str | None], PlanStep]:
        self.plan.minute(now, replace(COOKED, serve_at=serve_at), {"": self.pit}, self.pieces)
        return {(step.kind, step.piece): step for step in self.plan.steps}


def test_before_anything_is_done_every_time_is_the_agreed_one() -> None:
    kitchen = Kitchen()
    steps = kitchen.steps(NIGHT)
    agreed = {(step.kind, step.piece): step.at for step in planned_steps(PLAN, home_of(kitchen.pieces))}
    assert {key: step.planned for key, step in steps.items() if key in agreed} == agreed
    assert all(step.at.p50 == step.planned for key, step in steps.items() if key in agreed)


@given(late=st.floats(0.0, 6 * HOUR), lazy=st.floats(0.0, 3 * HOUR))
def test_what_is_late_delays_what_comes_after_it_and_no_more(late: float, lazy: float) -> None:
    kitchen = Kitchen()
    lit = PLAN.light + late
    kitchen.mark(MarkKind.FIRE_LIT, lit)
    steps = kitchen.steps(lit)
    assert steps[StepKind.LIGHT, None].at.p50 == lit and steps[StepKind.LIGHT, None].done
    on = steps[StepKind.PUT_ON, "chuck"].at.p50
    assert on == max(PLAN.pieces[0].put_on, lit + PLAN.heat_up)
    assert steps[StepKind.PUT_ON, "lamb"].at.p50 == max(PLAN.pieces[1].put_on, lit + PLAN.heat_up)
    kitchen.mark(MarkKind.MEAT_ON, on + lazy, "chuck")
    steps = kitchen.steps(on + lazy)
    assert steps[StepKind.OFF, "chuck"].at.p50 == on + lazy + PLAN.pieces[0].likely
    assert steps[StepKind.SERVE, None].at.p50 >= steps[StepKind.OFF, "chuck"].at.p50 + COOKED.rest
    assert all(step.at.p05 <= step.at.p50 <= step.at.p95 for step in steps.values())


@given(moved=st.floats(-HOUR, 12 * HOUR))
def test_another_serving_time_moves_every_hour_by_the_same(moved: float) -> None:
    kitchen = Kitchen()
    before, after = kitchen.steps(NIGHT), kitchen.steps(NIGHT, PLAN.serve_at + moved)
    assert before.keys() == after.keys()
    assert all(abs(after[key].planned - before[key].planned - moved) < 1e-3 for key in before)


@given(now=st.floats(NIGHT, NIGHT + 40 * HOUR))
def test_what_is_still_to_be_done_lies_ahead_and_the_chance_is_one(now: float) -> None:
    kitchen = Kitchen()
    steps = kitchen.steps(now)
    acts = (StepKind.LIGHT, StepKind.PUT_ON, StepKind.OFF, StepKind.WRAP)
    assert all(step.at.p05 >= now for (kind, _), step in steps.items() if kind in acts)
    assert kitchen.plan.chance is not None and 0.0 <= kitchen.plan.chance <= 1.0
    other = PlanWatch()
    other.load(kitchen.plan.dump())
    assert (other.steps, other.chance, other.ahead) == (kitchen.plan.steps, kitchen.plan.chance, kitchen.plan.ahead)


def test_a_piece_with_a_serving_time_of_its_own_has_its_own_steps() -> None:
    """The lamb at noon, the chuck roll three hours later with everybody."""
    lunch = PLAN.serve_at - 3 * HOUR
    kitchen = Kitchen()
    chuck, lamb = PLAN.pieces
    apart = replace(PLAN, pieces=(chuck, replace(lamb, put_on=lamb.put_on - 3 * HOUR, serve_at=lunch)))
    kitchen.plan.keep(KeepPlan(apart, "cook"), NIGHT, home_of(kitchen.pieces))
    cook = replace(COOKED, pieces=tuple(replace(p, serve_at=lunch if p.id == "lamb" else None) for p in COOKED.pieces))
    kitchen.pieces.begin(replace(SETTINGS, cook=cook))

    def steps(cook: CookSettings) -> dict[tuple[StepKind, str | None], PlanStep]:
        kitchen.plan.minute(NIGHT, cook, {"": kitchen.pit}, kitchen.pieces)
        return {(step.kind, step.piece): step for step in kitchen.plan.steps}

    found = steps(cook)
    assert found[StepKind.SERVE, "lamb"].planned == lunch and found[StepKind.SERVE, None].planned == PLAN.serve_at
    assert found[StepKind.CHILL, "lamb"].planned == lunch + CHILL_AFTER
    agreed = {(StepKind(step.kind), step.piece): step.at for step in planned_steps(apart, home_of(kitchen.pieces))}
    assert {key: found[key].planned for key in agreed} == agreed
    moved = steps(replace(cook, serve_at=PLAN.serve_at + HOUR))
    assert moved[StepKind.PUT_ON, "chuck"].planned == found[StepKind.PUT_ON, "chuck"].planned + HOUR
    assert moved[StepKind.PUT_ON, "lamb"].planned == found[StepKind.PUT_ON, "lamb"].planned
    first = min(chuck.put_on + HOUR, lamb.put_on - 3 * HOUR) - min(chuck.put_on, lamb.put_on - 3 * HOUR)
    assert moved[StepKind.LIGHT, None].planned == found[StepKind.LIGHT, None].planned + first


def test_the_later_the_fire_the_smaller_the_chance() -> None:
    chances = []
    for late in (0.0, 1.0, 2.0, 4.0, 8.0):
        kitchen = Kitchen()
        kitchen.steps(PLAN.light + late * HOUR)
        chances.append(kitchen.plan.chance or 0.0)
    assert chances == sorted(chances, reverse=True) and chances[0] > 0.7 and chances[-1] < 0.05


def test_what_was_done_before_a_plan_is_kept_is_done_in_it() -> None:
    """A fire that went through lighting to its band was lit at its mark, not when it came to its band."""
    kitchen = Kitchen()
    kitchen.plan.keep(KeepPlan(None, "cook"), NIGHT, {})
    kitchen.mark(MarkKind.FIRE_LIT, NIGHT + 60.0)
    kitchen.steps(NIGHT + 120.0)
    for minute in range(3, 40):
        kitchen.pit.minute(NIGHT + 60.0 * minute, 121.0, 0.0, COOKED.band, False)
        kitchen.steps(NIGHT + 60.0 * minute)
    assert kitchen.pit.stage == "in-band"
    kitchen.mark(MarkKind.MEAT_ON, NIGHT + HOUR, "chuck")
    kitchen.plan.keep(KeepPlan(PLAN, "cook"), NIGHT + HOUR, home_of(kitchen.pieces))
    steps = kitchen.steps(NIGHT + HOUR)
    assert steps[StepKind.LIGHT, None].done and steps[StepKind.LIGHT, None].at.p50 == NIGHT + 60.0
    assert steps[StepKind.PUT_ON, "chuck"].done
