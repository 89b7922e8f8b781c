"""The arithmetic of the table of worlds left out, on made-up answers."""

import pytest

from daemon.core.outlook import Goal, Interval
from tests.bench.meat.calibrate_forecast import factors_from
from tests.bench.meat.forecast_cases import Answer
from tests.bench.meat.strangers_meat import TENDER, published, row_of, verdict


def answers(off: float, wide: float, count: int = 200) -> list[Answer]:
    """Raw answers that are `off` times the truth, spread about it."""
    truths = [60.0 + i for i in range(count)]
    return [
        Answer(i, 0.5, Goal.TENDER, "bare", t, Interval(off * t - wide, off * t, off * t + wide), t + 300.0)
        for i, t in enumerate(truths)
    ]


def test_a_habit_of_all_worlds_is_taken_off_and_intervals_hold_what_they_promise() -> None:
    table = factors_from({"one": answers(0.8, 20.0), "other": answers(0.9, 20.0)})
    found = [(a, published(a, table)) for a in answers(0.85, 20.0)]
    row = row_of("third", len(found), found)
    assert abs(row.bias) < 8.0
    assert row.covers == 1.0
    assert verdict(row, TENDER[0.5]) == "MISSED: covers"  # always is too often for a promised 90 %


def test_each_world_counts_the_same_however_many_its_cooks() -> None:
    few = factors_from({"one": answers(0.8, 20.0, 60), "other": answers(1.25, 20.0, 60)})["bare"]
    many = factors_from({"one": answers(0.8, 20.0, 60), "other": 5 * answers(1.25, 20.0, 60)})["bare"]
    assert [row[2:] for row in many] == [pytest.approx(row[2:], rel=0.15) for row in few]


def test_a_miss_is_said_to_miss() -> None:
    early = [(a, Interval(0.0, a.truth - 100.0, a.truth + 1.0)) for a in answers(1.0, 10.0)]
    said = verdict(row_of("world", 200, early), TENDER[0.5])
    assert said.startswith("MISSED: error, bias") and "line" not in said
