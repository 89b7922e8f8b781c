"""A journal of version 0.1.0, four hours into a running cook, is taken over by today's program without losing the cook.

tests/data/journal_0_1_0.sqlite.xz was written by that version: the simulated night of tests/shell/kept_cooks.py, its first
four hours, as it stood on disk. What must come back was read from that version's own engine at the same instant.
"""

from __future__ import annotations

import json
import lzma
import sqlite3
import zlib
from contextlib import closing
from pathlib import Path

import pytest

from config.loader import load_both
from daemon.core.engine import Engine
from daemon.core.inputs import Readings
from daemon.core.orders import Mark
from daemon.shell.journal.journal import Journal
from daemon.shell.library.records import CookRecords
from daemon.shell.resume import restored
from daemon.wiring.settings_from_files import watch_settings

KEPT = Path(__file__).parents[1] / "data" / "journal_0_1_0.sqlite.xz"
CHUCK_ON = 1_795_804_230.0
"""Engine time at which that version knew the chuck roll to have gone on."""


@pytest.fixture
def home(tmp_path: Path) -> Path:
    file = tmp_path / "journal.sqlite"
    file.write_bytes(lzma.decompress(KEPT.read_bytes()))
    with closing(sqlite3.connect(file)) as db:
        rig, cook = db.execute("SELECT rig, cook FROM starts ORDER BY input DESC LIMIT 1").fetchone()
    (tmp_path / "rig.toml").write_text(rig)
    (tmp_path / "cook.toml").write_text(cook)
    return tmp_path


def engine_of(home: Path) -> Engine:
    return Engine(watch_settings(*load_both(home / "rig.toml", home / "cook.toml")))


def test_the_running_cook_goes_on(home: Path) -> None:
    with closing(Journal.opened(home / "journal.sqlite")) as journal:
        engine = restored(lambda: engine_of(home), journal)
    assert {name: str(piece.stage.stage) for name, piece in engine.pieces.items()} == {
        "chuck": "cooking",
        "lamb": "waiting",
    }
    assert engine.pieces["chuck"].stage.on_at == CHUCK_ON
    assert str(engine.pit.stage.stage) == "in-band"
    assert engine.pit.fire.log_intervals, "what the fire has taught so far"
    last = int((engine.next_deadline() or 0.0) // 60) - 2
    assert len([v for v in engine.pieces["chuck"].cores(engine.trace, last - 180, last) if v == v]) > 170


def test_every_input_is_read_and_the_cook_is_in_the_library(home: Path) -> None:
    journal = Journal.opened(home / "journal.sqlite")
    items = [item for _, item in journal.inputs()]
    journal.close()
    readings = sum(len(item.readings) for item in items if isinstance(item, Readings))
    assert readings > 3000 and any(isinstance(item, Mark) for item in items)
    (row,) = CookRecords(home / "journal.sqlite").rows("", 9)
    assert row.pieces == ("Chuck roll", "Lamb shoulder") and row.duration == pytest.approx(4 * 3600.0, abs=120.0)
    told = [event for event in CookRecords(home / "journal.sqlite").kept(row.id).events if event["event"] == "stage"]
    assert ("chuck", "on") in [(event["subject"], event["after"]) for event in told]


def test_a_checkpoint_that_cannot_be_read_costs_nothing_either(home: Path) -> None:
    with closing(sqlite3.connect(home / "journal.sqlite")) as db, db:
        rows = db.execute("SELECT input, body FROM checkpoints").fetchall()
        assert rows
        db.execute("DELETE FROM checkpoints WHERE input > (SELECT MIN(input) FROM checkpoints)")
        db.execute("UPDATE checkpoints SET body = ?", (zlib.compress(json.dumps({"version": 0}).encode()),))
    with closing(Journal.opened(home / "journal.sqlite")) as journal:
        engine = restored(lambda: engine_of(home), journal)
    assert engine.pieces["chuck"].stage.on_at == CHUCK_ON
