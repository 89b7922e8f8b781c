"""The second truth: other physics than the first, held to the same practice, and its plateau really goes flat or falls."""

from __future__ import annotations

import ast
import csv
import sys
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

BENCH = Path(__file__).parents[2] / "bench" / "meat"
DATA = Path(__file__).parents[2] / "data"


def load(name: str) -> ModuleType:
    spec = spec_from_file_location(name, BENCH / f"{name}.py")
    assert spec is not None and spec.loader is not None
    module = module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


second = load("second_truth")


def shoulder(**changed: float) -> object:
    """A large bone-in shoulder."""
    bone = np.zeros((second.ACROSS, second.ALONG, 1), bool)
    bone[3:5, 3:5] = True
    values = {"half": 0.052, "aspect": 1.2, "start": 5.0, "water": 690.0, "shrink": 0.8} | second.TYPICAL | changed
    return second.Pieces(bone=bone, **{k: np.array([v]) for k, v in values.items()})


def cooked(pit: float, hours: float, wrap_at: float | None = None) -> tuple[np.ndarray, object]:
    """Core by minute, and the section."""
    section = second.Sections(shoulder())
    core, wrapped = [], False
    for i in range(int(hours * 3600 / second.STEP)):
        section.step(np.array([pit]), np.array([pit - 11]), np.array([5000.0]))
        if i % 6 == 5:
            core.append(float(section.core()[0]))
            if wrap_at is not None and core[-1] >= wrap_at and not wrapped:
                section.wrap(np.array([True]), "foil")
                wrapped = True
    return np.array(core), section


def test_it_shares_nothing_but_the_record_with_the_first_truth() -> None:
    imported = {
        node.module
        for node in ast.walk(ast.parse((BENCH / "second_truth.py").read_text()))
        if isinstance(node, ast.ImportFrom) and node.module is not None
    }
    assert {m for m in imported if m.startswith(("drivers", "daemon", "config"))} == {"drivers.simulated.records"}


def test_saturation_pressure_agrees_with_if97() -> None:
    """tests/data/boiling_pressure.csv: saturation temperatures by IAPWS-IF97."""
    with (DATA / "boiling_pressure.csv").open() as file:
        for row in csv.DictReader(line for line in file if not line.startswith("#")):
            pressure = float(second.saturated(np.array([float(row["Tsat_C_IF97"])]))[0])
            assert pressure == pytest.approx(100 * float(row["pressure_hPa"]), rel=0.015)


def test_a_large_shoulder_keeps_the_common_times() -> None:
    """Common practice, no source: 74 °C at about 5 h, 82 °C at about 6.5 h, tender (95 °C) at about 8 h when wrapped at 82 °C."""
    core, _ = cooked(128.0, 10.0, wrap_at=82.0)
    at74, at82, at95 = (float((core >= t).argmax()) / 60 for t in (74.0, 82.0, 95.0))
    assert core[-1] > 95.0
    assert at74 == pytest.approx(5.0, abs=0.6)
    assert at82 == pytest.approx(6.5, abs=0.6)
    assert at95 == pytest.approx(8.0, abs=0.8)


def test_its_plateau_goes_flat_or_falls() -> None:
    """Common practice, no source: in a 107 °C pit the core may stand still or fall for a while around 66-77 °C."""
    core, _ = cooked(107.0, 11.0)
    at66, at77 = ((core >= t).argmax() / 60 for t in (66.0, 77.0))
    assert at77 - at66 > 1.5
    slope = (core[20:] - core[:-20]) * 3
    assert slope[(core[10:-10] > 60) & (core[10:-10] < 80)].min() < 0.5


def test_water_is_conserved() -> None:
    section = second.Sections(shoulder())
    raw = section.w.mean()
    for i in range(8 * 360):
        section.step(np.array([128.0]), np.array([117.0]), np.array([5000.0]))
        if i == 5 * 360:
            section.wrap(np.array([True]), "paper")
    kept = section.w.mean() + float((section.pool * section.face_per_volume + section.on_its_way)[0])
    assert kept + float((section.evaporated + section.dripped)[0]) == pytest.approx(raw, rel=0.01)
    assert section.t.max() <= 100.5 and section.t.min() > 5.0


def test_too_thin_a_piece_is_refused() -> None:
    """The explicit step would blow up."""
    with pytest.raises(AssertionError, match="too long"):
        second.Sections(shoulder(half=0.02))


def test_whole_cooks_have_the_common_record() -> None:
    cooks = second.second_cooks(3, 12)
    assert len({r.cut for r in cooks}) == 4
    for r in cooks:
        assert r.minutes.size == r.pit_read.size == r.core_read.size == r.evaporating_share.size
        assert np.isfinite(r.core_true).all() and r.core_true.max() < 100.6
        if r.tender_minute is not None:
            assert r.core_true[r.tender_minute] >= r.tender_low > r.core_true[r.tender_minute - 1]
    tender = [r.tender_minute for r in cooks if r.tender_minute is not None]
    assert len(tender) >= 10 and 6 * 60 < float(np.median(tender)) < 14 * 60


def test_sets_are_cached_outside_the_repository(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    sets = load("cook_sets")
    monkeypatch.setattr(sets.tempfile, "gettempdir", lambda: str(tmp_path))
    first, again = sets.cook_set("train", count=4), sets.cook_set("train", count=4)
    assert len(list(tmp_path.rglob("*.pickle"))) == 1
    assert all(np.array_equal(a.core_read, b.core_read) for a, b in zip(first, again, strict=True))
    seeds = [s.seed for s in sets.COOK_SETS.values()] + [seed for seed, _ in sets.FIRE_SETS.values()]
    assert len(set(seeds)) == len(seeds)
