"""The forecast bench calls a miss a miss: made-up answers, good and bad, on every figure that can be made from them."""

from collections.abc import Iterator

import pytest

from daemon.core.outlook import Interval
from tests.bench.figure import NO_TARGET, Figure
from tests.bench.meat.bench_forecast import TARGETS, accuracy, coverage, other_truth
from tests.bench.meat.forecast_cases import Answer


def made_up(off: float, wide: float, line_off: float = 300.0) -> list[Answer]:
    """Answers that are `off` minutes late within intervals of +/- `wide`."""
    return [
        Answer(
            cook, share, goal, "bare", left, Interval(left + off - wide, left + off, left + off + wide), left + line_off
        )
        for goal, share, _ in TARGETS
        for cook, left in enumerate((30.0, 120.0, 240.0) * 10)
    ]


def unmet(figures: list[Figure]) -> Iterator[str]:
    return (f.name for f in figures if not f.met)


def test_good_answers_meet_their_targets() -> None:
    good = made_up(off=2.0, wide=10.0)
    figures = accuracy(good)
    assert len(figures) == 2 * len(TARGETS)
    assert not list(unmet(figures))
    assert all(f.value == pytest.approx(2.0) for f in figures if "MAE" in f.name)


def test_late_answers_miss_every_accuracy_target() -> None:
    late = list(unmet(accuracy(made_up(off=60.0, wide=100.0))))
    assert len([name for name in late if "MAE" in name]) == len(TARGETS)


def test_a_forecast_no_better_than_the_line_says_so() -> None:
    assert [n for n in unmet(accuracy(made_up(off=2.0, wide=9.0, line_off=2.0))) if "gain" in n]


def test_intervals_that_never_hold_the_truth_or_always_do_both_miss() -> None:
    narrow, endless = coverage(made_up(off=5.0, wide=1.0)), coverage(made_up(off=5.0, wide=500.0))
    assert all(not f.met for f in narrow if f.value == f.value)
    assert [f.value for f in endless if "90 %" in f.name and not f.met][:2] == [1.0, 1.0]


def test_another_truth_is_measured_against_the_own() -> None:
    own = made_up(off=10.0, wide=20.0)
    same, twice = other_truth("second", own, own), other_truth("second", made_up(off=20.0, wide=30.0), own)
    assert not list(unmet(same))
    assert len(list(unmet(twice))) == len(TARGETS)
    assert [f.target for f in same][-2:] == [NO_TARGET, NO_TARGET]
