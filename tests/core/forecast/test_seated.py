"""A probe that is moved within its piece, or into another: what it reads there is taken with a fresh tolerance. Synthetic courses
of our own, no outside source."""

from __future__ import annotations

import numpy as np
import pytest

from daemon.core.forecast.assimilation import course_of
from daemon.core.forecast.outlooks import forecast
from daemon.core.inputs import ForecastArrived
from daemon.core.outlook import Goal, Interval
from tests.core.forecast.test_carried import CORE, ON, at
from tests.known import known

MOVED = 300
"""Minute at which the probe is pulled and seated elsewhere."""


def tender(answer: ForecastArrived) -> Interval:
    return known(next(o.at for o in answer.outlooks if o.goal is Goal.TENDER and o.scenario == "planned"))


def moved(by: float, until: int) -> tuple[float, ...]:
    """Readings of a probe that sits `by` °C warmer from MOVED on, as warm meat outside is; it closes in on the core."""
    minutes = np.arange(until)
    gap = by * np.exp(-(minutes - MOVED) / 240.0)
    return tuple(np.where(minutes < MOVED, CORE[:until], CORE[:until] + gap))


@pytest.mark.parametrize("after", [30, 90])
def test_a_seat_costs_a_forecast_less_than_a_core_that_is_taken_to_have_jumped(after: int) -> None:
    until = MOVED + after
    unmoved = tender(forecast(at(until)))
    seen = tender(forecast(at(until, core=moved(5.0, until), seated=((ON + MOVED) * 60.0,))))
    blind = forecast(at(until, core=moved(5.0, until)))
    told = next(o for o in blind.outlooks if o.goal is Goal.TENDER and o.scenario == "planned").at
    assert abs(seen.p50 - unmoved.p50) < 60 * 60.0
    assert seen.p05 < unmoved.p50 < seen.p95
    assert told is None or told.p95 - told.p05 > 1.5 * (seen.p95 - seen.p05)


def test_a_core_first_read_in_the_middle_of_a_cook_is_not_where_it_began() -> None:
    until = 420
    core = np.where(np.arange(until) < MOVED, np.nan, CORE[:until])
    seated = ((ON + MOVED) * 60.0,)
    assert course_of(at(until, core=tuple(core), seated=seated), 12.0).start is None
    assert course_of(at(until), 12.0).start == pytest.approx(CORE[:10].mean(), abs=1.0)
    late, whole = tender(forecast(at(until, core=tuple(core), seated=seated))), tender(forecast(at(until)))
    assert abs(late.p50 - whole.p50) < 90 * 60.0
    assert late.p05 < whole.p50 < late.p95
