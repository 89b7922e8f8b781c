"""The stall bench's own arithmetic, on a hand-made cook and a watch that says what it is told to say."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from drivers.simulated.batch import simulate_cooks
from drivers.simulated.records import CookRecord
from tests.bench.meat.bench_stall import by_core_alone, climbs_again, reliability, score

MINUTES = 480


@cache
def any_cook() -> CookRecord:
    (drawn,) = simulate_cooks(1, 1)
    return drawn


def cook(**changes: Any) -> CookRecord:
    """15 °C/h until minute 200, flat until 320, 12 °C/h from then on; the pit always in its band."""
    core = np.interp(np.arange(MINUTES), [0, 200, 320, 480], [15.0, 65.0, 65.0, 97.0])
    made = replace(
        any_cook(), core_true=core, core_read=core, pit_true=np.full(MINUTES, 128.0), pit_read=np.full(MINUTES, 128.0),
        band_low=121.0, band_high=135.0, evaporating_share=np.zeros(MINUTES), wrapped_minute=None, stalls=(),
        dips=(), lid_openings=(),
    )  # fmt: skip
    return replace(made, **changes)


def says(*spans: tuple[int, int]) -> tuple[list[bool], list[float]]:
    said = [any(a <= m < b for a, b in spans) for m in range(MINUTES)]
    return said, [0.9 if s else 0.1 for s in said]


def test_the_label_by_the_core_alone_sees_a_flat_core_that_does_not_evaporate() -> None:
    ((start, end),) = by_core_alone(cook()).stalls
    assert start == pytest.approx(200, abs=15)
    assert end == pytest.approx(320, abs=15)
    cold = by_core_alone(cook(pit_true=np.full(MINUTES, 110.0)))
    assert cold.stalls == ()
    short = np.interp(np.arange(MINUTES), [0, 200, 220, 480], [15.0, 65.0, 65.0, 97.0])
    assert by_core_alone(cook(core_true=short)).stalls == ()


def test_a_core_climbs_again_where_the_next_hour_brings_eight_degrees() -> None:
    flat = cook()
    assert climbs_again(flat, 200, MINUTES) == 320 - 20
    assert climbs_again(flat, 200, 290) is None
    assert climbs_again(replace(flat, wrapped_minute=330), 200, MINUTES) is None
    assert climbs_again(replace(flat, core_true=flat.core_true + 14), 200, MINUTES) is None


def test_ends_told_and_ends_taken_back_are_counted() -> None:
    flat = by_core_alone(cook())
    kept = score([flat], lambda _cook: says((210, 340)))
    assert (kept.told, kept.taken_back, kept.climbs, len(kept.false)) == (1, 0, [40], 0)
    flaps = score([flat], lambda _cook: says((210, 250), (290, 340)))
    assert (flaps.told, flaps.taken_back) == (2, 1)
    late = score([flat], lambda _cook: says((210, 250), (311, 340)))
    assert (late.told, late.taken_back) == (2, 0)


def test_a_false_onset_is_laid_to_a_slow_half_hour_only_where_there_is_one() -> None:
    unlabelled = cook()

    def slow(at: int) -> int:
        return score([unlabelled], lambda _: says((at, at + 20))).slow

    assert [slow(120), slow(210)] == [0, 1]


def test_a_probability_that_comes_true_as_often_as_it_says_is_off_by_nothing() -> None:
    said = np.repeat([0.1, 0.5, 0.9], 10)
    truths = np.concatenate([np.arange(10) < hits for hits in (1, 5, 9)]).astype(float)
    assert reliability(said, truths)[0] == pytest.approx(0.0)
    assert reliability(said, np.ones(30))[0] == pytest.approx(0.5)
    assert reliability(said, truths)[1] == "0.10 came true 0.10, 0.50 came true 0.50, 0.90 came true 0.90"
