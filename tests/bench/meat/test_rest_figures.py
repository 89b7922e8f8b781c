"""The bench of what comes after the fire calls a wrong build wrong: each figure is shown to miss on one."""

from __future__ import annotations

from functools import cache
from math import nan

import numpy as np
import pytest

from daemon.core.food_safety.record import COOL_FROM, COOL_HALF, COOL_TO, FIRST_COOLING, WHOLE_COOLING
from daemon.core.outlook import Goal, Interval, Outlook
from tests.bench.figure import Figure
from tests.bench.meat import bench_rest
from tests.bench.meat.rest_truth import (
    BOX,
    CABINET,
    KEEPINGS,
    REST,
    TABLE,
    TRIPPED,
    TRIPS_AFTER,
    TRUTHS,
    Rest,
    chills_of,
    rests_of,
)


@cache
def rests_in(truth: str) -> list[Rest]:
    return rests_of(truth, 8, 5)


def says(monkeypatch: pytest.MonkeyPatch, seconds: float | None, celsius: float | None = None) -> None:
    """Every forecast is this many s from the question."""

    def told(request: object, goal: Goal) -> Outlook:
        asked_at: float = request.asked_at  # type: ignore[attr-defined]
        at = None if seconds is None else Interval(*(asked_at + seconds + spread for spread in (-60.0, 0.0, 60.0)))
        return Outlook(goal, "planned", at, "" if at else "not told", celsius)

    monkeypatch.setattr(bench_rest, "outlook", told)


def unmet(figures: list[Figure]) -> list[str]:
    return [f.name for f in figures if not f.met]


@pytest.mark.parametrize("truth", [TRUTHS[0], pytest.param(TRUTHS[1], marks=pytest.mark.soak)])
def test_pieces_off_the_fire_do_what_their_keepings_let_them(truth: str) -> None:
    """A core rises first and then falls; a box keeps it for longer than a table, a cabinet for good until it goes cold."""
    for rest in rests_in(truth):
        falls = {k: bench_rest.falls_at(rest.kept[k].core_true) or 10_000 for k in KEEPINGS}
        assert REST < falls[TABLE] < falls[BOX]
        assert REST + TRIPS_AFTER < falls[TRIPPED] < falls[CABINET] == 10_000
        for kept in rest.kept.values():
            assert 0.0 < kept.core_true.max() - kept.core_true[0] < 4.0
            assert abs(kept.core_true[0] - rest.cook.core_true[rest.off]) < 1e-9
            assert np.abs(kept.core_read - kept.core_true).mean() < 4.0


def test_forecasts_that_are_hours_off_miss(monkeypatch: pytest.MonkeyPatch) -> None:
    says(monkeypatch, 20 * 3600.0, 110.0)
    rests = rests_in(TRUTHS[0])
    assert len(unmet(bench_rest.peak_figures("t", rests))) == 6
    assert len(unmet(bench_rest.hold_figures("t", rests, TABLE))) == 6


def test_a_cabinet_that_is_always_feared_for_misses_and_one_never_feared_for_is_told_by_its_slope(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rests = rests_in(TRUTHS[0])
    says(monkeypatch, 5 * 3600.0)
    assert any("falsely" in name for name in unmet(bench_rest.cabinet_figures("t", rests)))
    says(monkeypatch, None)
    assert not unmet(bench_rest.cabinet_figures("t", rests))
    monkeypatch.setattr(bench_rest, "slope_per_minute", lambda _values: nan)
    assert any("goes cold" in name for name in unmet(bench_rest.cabinet_figures("t", rests)))


def test_a_record_that_never_foresees_a_missed_stage_misses(monkeypatch: pytest.MonkeyPatch) -> None:
    chills = chills_of(TRUTHS[0], 8, 60)
    assert not unmet(bench_rest.cooling_figures("t", chills))
    monkeypatch.setattr(bench_rest, "expects_late", lambda _record: False)
    assert len(unmet(bench_rest.cooling_figures("t", chills))) == 2


def test_the_cooling_rule_of_the_record_is_that_of_the_table() -> None:
    """Food Code 3-501.14, tests/data/food_code_cooling.csv."""
    first, whole = bench_rest.stages()
    assert (first.start, first.end, first.within * 60) == pytest.approx((COOL_FROM, COOL_HALF, FIRST_COOLING))
    assert (whole.start, whole.end, whole.within * 60) == pytest.approx((COOL_FROM, COOL_TO, WHOLE_COOLING))
