"""Readings by hand: each moves the forecast towards itself, by as much as it is worth, and no more is known than was read."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.core.forecast.assimilation import bodies_at_start, brought_up, course_of
from daemon.core.forecast.outlooks import Forecaster, forecast
from daemon.core.forecast_request import CoreSpot, ForecastRequest
from daemon.core.inputs import ForecastArrived
from daemon.core.outlook import Goal, Interval
from daemon.core.settings import Band, MeatKind, PieceSettings, Wrap
from tests.known import known
from tests.texts.english import in_english

ON = 1000
"""Engine minute of meat on."""
PIT = 122.0 + 4.0 * np.sin(np.arange(16 * 60) / 17.0)
PIECE = PieceSettings(
    "pork", "Pork", "pork-shoulder", MeatKind.WHOLE_ROAST, "", 4.0, 0.13, 1.25, Wrap.FOIL, 74.0, 92.0, None
)


def asked(minute: float, **changed: Any) -> ForecastRequest:
    """About a piece without a probe, so many minutes after it went on."""
    count = int(minute)
    request = ForecastRequest(
        piece=PIECE, asked_at=(ON + minute) * 60.0, on_at=ON * 60.0, phase="cook", band=Band(110.0, 135.0),
        boiling_point=100.0, minutes=tuple(range(ON, ON + count)), pit=tuple(map(float, PIT[:count])),
        core=(float("nan"),) * count, ambient=12.0,
    )  # fmt: skip
    return replace(request, **changed)


def spot(minute: float, celsius: float, spread: float = 1.0, depth: float = 0.0) -> CoreSpot:
    return CoreSpot((ON + minute) * 60.0, celsius, spread, depth)


def tender(answer: ForecastArrived) -> Interval:
    return known(next(o.at for o in answer.outlooks if o.goal is Goal.TENDER and o.scenario == "planned"))


def core_of(request: ForecastRequest) -> np.ndarray:
    """°C in the middle of each body at the moment of the question."""
    course = course_of(request, 12.0)
    return brought_up(bodies_at_start(request, course), request, course).ensemble.centre


@pytest.mark.parametrize("minute", [5.0, 47.0, 301.7, 700.0])
def test_a_piece_that_was_never_read_has_a_forecast_and_a_wide_one(minute: float) -> None:
    at = tender(forecast(asked(minute)))
    assert at.p95 - at.p05 > 3 * 3600.0


def test_it_follows_its_weight_and_its_pit() -> None:
    thick = replace(PIECE, thickness=0.16)
    cold = tuple(p - 15.0 for p in asked(200).pit)
    usual = tender(forecast(asked(200))).p50
    assert tender(forecast(asked(200, piece=thick))).p50 > usual + 3600.0
    assert tender(forecast(asked(200, pit=cold))).p50 > usual + 3600.0


def test_a_reading_moves_the_bodies_to_it_and_narrows_them() -> None:
    before, after = core_of(asked(240)), core_of(asked(240, spots=(spot(239.0, 45.0),)))
    assert abs(after.mean() - 45.0) < 0.4 * abs(before.mean() - 45.0)
    assert after.std() < 0.5 * before.std()
    early, late = (tender(forecast(asked(240, spots=(spot(230, c),)))) for c in (62.0, 45.0))
    assert early.p50 + 3600.0 < late.p50
    assert late.p95 - late.p05 < tender(forecast(asked(240))).p95 - tender(forecast(asked(240))).p05


def test_a_coarser_thermometer_says_less() -> None:
    centre = core_of(asked(240)).mean()
    fine, coarse = (core_of(asked(240, spots=(spot(230, 45.0, s),))) for s in (0.5, 8.0))
    assert abs(fine.mean() - centre) > abs(coarse.mean() - centre) > 0.0
    assert fine.std() < coarse.std()


def test_a_place_nearer_to_the_surface_is_warmer_for_the_same_core() -> None:
    middle, outer = (core_of(asked(200, spots=(spot(195, 50.0, depth=d),))).mean() for d in (0.0, 0.6))
    assert outer < middle - 1.0


def test_a_reading_of_this_very_moment_counts_at_once() -> None:
    """Not only with the ten minutes that it lies in."""
    assert tender(forecast(asked(244.0, spots=(spot(243.9, 70.0),)))).p50 < tender(forecast(asked(244.0))).p50 - 600.0


def test_readings_to_come_or_from_before_meat_on_say_nothing() -> None:
    plain = forecast(asked(200))
    for odd in (spot(201, 60.0), spot(-5, 60.0), spot(100, float("nan")), spot(100, 900.0), spot(100, 50.0, -1.0)):
        assert forecast(asked(200, spots=(odd,))) == plain


@settings(max_examples=8, deadline=None)
@given(
    minutes=st.lists(st.floats(1.0, 600.0), min_size=2, max_size=4),
    read=st.lists(st.tuples(st.floats(0.0, 600.0), st.floats(2.0, 95.0)), max_size=4),
)
def test_an_answer_follows_from_its_question_alone(minutes: list[float], read: list[tuple[float, float]]) -> None:
    """Also where a reading is told of later than it was taken, in whatever order."""
    carried = Forecaster()
    for number, minute in enumerate(minutes):
        question = asked(minute, spots=tuple(spot(at, c) for at, c in read[: number + 1]))
        assert carried(question) == forecast(question)


def probed(minute: int, cores: np.ndarray) -> ForecastRequest:
    sibling = replace(PIECE, id="beef", channel="core")
    return replace(asked(minute), piece=sibling, core=tuple(map(float, cores[:minute])))


def test_a_sibling_with_a_probe_tells_of_the_pit() -> None:
    """One that heats quickly lets the other be expected sooner than one that heats slowly; and carried bodies change nothing."""
    minutes = np.arange(16 * 60)
    quick, slow = (5.0 + 65.0 * (1.0 - np.exp(-((minutes / tau) ** 1.5))) for tau in (170.0, 300.0))
    carried = Forecaster()
    said = []
    for cores in (quick, slow):
        question = asked(240, sibling=probed(240, cores))
        said.append(tender(forecast(question)).p50)
        carried(probed(200, cores))
        assert carried(question) == forecast(question)
    assert said[0] < said[1]
    silent = asked(240, sibling=probed(240, np.full(960, np.nan)))
    assert forecast(silent) == forecast(asked(240))


def test_a_hand_goes_on_where_a_probe_has_fallen_silent() -> None:
    minutes = np.arange(16 * 60)
    cores = np.where(minutes < 150, 5.0 + 65.0 * (1.0 - np.exp(-((minutes / 220.0) ** 1.5))), np.nan)
    alone = forecast(probed(240, cores))
    assert all(in_english(o.reason) == "no good core reading for half an hour" for o in alone.outlooks)
    by_hand = forecast(replace(probed(240, cores), spots=(spot(230, 50.0),)))
    assert tender(by_hand).p50 > 1240 * 60.0
