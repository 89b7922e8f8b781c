"""When somebody must count on what is forecast."""

from daemon.core.outlook import Interval

HOUR = 3600.0


def test_an_interval_to_act_on_speaks_by_its_early_end() -> None:
    assert Interval(5 * HOUR, 6 * HOUR, 8 * HOUR).soonest(0.0) == 5 * HOUR
    assert Interval(0.0, 0.2 * HOUR, 1.4 * HOUR).soonest(0.0) == 0.0


def test_one_too_wide_to_act_on_wakes_nobody_before_its_middle() -> None:
    assert Interval(0.5 * HOUR, 2 * HOUR, 9 * HOUR).soonest(0.0) == 2 * HOUR
