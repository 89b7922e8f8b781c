"""A wrap that nobody marked, on meat of the worlds (tests/worlds/meat, which share no code with the forecaster): the readings
tell wrapped from bare, and what is foretold without the mark is about as narrow as with it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from statistics import median

import numpy as np
import pytest

from daemon.core.forecast.assimilation import bodies_at_start, course_of
from daemon.core.forecast.outlooks import Forecaster, forecast
from daemon.core.forecast.unmarked import Stories, carry_stories, hangs_on_wrap
from daemon.core.forecast_request import ForecastRequest, WrapDone
from daemon.core.outlook import Goal, Interval
from daemon.core.settings import Band, MeatKind, PieceSettings, Wrap
from tests.core.forecast.test_carried import at
from tests.worlds.lanes import Floats
from tests.worlds.meat.meat_world import MEAT_STEP, Around, MeatWorld
from tests.worlds.meats import MEAT_WORLDS

N = 8
"""Pieces."""
ON = 1000
"""Engine minute of meat on."""
PIT = 121.0
"""°C, steady."""
HOURS = 14
WRAP_AT = 72.0
ASKED_AFTER = 120
"""Minutes after the wrap."""
STEPS = round(60 / MEAT_STEP)
PIECE = PieceSettings(
    "pork", "Pork", "pork-shoulder", MeatKind.WHOLE_ROAST, "core", 3.0, 0.10, 1.0, Wrap.FOIL, WRAP_AT, 91.0, None
)


@dataclass(frozen=True)
class Cooks:
    """core: °C a minute, (minutes, pieces); wrapped: minute of the wrap."""

    core: Floats
    wrapped: Floats


@cache
def cooks(name: str, wraps: bool) -> Cooks:
    """The same pieces in a steady pit, wrapped in foil (as tests/worlds wraps) ten minutes after WRAP_AT, or never."""
    world: MeatWorld = MEAT_WORLDS[name]
    rng, zero = np.random.default_rng(11), np.zeros(N)
    shape = {"half": zero + 0.05, "form": zero + 1.0, "mass": zero + 3.0, "start": zero + 5.0}
    nature = world.draw(rng, shape | {"water": rng.uniform(0.6, 0.7, N)})
    state, since = world.raw(nature), np.full(N, np.inf)
    core = np.zeros((HOURS * 60, N))
    for minute in range(HOURS * 60):
        for _ in range(STEPS):
            foil = minute >= since + 10
            around = Around(
                zero + PIT, zero + PIT - 8.0, zero + 10.0, zero + 4000.0,
                np.where(foil, 200.0, 1e9), np.where(foil, 0.03, 1.0), np.where(foil, 0.5, 1.0),
            )  # fmt: skip
            world.step(nature, state, around)
        core[minute] = np.round(world.at(nature, state, zero) * 4) / 4  # a converter's quarter of a degree
        since = np.where(wraps & (core[minute] >= WRAP_AT), np.minimum(since, minute), since)
    return Cooks(core, since + 10)


def question(core: Floats, minute: int, marked: float | None = None) -> ForecastRequest:
    wrapped = None if marked is None else WrapDone((ON + marked) * 60.0, "foil")
    return ForecastRequest(
        piece=PIECE, asked_at=(ON + minute) * 60.0, on_at=ON * 60.0, phase="cook", band=Band(110.0, 132.0),
        boiling_point=100.0, minutes=tuple(range(ON, ON + minute)), pit=(PIT,) * minute,
        core=tuple(map(float, core[:minute])), wrapped=wrapped, ambient=15.0,
    )  # fmt: skip


def chances(name: str, wraps: bool) -> list[float]:
    """That each piece is wrapped, two hours after it was or would have been."""
    found, of = [], cooks(name, wraps)
    for lane in range(N):
        minute = int((of.core[:, lane] >= WRAP_AT).argmax()) + 10 + ASKED_AFTER
        request = question(of.core[:, lane], minute)
        course = course_of(request, 15.0)
        stories = Stories(bodies_at_start(request, course))
        carry_stories(stories, request, course, course.blocks)
        found.append(stories.chance)
    return found


def tender(request: ForecastRequest) -> Interval:
    told = next(o for o in forecast(request).outlooks if o.goal is Goal.TENDER and o.scenario == "planned").at
    assert told is not None
    return told


@pytest.mark.parametrize("name", MEAT_WORLDS)
def test_the_readings_tell_wrapped_from_bare(name: str) -> None:
    assert median(chances(name, wraps=True)) > median(chances(name, wraps=False)) + 0.1


def test_without_the_mark_it_is_foretold_about_as_narrowly_as_with_it() -> None:
    of, wider = cooks("conduction", True), []
    for lane in range(N):
        minute = int(of.wrapped[lane]) + 60
        marked, silent = (tender(question(of.core[:, lane], minute, m)) for m in (float(of.wrapped[lane]), None))
        wider.append((silent.p95 - silent.p05) / (marked.p95 - marked.p05))
    assert median(wider) < 1.5


def test_bodies_with_an_unmarked_wrap_are_carried_to_the_bit() -> None:
    carried = Forecaster()
    for minute in (500.0, 620.0, 700.0, 705.0, 860.0):
        assert carried(at(minute)) == forecast(at(minute))
    marked = at(870.0, wrapped=WrapDone((1000 + 866.0) * 60.0, "foil"))
    assert carried(marked) == forecast(marked)
    assert carried._carried["pork"][2].chance == 0.0  # nothing is open any more


def test_the_wrap_is_asked_about_only_while_it_is_open_and_moves_the_forecast() -> None:
    wrapped = np.arange(100) % 2 == 0
    apart = np.where(wrapped, 3600.0, 7200.0)
    assert hangs_on_wrap(apart, wrapped)
    assert not hangs_on_wrap(np.where(wrapped, 3600.0, 4000.0), wrapped)
    assert not hangs_on_wrap(apart / 10.0, wrapped)
    assert not hangs_on_wrap(np.where(wrapped, 36000.0, 37500.0), wrapped)  # twenty-five minutes of ten hours
    assert not hangs_on_wrap(apart, np.arange(100) < 10)
    assert not hangs_on_wrap(apart, np.arange(100) < 90)
    assert not hangs_on_wrap(np.full(100, np.inf), wrapped)
    assert hangs_on_wrap(np.where(wrapped, 3600.0, np.inf), wrapped)
