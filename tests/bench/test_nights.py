"""The night bench itself: a night that needs feeding is answered by the right build, and each wrong build is caught."""

from __future__ import annotations

import numpy as np
import pytest

from tests.bench.bench_nights import KINDS, draw, live_one, main, place_of, worst_in
from tests.bench.night_oracle import Place

FED_LATE = 400001
"""Seed of a night whose wood is burnt down at about 03:40."""


def test_the_right_build_calls_in_time_for_a_fire_fed_late() -> None:
    night = live_one("fed-late", FED_LATE)
    assert night.verdict.missed == ()
    assert any(need.kind == "fire" for need in night.verdict.needs) and night.calls


def test_judges_that_say_nothing_let_the_fire_go_and_the_bench_fails(capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["--nights", "1", "--seed", "4", "--kind", "fed-late", "--wrong-build", "silent"]
    assert main(arguments) == 1
    assert "MISS must-wake missed" in capsys.readouterr().out


def test_a_prompt_an_hour_late_is_a_missed_wake() -> None:
    night = live_one("fed-late", FED_LATE, wrong="late")
    assert [need.kind for need in night.verdict.missed] == ["fire"]


def test_at_least_a_third_of_the_nights_is_uneventful_and_a_seed_gives_one_night() -> None:
    assert KINDS.count("uneventful") * 3 >= len(KINDS)
    for kind in KINDS:
        assert draw(kind, np.random.default_rng(5)) == draw(kind, np.random.default_rng(5))


def test_an_alarm_sends_to_its_place() -> None:
    places = [place_of(a) for a in ("fire-out/pit", "hold-falling/lamb", "tender-range/chuck", "watch-broker/broker")]
    assert places == [Place.PIT, Place.HOLD, Place.MEAT, Place.WATCH]


def test_the_fullest_window() -> None:
    assert (worst_in([], 600.0), worst_in([0.0, 599.0, 600.0], 600.0), worst_in([0.0, 1.0, 2.0], 600.0)) == (0, 2, 3)
