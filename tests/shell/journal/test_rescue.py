"""What a damaged file makes of the rescue itself: it ends, and keeps what can be read."""

from __future__ import annotations

import contextlib
import itertools
import sqlite3
from pathlib import Path

import pytest

from daemon.shell.journal import rescue as rescue_module
from daemon.shell.journal.connection import connect
from daemon.shell.journal.file import schema
from daemon.shell.journal.rescue import RESCUE_WITHIN, Rescued, rescue

NOTES = 6000
INTERIOR = 0x05
"""First byte of an interior page of a table's tree; its header has 12 bytes, and each cell begins with the number of a page
below it, 4 bytes (SQLite, "Database File Format", 1.6)."""
HEADER = 12


def notes(path: Path, body: str = "1") -> int:
    """A journal of notes alone, sorted by their number; the page of the root of their tree."""
    with contextlib.closing(connect(path, isolation_level=None)) as db:
        db.executescript(schema())
        db.execute("BEGIN")
        db.executemany("INSERT INTO notes VALUES (?, ?)", [(f"note {n}", body) for n in range(NOTES)])
        db.execute("COMMIT")
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        return int(db.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'notes'").fetchone()[0])


def led_in_a_circle(path: Path, root: int) -> None:
    """Every page below the root, but the last, is the root itself."""
    raw = bytearray(path.read_bytes())
    size = int.from_bytes(raw[16:18], "big")
    page = memoryview(raw)[(root - 1) * size : root * size]
    assert page[0] == INTERIOR
    for cell in range(int.from_bytes(page[3:5], "big")):
        at = int.from_bytes(page[HEADER + 2 * cell : HEADER + 2 * cell + 2], "big")
        page[at : at + 4] = root.to_bytes(4, "big")
    path.write_bytes(raw)


def rescued(path: Path) -> Rescued:
    with contextlib.closing(connect(path, isolation_level=None)) as damaged:
        return rescue(damaged, sqlite3.connect(":memory:", isolation_level=None))


def test_pages_that_lead_in_a_circle_end_and_give_each_row_once(tmp_path: Path) -> None:
    path = tmp_path / "j.sqlite"
    led_in_a_circle(path, notes(path))
    found = rescued(path)
    assert not found.late and found.gaps["notes"]
    assert 0 < found.kept["notes"] < NOTES and not found.garbage["notes"]


def test_a_rescue_out_of_time_leaves_the_rest_even_where_all_is_garbage(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "j.sqlite"
    notes(path, body="no JSON")
    ticks = itertools.count(0.0, RESCUE_WITHIN / 2.5)
    monkeypatch.setattr(rescue_module, "boot_seconds", lambda: next(ticks))
    found = rescued(path)
    assert found.late and 0 < found.garbage["notes"] < NOTES
