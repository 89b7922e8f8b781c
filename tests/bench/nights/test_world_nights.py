"""Nights in the worlds: who is not called loses his fire, who is called keeps it, and a watch without words is found out."""

from __future__ import annotations

from pathlib import Path

import pytest

from daemon.wiring.learned import learned
from tests.bench.nights.bench_world_nights import Row, main, row_of
from tests.bench.nights.world_nights import AlarmClock, Nobody, Oracle, lived

SEED, PITS = 7, 3


def band_of(rows: list[Row]) -> float:
    return sum(r.in_band for r in rows) / len(rows)


def test_nobody_called_sleeps_through_and_loses_what_an_oracle_keeps() -> None:
    alone = [row_of("nobody", "none", n) for n in lived("zones", SEED, PITS, Nobody())]
    kept = [row_of("oracle", "none", n) for n in lived("zones", SEED, PITS, Oracle())]
    assert all(r.wakes == 0 and r.longest == pytest.approx(7.5) for r in alone)
    assert all(r.wakes > 0 and r.longest < 7.5 for r in kept)
    assert band_of(kept) > band_of(alone) + 0.1 and sum(r.lost for r in kept) < sum(r.lost for r in alone)


def test_an_alarm_clock_rings_by_the_clock() -> None:
    (night,) = lived("kernels", SEED, 1, AlarmClock(90))
    assert night.calls == (330, 420, 510, 600)


def test_the_program_is_judged_and_one_that_has_learned_nothing_misses() -> None:
    judged = [row_of("program", "none", n) for n in lived("zones", SEED, PITS, learned().fire)]
    assert sum(r.needs for r in judged) >= sum(r.missed for r in judged) == 0
    deaf = [row_of("program", "none", n) for n in lived("zones", SEED, PITS, None)]
    assert band_of(judged) > band_of(deaf), "without a forecast the call comes below the band"


def test_a_run_prints_its_seed_and_slices_are_put_together(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "nights.jsonl"
    for part in ("0/2", "1/2"):
        main(
            [
                "--nights",
                "1",
                "--seed",
                "9",
                "--worlds",
                "zones",
                "draught",
                "--only",
                "nobody",
                "--slice",
                part,
                "--out",
                str(out),
            ]
        )
        assert "seed 9" in capsys.readouterr().out
    assert len(out.read_text().splitlines()) == 2
    main(["--read", str(out)])
    assert "nobody, pooled" in capsys.readouterr().out
