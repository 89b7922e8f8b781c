"""Hundreds of cooks at once: reproducible, honest about what happened, and as varied as they are said to be."""

from __future__ import annotations

import time

import numpy as np
import pytest

from drivers.simulated.batch import CUTS, CookRecord, simulate_cooks, simulate_fires, stall_label


@pytest.fixture(scope="module")
def timed() -> tuple[list[CookRecord], float]:
    """300 cooks and the processor seconds they took."""
    before = time.process_time()
    return simulate_cooks(12, 300), time.process_time() - before


@pytest.fixture(scope="module")
def cooks(timed: tuple[list[CookRecord], float]) -> list[CookRecord]:
    return timed[0]


@pytest.fixture(scope="module")
def some() -> list[CookRecord]:
    return simulate_cooks(12, 60)


def test_three_hundred_cooks_take_well_under_a_minute(timed: tuple[list[CookRecord], float]) -> None:
    assert timed[1] < 60


def test_a_seed_fixes_every_trace(some: list[CookRecord]) -> None:
    for a, b in zip(some, simulate_cooks(12, 60), strict=True):
        assert np.array_equal(a.core_read, b.core_read) and np.array_equal(a.pit_read, b.pit_read) and a.logs == b.logs


def test_records_tell_one_story(cooks: list[CookRecord]) -> None:
    for r in cooks:
        n = r.minutes.size
        assert n == r.pit_true.size == r.pit_read.size == r.core_read.size == r.evaporating_share.size
        assert np.isfinite(r.core_true).all() and r.core_true.min() > 0 and r.core_true.max() < 100
        if r.tender_minute is not None:
            assert r.core_true[r.tender_minute] >= r.tender_low > r.core_true[r.tender_minute - 1]
            assert n <= r.tender_minute + 61
        if r.wrap_minute is not None and r.plan_wrap_at is not None:
            assert r.core_true[r.wrap_minute] >= r.plan_wrap_at > r.core_true[r.wrap_minute - 1]
        assert (r.wrapped is None) == (r.wrapped_minute is None)
        assert all(0 <= m < n for m in r.logs) and all(s > 0 for _, s in r.lid_openings)
        assert (r.core_read * 4 == np.round(r.core_read * 4)).all()
        assert abs(float(np.median(r.core_read - r.core_true))) < 6.0


def test_the_lot_is_as_varied_as_promised(cooks: list[CookRecord]) -> None:
    assert {r.cut for r in cooks} == {c.name for c in CUTS}
    assert 0.55 < np.mean([r.plan_wrap is not None for r in cooks]) < 0.85
    assert 0.04 < np.mean([r.plan_broken for r in cooks]) < 0.22
    assert 0.3 < np.mean([bool(r.dips) for r in cooks]) < 0.6
    assert np.mean([r.tender_minute is None for r in cooks]) < 0.12
    assert 0.3 < np.mean([bool(r.stalls) for r in cooks]) < 0.8
    assert {r.wrapped for r in cooks} == {None, "foil", "paper", "boat"}


def test_those_who_keep_their_plan_wrap_as_planned(cooks: list[CookRecord]) -> None:
    for r in cooks:
        if not r.plan_broken and r.wrapped is not None:
            assert r.wrapped == r.plan_wrap
            assert r.plan_wrap_at is not None and r.wrapped_minute is not None
            seen = int((r.core_read >= r.plan_wrap_at).argmax())
            assert 0 <= r.wrapped_minute - seen <= 30
        if not r.plan_broken and r.plan_wrap is None:
            assert r.wrapped is None


def test_pit_probes_lie_in_the_shadow_of_the_meat(cooks: list[CookRecord]) -> None:
    """Beside cold meat a probe reads lower against the air than beside hot meat, whatever its own error is."""
    steadied = [r for r in cooks if r.core_true.size > 400]
    early, late = (np.mean([np.median((r.pit_read - r.pit_true)[part]) for r in steadied])
                   for part in (slice(5, 30), slice(-60, None)))  # fmt: skip
    assert 1.0 < late - early < 6.0


def test_cooks_lose_weight_as_meat_does(cooks: list[CookRecord]) -> None:
    """Common practice, no source: large pieces lose a fifth to two fifths of their weight."""
    assert 0.6 < float(np.median([r.mass_left for r in cooks])) < 0.8


def test_a_shift_moves_the_truth(some: list[CookRecord]) -> None:
    plain, thick = some, simulate_cooks(12, 60, thickness=1.15)

    def mean(lot: list[CookRecord]) -> float:
        return float(np.mean([r.tender_minute for r in lot if r.tender_minute is not None]))

    assert mean(thick) > mean(plain) + 45
    other = simulate_fires(8, 4)
    assert [f.logs for f in other] != [f.logs for f in simulate_fires(9, 4)]


# --- the stall label --------------------------------------------------------------------------------


def labelled(
    core: np.ndarray, pit: float = 125.0, share: float = 0.8, wrapped: int | None = None
) -> tuple[tuple[int, int], ...]:
    return stall_label(core, np.full(core.size, pit), np.full(core.size, share), 118.0, wrapped)


PLATEAU = np.concatenate([np.linspace(5, 66, 240), np.linspace(66, 69, 120), np.linspace(69, 95, 180)])


def test_a_plateau_is_a_stall_and_only_there() -> None:
    ((start, end),) = labelled(PLATEAU)
    assert start == pytest.approx(240, abs=20) and end == pytest.approx(360, abs=20)


@pytest.mark.parametrize(
    ("pit", "share", "wrapped"),
    [(100.0, 0.8, None), (125.0, 0.3, None), (125.0, 0.8, 200)],
    ids=["dip", "not drying", "wrapped"],
)
def test_what_is_no_stall(pit: float, share: float, wrapped: int | None) -> None:
    assert labelled(PLATEAU, pit, share, wrapped) == ()


# --- fires ------------------------------------------------------------------------------------------


def test_fires_end_where_they_are_said_to() -> None:
    fires = simulate_fires(7, 60)
    assert len(fires) >= 55
    for f in fires:
        assert (f.pit_true[f.exit_minute :] < f.band_low).all()
        assert f.pit_true[f.exit_minute - 1] >= f.band_low
        assert f.pit_true[-1] < f.band_low - 20
        assert max(f.logs) == f.last_log < f.left_alone
        assert all(m < f.left_alone for m, _ in f.damper_changes)
        assert all(a < f.left_alone for a, _ in f.lid_openings)
    left = [f.exit_minute - f.last_log for f in fires]
    assert 15 < float(np.median(left)) < 70
