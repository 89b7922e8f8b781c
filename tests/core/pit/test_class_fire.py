"""What pits that are built alike have shown stands for a new pit's first fire, and gives way to its own."""

from dataclasses import replace
from math import inf, nan

import pytest

from daemon.core.pit.habits import COMPARED, FIRES_KEPT, USUAL, PitHabits, class_fire, past_fire
from daemon.core.pit_profile import ClassFigure

LOW, HIGH = 107.0, 135.0
MANY = 1e6
"""Fires: all that a class knows."""
SLOW = tuple(
    ClassFigure(figure, middle, MANY)
    for figure, middle in (
        ("turn", 8.0), ("peak", 30.0), ("rise", 14.0), ("fall", 0.25), ("fastest", 0.4), ("gap", 80.0)
    )
)  # fmt: skip


def test_it_is_a_fire_that_shows_the_figures_of_its_class() -> None:
    fire = class_fire(SLOW, LOW, HIGH)
    seen = past_fire(fire.minutes, 80, 0.1)
    assert (seen.turn, seen.peak, seen.gap) == (8.0, 30.0, 80.0)
    assert seen.rise == pytest.approx(14.0, abs=0.1)
    assert seen.fall == pytest.approx(0.25, abs=0.02)
    assert fire.minutes[0] == pytest.approx((LOW + HIGH) / 2)


def test_a_class_that_hardly_knows_stays_near_a_usual_pit() -> None:
    unsure = class_fire([replace(one, fires=0.01) for one in SLOW], LOW, HIGH)
    assert unsure.gap == pytest.approx(USUAL["gap"], abs=1)
    assert class_fire([], LOW, HIGH).fall == pytest.approx(USUAL["fall"])


def test_own_fires_push_it_out() -> None:
    habits = PitHabits()
    habits.in_band(LOW, HIGH)
    before = habits.usual("gap")
    habits.use_class(SLOW)
    assert before < habits.usual("gap") < 80.0
    falls, climbs, sinks = (
        [120.0 - 0.4 * m for m in range(5)], [118.0 + 0.6 * m for m in range(15)], [127.0 - 0.5 * m for m in range(20)]
    )  # fmt: skip
    own = past_fire([*falls, *climbs, *sinks], 40, 0.1)
    for _ in range(COMPARED):
        habits.add(own)
    fresh = PitHabits()
    for _ in range(COMPARED):
        fresh.add(own)
    assert habits.left_as_before(20, 5.0) == fresh.left_as_before(20, 5.0)
    for _ in range(FIRES_KEPT):
        habits.add(own)
        fresh.add(own)
    assert habits.known == fresh.known
    assert habits.usual("gap") == fresh.usual("gap")
    assert habits.rows() == fresh.rows(), "a pit's own fires only are kept as its own"


@pytest.mark.parametrize(
    "odd",
    [
        ClassFigure("gap", nan, 4.0), ClassFigure("gap", inf, 4.0), ClassFigure("gap", -40.0, 4.0), ClassFigure("gap", 0.0, 4.0),
        ClassFigure("gap", 40_000.0, 4.0), ClassFigure("gap", 0.5, 4.0), ClassFigure("gap", 40.0, 0.0),
        ClassFigure("gap", 40.0, nan), ClassFigure("gap", 40.0, inf), ClassFigure("height", 40.0, 4.0),
    ],
)  # fmt: skip
def test_what_no_pit_can_have_changes_nothing(odd: ClassFigure) -> None:
    habits = PitHabits()
    habits.use_class((odd,))
    assert habits.class_figures == ()
    assert habits.known == []
