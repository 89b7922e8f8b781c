"""Nights in the worlds: who is not called loses his fire, who is called keeps it, and a watch without words is found out."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from daemon.wiring.learned import learned
from tests.bench.nights.bench_world_nights import BATCH, Row, batches, main, row_of
from tests.bench.nights.night_callers import AlarmClock, Nobody, Oracle
from tests.bench.nights.world_nights import lived
from tests.worlds.at_every_run import FIRE
from tests.worlds.fire.checked_pits import some_pits
from tests.worlds.fires import FIRE_WORLDS
from tests.worlds.meats import MEAT_WORLDS

SEED, PITS, FEW = 7, 3, 2


def band_of(rows: list[Row]) -> float:
    return float(np.nanmean([r.in_band for r in rows]))  # NaN: all its meat was off before bedtime


@pytest.mark.soak
def test_nobody_called_sleeps_through_and_loses_what_an_oracle_keeps() -> None:
    alone = [row_of("nobody", "none", n) for n in lived("zones", SEED, PITS, Nobody())]
    kept = [row_of("oracle", "none", n) for n in lived("zones", SEED, PITS, Oracle())]
    assert all(r.wakes == 0 and r.longest == pytest.approx(7.5) for r in alone)
    assert all(r.wakes > 0 and r.longest < 7.5 for r in kept)
    assert band_of(kept) > band_of(alone) + 0.1 and sum(r.lost for r in kept) < sum(r.lost for r in alone)


def test_an_alarm_clock_rings_by_the_clock() -> None:
    pits = some_pits(FIRE_WORLDS[FIRE], PITS)
    rung = {night.calls for night in lived(FIRE, SEED, PITS, AlarmClock(90), nature=pits)}
    assert rung == {(330, 420, 510, 600)}


@pytest.mark.soak
def test_the_program_is_judged_and_one_that_has_learned_nothing_misses() -> None:
    judged = [row_of("program", "none", n) for n in lived("zones", SEED, FEW, learned().fire)]
    assert sum(r.needs for r in judged) >= sum(r.missed for r in judged) == 0
    deaf = [row_of("program", "none", n) for n in lived("zones", SEED, FEW, None)]
    assert band_of(judged) > band_of(deaf), "without a forecast the call comes below the band"


@pytest.mark.soak
def test_a_run_prints_its_seed_slices_are_put_together_and_go_on(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "nights.jsonl"
    asked = ["--nights", "2", "--seed", "9", "--worlds", "zones", "masonry", "--only", "nobody", "--out", str(out)]
    for part in ("0/2", "1/2"):
        main([*asked, "--slice", part])
        assert "seed 9" in capsys.readouterr().out
    whole = out.read_text()
    assert len(whole.splitlines()) == 2
    # broken off in the middle of a line, as by a power cut: the second night is made anew, the first is not
    out.write_text(whole[:-9])
    main(asked)
    assert out.read_text() == whole
    main(["--read", str(out)])
    assert "nobody, pooled" in capsys.readouterr().out


def test_nights_are_spread_over_all_worlds_of_fire_and_meat() -> None:
    dealt = list(batches(15 * BATCH, list(FIRE_WORLDS), SEED))
    assert len({(b.world, b.meat) for b in dealt}) == len(FIRE_WORLDS) * len(MEAT_WORLDS)
    parts = [b for k in range(3) for b in batches(15 * BATCH, list(FIRE_WORLDS), SEED, k, 3)]
    assert sorted(map(str, parts)) == sorted(map(str, dealt)), "slices make the same nights as one run"
