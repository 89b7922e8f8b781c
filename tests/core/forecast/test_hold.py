"""How long held meat lasts, by its own cooling: against Newton's law of cooling (any text on heat transfer)."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from math import exp, log, nan
from typing import Any

import pytest

from daemon.core.forecast.hold import INDOORS, cooling_of, hold_left, room_for_a_box
from daemon.core.forecast.outlooks import forecast
from daemon.core.forecast_request import ForecastRequest
from daemon.core.outlook import Goal, Interval
from daemon.core.settings import Band, MeatKind, PieceSettings
from tests.bench.meat.bench_rest import asked, falls_at, outlook
from tests.bench.meat.rest_truth import BOX, TABLE, Rest, rests_of
from tests.texts.english import in_english

PIECE = PieceSettings("p", "p", "lamb-shoulder", MeatKind.WHOLE_ROAST, "c", 2.5, 0.1, 1.0, tender_low=92.0)
OFF = 6000.0
FLOOR = 57.2


@cache
def rests() -> list[Rest]:
    """Those that pass the floor within the twelve hours that are followed, even in a box."""
    return [r for r in rests_of("simulated cooks", 3, 8) if falls_at(r.kept[BOX].core_true) is not None]


def resting(cores: list[float], **changed: Any) -> ForecastRequest:
    """A piece that has been off for as many minutes as there are cores."""
    first, count = int(OFF // 60), len(cores)
    request = ForecastRequest(
        piece=PIECE, asked_at=OFF + 60.0 * count, on_at=0.0, phase="hold", band=Band(107.0, 135.0), boiling_point=100.0,
        minutes=tuple(range(first, first + count)), pit=(nan,) * count, core=tuple(cores), off_at=OFF, ambient=18.0,
        hold_floor=FLOOR,
    )  # fmt: skip
    return replace(request, **changed)


def newton(e_fold: float, minutes: int, room: float = 18.0, start: float = 92.0) -> list[float]:
    """°C by minute towards `room`, in quarter degrees. e_fold: min."""
    return [round(4 * (room + (start - room) * exp(-m / e_fold))) / 4 for m in range(minutes)]


@pytest.mark.parametrize("e_fold", [250.0, 500.0, 900.0])
def test_whatever_holds_it_its_own_cooling_says_when_it_passes_the_floor(e_fold: float) -> None:
    asked_after = 120
    left = hold_left(resting(newton(e_fold, asked_after)))
    truth = 60 * (e_fold * log(74 / (FLOOR - 18)) - asked_after)
    assert left is not None
    assert left.p50 == pytest.approx(truth, rel=0.08)
    assert left.p05 <= truth <= left.p95


def test_a_fall_that_has_only_begun_is_made_good_for() -> None:
    """A rate that still grows from nothing, as a core's does while the fall comes through: the bare law is hours late."""
    begun = [92.0 - 0.0025 * m * m for m in range(40)]
    left, cooling = hold_left(resting(begun)), cooling_of(resting(begun))
    assert left is not None and cooling is not None
    law = log((cooling.core - 18) / (FLOOR - 18)) * (cooling.core - 18) / cooling.rate
    assert left.p50 < 0.8 * law
    early, settled = left.p50 / left.p05, hold_left(resting(newton(300.0, 150)))
    assert settled is not None
    assert early > settled.p50 / settled.p05


def test_nothing_is_made_of_a_core_that_does_not_fall() -> None:
    assert hold_left(resting([90.0] * 60)) is None
    assert hold_left(resting([90.0 + m / 60 for m in range(60)])) is None
    assert hold_left(resting([nan] * 60)) is None
    assert hold_left(resting(newton(300.0, 60), off_at=None)) is None


def test_a_cabinet_over_the_floor_keeps_it_and_a_colder_one_does_not() -> None:
    falling = newton(300.0, 120)
    assert hold_left(resting(falling, hold_cabinet=66.0)) is None
    cold = hold_left(resting(falling, hold_cabinet=40.0))
    assert cold is not None and cold.p50 < 3 * 3600.0


def test_a_cabinet_that_went_cold_counts_from_then_and_not_from_hours_of_warmth() -> None:
    """Two hours at 66 °C, then half an hour of a growing fall: the hours say nothing of how long the fall has lasted."""
    core = [66.0] * 120 + [66.0 - 0.004 * m * m for m in range(30)]
    told = hold_left(resting(core, hold_cabinet=35.0))
    nobody_knew = hold_left(resting(newton(400.0, 60) + core, hold_cabinet=None))
    assert told is not None and nobody_knew is not None
    assert told.p50 < nobody_knew.p50


def test_below_the_floor_nothing_is_left_and_the_night_outside_is_not_the_kitchen() -> None:
    assert hold_left(resting(newton(100.0, 120))) == Interval(0.0, 0.0, 0.0)
    falling = newton(300.0, 120)
    assert hold_left(resting(falling, ambient=-5.0)) == hold_left(resting(falling, ambient=INDOORS))
    assert hold_left(resting(falling, ambient=None)) == hold_left(resting(falling, ambient=INDOORS))


def test_a_box_keeps_what_a_table_does_not_and_its_cooling_says_so() -> None:
    """Two hours off the fire, simulated: before, a box was said to last as long as a table, hours too short."""
    for rest in rests()[:5]:
        for keeping in (TABLE, BOX):
            falls = falls_at(rest.kept[keeping].core_true)
            left = hold_left(asked(rest, keeping, 120))
            assert falls is not None and left is not None
            assert left.p50 / 60 == pytest.approx(falls - 120, rel=0.3, abs=20.0)


def test_a_core_that_has_not_fallen_after_an_hour_is_not_on_a_table() -> None:
    on_a_table = Interval(8000.0, 11_000.0, 12_000.0)
    soon, late = resting([92.0] * 20), resting([92.0] * 61)
    assert room_for_a_box(soon, on_a_table, 9000.0) == Interval(8000.0, 11_000.0, 34_400.0)
    assert room_for_a_box(late, on_a_table, 9000.0) == Interval(8000.0, 11_000.0 + 1.3 * 9000.0, 34_400.0)


def test_the_forecaster_says_what_the_cooling_says() -> None:
    request = asked(rests()[0], TABLE, 120)
    left, at = hold_left(request), outlook(request, Goal.HOLD_LIMIT).at
    assert left is not None and at is not None
    assert [at.p05, at.p50, at.p95] == pytest.approx(
        [request.asked_at + s for s in (left.p05, left.p50, left.p95)], abs=1
    )


def test_meat_that_no_body_follows_is_told_its_hold_limit_all_the_same() -> None:
    """Its core reads wildly until half an hour ago, so that the bodies miss it; what it does since then tells of itself."""
    boxed = asked(rests()[0], BOX, 120)
    wild = len(boxed.core) - 30
    request = replace(boxed, core=tuple(c + 25.0 * (i // 10 % 2 if i < wild else 0) for i, c in enumerate(boxed.core)))
    answer = {o.goal: o for o in forecast(request).outlooks}
    assert "no model piece follows" in in_english(answer[Goal.REST_END].reason)
    assert answer[Goal.HOLD_LIMIT].at is not None


def test_at_off_a_closed_box_lies_within_the_interval_unless_a_cabinet_is_known() -> None:
    rest = rests()[0]
    request = asked(rest, BOX, 0)
    at = outlook(request, Goal.HOLD_LIMIT).at
    falls = falls_at(rest.kept[BOX].core_true)
    assert at is not None and falls is not None
    assert at.p05 <= request.asked_at + 60.0 * falls <= at.p95
    cold = next(o for o in forecast(replace(request, hold_cabinet=30.0)).outlooks if o.goal is Goal.HOLD_LIMIT).at
    assert cold is not None
    assert cold.p95 < at.p95
