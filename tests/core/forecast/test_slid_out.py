"""A probe that slides out of its meat, in a piece of a world that shares no code with the forecaster: its reading runs away from
all bodies, and what it says is no forecast until it is seated anew or borne out by hand. Healthy probes are never doubted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from daemon.core.forecast.eligibility import SLID_OUT
from daemon.core.forecast.outlooks import forecast
from daemon.core.forecast_request import CoreSpot, ForecastRequest
from daemon.core.outlook import Goal
from daemon.core.pieces.stage import is_question
from tests.core.forecast.test_unmarked import PIT, N, cooks, question
from tests.worlds.lanes import Floats
from tests.worlds.meats import MEAT_WORLDS

SLIDES_AT = 68.0
"""°C of the core."""
OUT_IN = 90
"""Minutes."""


def slid(core: Floats, minutes: int) -> ForecastRequest:
    """Asked so long after its probe began to slide."""
    begin = int((core >= SLIDES_AT).argmax())
    out = np.clip((np.arange(core.size) - begin) / OUT_IN, 0.0, 1.0)
    return question(core + out * (PIT - core), begin + minutes)


def doubts(request: ForecastRequest) -> bool:
    told = forecast(request)
    doubted = [is_question(o.reason, SLID_OUT) for o in told.outlooks]
    assert all(doubted) == any(doubted)
    assert {o.goal for o in told.outlooks} >= {Goal.TENDER}
    return all(doubted)


@pytest.mark.parametrize("name", MEAT_WORLDS)
def test_a_probe_that_slides_out_is_doubted_and_one_that_stays_is_not(name: str) -> None:
    of = cooks(name, False).core
    assert sum(doubts(slid(of[:, lane], 60)) for lane in range(N)) >= N - 1
    assert not any(doubts(question(of[:, lane], 780)) for lane in range(N))


def test_a_piece_that_is_followed_from_the_middle_of_its_cook_has_not_slid() -> None:
    """The watch was started two hours after the meat went on, or saw nothing for so long: the bodies had taken it for colder."""
    late = 66.0 + 22.0 * (1.0 - np.exp(-np.arange(200) / 110.0))
    core = np.concatenate((np.full(120, np.nan), late))
    assert not any(doubts(question(core, minutes)) for minutes in (180, 210, 240, 300))


def test_a_wrap_that_nobody_marked_is_no_probe_that_slides() -> None:
    of = cooks("conduction", True)
    assert not any(doubts(question(of.core[:, lane], int(of.wrapped[lane]) + 60)) for lane in range(N))


def test_it_is_doubted_until_it_is_seated_anew_or_borne_out_by_hand() -> None:
    asked = slid(cooks("compartments", False).core[:, 0], 60)
    newest = asked.core[-1]
    assert doubts(asked)
    assert doubts(replace(asked, spots=(CoreSpot(asked.asked_at - 60.0, newest - 15.0, 1.0),)))
    assert not doubts(replace(asked, spots=(CoreSpot(asked.asked_at - 60.0, newest - 1.0, 1.0),)))
    assert not doubts(replace(asked, pit=(*asked.pit[:-90], *(60.0,) * 90)))  # nothing warms a probe in colder air
    assert not doubts(replace(asked, seated=(asked.asked_at - 5 * 60.0,)))
