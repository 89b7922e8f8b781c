"""A kept plan and the forecasts of what is on the fire are one answer to "ahead or behind?"."""

from __future__ import annotations

from dataclasses import replace

from daemon.core.forecast.standing import Standing
from daemon.core.plan.duties import PlanView
from daemon.core.snapshot_maker import one_answer

PLAN = PlanView(40000.0, 0.0, True, 0.0, (), 0.4, -1800.0, 16, 11.2)
STANDING = Standing(0.9, 3600.0, (), ("lamb",))


def test_a_kept_plan_knows_what_is_not_on_yet_so_its_word_holds() -> None:
    assert one_answer(STANDING, PLAN) == Standing(None, -1800.0, (), ("lamb",), planned=True)
    assert one_answer(None, PLAN) == Standing(0.4, -1800.0, (), planned=True), (
        "nothing is foretold: the plan alone says so"
    )
    whole = replace(STANDING, unknown=())
    assert one_answer(whole, PLAN) == Standing(0.4, -1800.0, ()), "of each piece something is foretold"


def test_without_a_plan_or_once_everything_is_off_the_forecasts_speak() -> None:
    assert one_answer(STANDING, None) is STANDING
    assert one_answer(STANDING, replace(PLAN, ahead=None, chance=None)) is STANDING
    assert one_answer(None, None) is None
