"""The learned tables are what their generators make, and no other version's."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import daemon.data
from daemon.wiring import learned
from tests.bench.make_fire_prior import SEED, simulated

SAMPLE = 40
"""Fires made once more here; the whole table takes minutes."""


def test_the_table_of_fires_is_what_its_generator_makes() -> None:
    """The rows it keeps of the first fires are rows of these very fires, in their order."""
    made = simulated(SAMPLE, np.random.default_rng(SEED))
    written = [tuple(float(f"{value:.4g}") for value in row) for row in made]
    kept, at = list(learned.learned().fires), 0
    found = 0
    while kept[found] in written[at:]:
        at = written.index(kept[found], at) + 1
        found += 1
    share = len(kept) / 43367  # rows that the whole run makes, as it prints
    assert found == pytest.approx(share * len(made), abs=4 * (share * len(made)) ** 0.5)
    assert found > 15


def test_a_table_says_how_it_was_made() -> None:
    for file in Path(next(iter(daemon.data.__path__))).glob("*.csv"):
        head = [line for line in file.read_text().splitlines() if line.startswith("# ")]
        keys = [line.removeprefix("# ").partition(": ")[0] for line in head[1:]]
        assert keys == list(learned.PROVENANCE), file.name


def test_a_table_of_another_version_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(learned, "files", lambda package: tmp_path)
    provenance = {"made by": "a test", "seed": "1", "worlds": "none", "version": "1"}
    learned.write_table(tmp_path / "t.csv", "A table.", provenance, ("a", "b"), [(1.23456, 20.0), (-0.5, 3.0)])
    table = learned.read_table("t.csv", ("a", "b"))
    assert (table.about, dict(table.provenance), table.rows) == ("A table.", provenance, ((1.235, 20.0), (-0.5, 3.0)))
    with pytest.raises(learned.TableRefused, match=r"t\.csv: made for another version"):
        learned.read_table("t.csv", ("a", "c"))
    learned.write_table(tmp_path / "t.csv", "A table.", {**provenance, "version": "2"}, ("a", "b"), [])
    with pytest.raises(learned.TableRefused):
        learned.read_table("t.csv", ("a", "b"))
