"""The plan of a running watch: made for the cook it has, kept where its file asks for it, made anew when the cook changes."""

from __future__ import annotations

import asyncio
import json
import time
from pathlib import Path

import pytest

from config.cook import Cook, PlanSection
from config.loader import load_both
from config.rig import Rig
from daemon.core.engine import Engine
from daemon.core.inputs import ForecastArrived, Input, Resumed, WallClock
from daemon.core.orders import ChangeCook, KeepPlan, Mark, MarkKind
from daemon.core.outlook import Goal, Interval, Outlook
from daemon.core.planned import KeptPlan
from daemon.shell.clock import ManualClock
from daemon.shell.loop import WatchLoop
from daemon.texts.reader import duration
from daemon.wiring.cook_planner import CookPlanner
from daemon.wiring.settings_from_files import cook_settings, watch_settings
from tests.known import known
from tests.texts.english import in_english

EXAMPLES = Path(__file__).parents[2] / "config" / "examples"
OFFSET = 1_795_000_000.0
"""UTC less engine time, s: ten days before the example's cook is served, for who plans on that day has no time left."""


@pytest.fixture
def files() -> tuple[Rig, Cook]:
    rig, cook = load_both(EXAMPLES / "rig.toml", EXAMPLES / "cook.toml")
    return rig, known(cook).model_copy(update={"plan": PlanSection(wake=False, wind=4.0)})


class Posted(WatchLoop):
    """A loop that only writes down what is posted."""

    def __init__(self, engine: Engine) -> None:
        clock = ManualClock()
        clock.wall_offset = OFFSET
        super().__init__(engine, clock, None)
        self.posted: list[Input] = []

    def post(self, item: Input) -> None:
        self.posted.append(item)


def loop_with(rig: Rig, cook: Cook | None) -> Posted:
    engine = Engine(watch_settings(rig, cook, OFFSET))
    engine.handle(Resumed(), 0.0)
    engine.handle(WallClock(OFFSET, True), 0.0)
    return Posted(engine)


def test_the_running_cook_is_planned_in_engine_time(files: tuple[Rig, Cook]) -> None:
    rig, cook = files
    planner = CookPlanner(rig, loop_with(rig, cook))
    running, order = planner.plan(None, 10.0, 0.0, True)(), planner.plan(cook, 10.0, 0.0, True)()
    assert running == order
    kept = known(running.kept)
    assert kept.serve_at == known(cook_settings(cook, rig, OFFSET).serve_at)
    assert kept.light < min(piece.put_on for piece in kept.pieces) < kept.serve_at
    chuck = next(piece for piece in kept.pieces if piece.piece == "chuck")
    assert 0.0 < known(chuck.wrap_after) < chuck.likely
    assert any("light the fire" in line for line in map(in_english, running.lines))


def test_a_kept_plan_tells_what_it_was_made_for_and_how_many_it_feeds(files: tuple[Rig, Cook]) -> None:
    """7.0 kg of chuck roll at 66 %, 2.4 kg of lamb shoulder at 58 % less a fifth of bone, by the USDA Table of Cooking Yields:
    5.73 kg; 0.15 kg each feed 38, and 60 take 9.4 * 9.0 / 5.73 kg raw."""
    rig, cook = files
    cook = type(cook).model_validate({**cook.model_dump(exclude_none=True), "guests": 60})
    loop = loop_with(rig, cook)
    kept = known(CookPlanner(rig, loop).plan(None, 4.0, 3.0, True)().kept)
    assert (kept.ambient, kept.wind, kept.feeds) == (4.0, 3.0, 38)
    assert known(kept.raw) == pytest.approx(14.75, abs=0.1)
    loop.engine.handle(KeepPlan(kept, "page"), 1.0)
    again = Engine(loop.engine.settings)
    again.load(json.loads(json.dumps(loop.engine.dump())))
    for engine in (loop.engine, again):
        plan = known(engine.snapshot(2.0).plan)
        assert (plan.guests, plan.feeds, plan.raw, plan.ambient, plan.wind) == (60, 38, kept.raw, 4.0, 3.0)
        assert plan.hold == engine.settings.cook.hold


def test_the_wait_in_the_hold_is_one_figure_in_the_plans_words_and_on_the_page(files: tuple[Rig, Cook]) -> None:
    rig, cook = files
    cook = cook.model_copy(update={"rest_minutes": 150.0})
    loop = loop_with(rig, cook)
    made = CookPlanner(rig, loop).plan(None, 10.0, 0.0, True)()
    loop.engine.handle(KeepPlan(known(made.kept), "page"), 1.0)
    shown = [duration(wait.seconds) for wait in known(loop.engine.snapshot(2.0).plan).waits]
    words = [words for words in map(in_english, made.lines) if "after its rest" in words]
    told = [words.split("it waits for about ")[1].split(" in the ")[0] for words in words]
    assert len(told) == 2 and sorted(told) == sorted(time.replace("\u00a0", " ") for time in shown)


def test_a_cook_without_a_serving_time_is_refused_in_words(files: tuple[Rig, Cook]) -> None:
    rig, cook = files
    planner = CookPlanner(rig, loop_with(rig, cook))
    with pytest.raises(ValueError, match="serving time"):
        planner.plan(cook.model_copy(update={"serve_at": None}), None, 0.0, True)()


async def test_a_file_with_a_plan_has_it_kept_and_a_changed_cook_has_it_anew(files: tuple[Rig, Cook]) -> None:
    rig, cook = files
    loop = loop_with(rig, cook)
    planner = CookPlanner(rig, loop)
    planner.keep_from_file(cook)
    first = await kept_by(loop, 1)
    assert not first.wake
    loop.engine.handle(KeepPlan(first, "cook file"), 1.0)
    changed = cook.model_copy(update={"pieces": cook.pieces[1:]})
    events = loop.engine.handle(ChangeCook(cook_settings(changed, rig, OFFSET), "page"), 2.0)
    planner.on_events(events, loop.view, 2.0)
    second = await kept_by(loop, 2)
    assert [piece.piece for piece in second.pieces] == ["lamb"] and not second.wake
    await planner.close()


async def kept_by(loop: Posted, count: int) -> KeptPlan:
    """The newest of so many plans that were posted; waits for it."""
    until = time.monotonic() + 300.0
    while len(loop.posted) < count:
        assert time.monotonic() < until, "no plan came"
        await asyncio.sleep(0.05)
    item = loop.posted[-1]
    assert isinstance(item, KeepPlan)
    return known(item.plan)


def test_a_cook_that_runs_is_planned_from_what_has_been_done(files: tuple[Rig, Cook]) -> None:
    rig, cook = files
    loop = loop_with(rig, cook)
    engine, planner = loop.engine, CookPlanner(rig, loop)
    untouched = known(planner.plan(None, 10.0, 0.0, True)().kept)
    lit, on = 3600.0, 2.5 * 3600.0
    engine.handle(Mark(MarkKind.FIRE_LIT), lit)
    engine.handle(Mark(MarkKind.MEAT_ON, "chuck"), on)
    off = Interval(on + 8 * 3600.0, on + 9 * 3600.0, on + 11 * 3600.0)
    engine.handle(ForecastArrived("chuck", on, (Outlook(Goal.TENDER, "planned", off),)), on)
    made = planner.plan(None, 10.0, 0.0, True)()
    kept = known(made.kept)
    chuck, lamb = kept.pieces
    assert kept.light == pytest.approx(lit)
    assert [chuck.put_on, chuck.put_on + chuck.early, chuck.put_on + chuck.likely] == pytest.approx(
        [on, off.p05, off.p50]
    )
    assert lamb == untouched.pieces[1], "what is not on is planned as before"
    assert not any("light the fire" in line or "That is past" in line for line in map(in_english, made.lines))
    assert any("on since" in line and "off about" in line for line in map(in_english, made.lines))


def test_a_piece_that_is_off_is_off_in_the_plan(files: tuple[Rig, Cook]) -> None:
    rig, cook = files
    loop = loop_with(rig, cook)
    loop.engine.handle(Mark(MarkKind.MEAT_ON, "chuck"), 3600.0)
    loop.engine.handle(Mark(MarkKind.OFF, "chuck"), 5 * 3600.0)
    made = CookPlanner(rig, loop).plan(None, 10.0, 0.0, True)()
    chuck = known(made.kept).pieces[0]
    assert (chuck.put_on, chuck.likely) == pytest.approx((3600.0, 4 * 3600.0))
    assert any("on at" in line and "off at" in line for line in map(in_english, made.lines))
