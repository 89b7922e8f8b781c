"""Tidies the journal's past without losing any of it: hours of readings in one row, forecasts written once.

Only what lies before the oldest kept checkpoint is touched, so a restart never meets it. Each step is a short
transaction of its own, for the watch writes at the same time. What is dropped: readings of days without a cook.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

from daemon.shell.journal.connection import connect
from daemon.shell.journal.packed_inputs import BUNDLE, BUNDLED, READINGS, bundle
from daemon.shell.journal.reading_pack import PackDamaged
from daemon.shell.library.forecasts import arrived_forecasts, forecast_event, shortened
from daemon.shell.library.records import BUSY

BUNDLE_SPAN = 2 * 3600.0
"""s of readings in one row: longer ones pack hardly better and take longer to write."""
IDLE_KEPT = 14 * 86400.0
"""s readings outside any cook are kept."""
AFTER_LAST_DEED = 86400.0
"""s after the last mark or change of stage for which a cook that nobody ended counts as going on."""
STATEMENTS_AT_ONCE = 100
"""In one transaction: the watch waits for it."""

Statement = tuple[str, tuple[Any, ...]]


def compact(journal: Path) -> None:
    """Waits for the disk: call it in a thread. Raises sqlite3.Error; what was done until then stands."""
    with closing(connect(journal, timeout=BUSY, isolation_level=None)) as db:
        (until, now) = db.execute("SELECT MIN(input), MAX(time) FROM checkpoints").fetchone()
        if until is None:
            return
        _forget_idle(db, until, now - IDLE_KEPT)
        _shorten_forecasts(db, until)
        _bundle_runs(db, until)


# --- readings outside any cook -------------------------------------------------------------------------


def _forget_idle(db: sqlite3.Connection, until: int, before: float) -> None:
    spans = list(_cook_spans(db))
    rows = db.execute(
        "SELECT seq, time FROM inputs WHERE seq <= ? AND time < ? AND kind IN (?, ?)", (until, before, READINGS, BUNDLE)
    ).fetchall()
    idle = [(seq,) for seq, time in rows if not any(start <= time <= end for start, end in spans)]
    _change_in_parts(db, [("DELETE FROM inputs WHERE seq = ?", values) for values in idle])


def _cook_spans(db: sqlite3.Connection) -> Iterator[tuple[float, float]]:
    """From start to end; a cook that nobody ended counts until a day after the last thing that was done."""
    for cook, started, ended in db.execute("SELECT cook, started, ended FROM kept_cooks").fetchall():
        if ended is None:
            (last,) = db.execute(
                "SELECT MAX(time) FROM events WHERE cook = ? AND time >= ? AND name IN ('mark', 'stage')",
                (cook, started),
            ).fetchone()
            ended = max(started, last or 0.0) + AFTER_LAST_DEED
        yield started, ended


# --- forecasts -----------------------------------------------------------------------------------------


def _shorten_forecasts(db: sqlite3.Connection, until: int) -> None:
    """A forecast stands in full in the input that brought it; its event keeps only what finds that again."""
    arrived = arrived_forecasts(
        db.execute("SELECT time, kind, body FROM inputs WHERE seq <= ? AND kind = 'ForecastArrived'", (until,))
    )
    short: list[Statement] = []
    for (time, piece), body in arrived.items():
        events = db.execute(
            "SELECT seq, wall_offset, name, cook, body FROM events WHERE time = ? AND name = 'forecast'", (time,)
        )
        for seq, offset, name, cook, told in events.fetchall():
            event = json.loads(told)
            if event["piece"] == piece and forecast_event(time, offset, body) == event:
                # not an UPDATE: only a deleted row lets SQLite join its half-empty pages
                short.append(("DELETE FROM events WHERE seq = ?", (seq,)))
                row = (seq, time, offset, name, cook, shortened(event))
                short.append(("INSERT INTO events VALUES (?, ?, ?, ?, ?, ?)", row))
    _change_in_parts(db, short)


# --- bundles -------------------------------------------------------------------------------------------


def _bundle_runs(db: sqlite3.Connection, until: int) -> None:
    run: list[int] = []
    began = 0.0
    for seq, time, kind in db.execute(
        "SELECT seq, time, kind FROM inputs WHERE seq <= ? ORDER BY seq", (until,)
    ).fetchall():
        if run and (kind not in BUNDLED or time - began >= BUNDLE_SPAN):
            _bundle(db, run)
            run = []
        if kind in BUNDLED:
            began = began if run else time
            run.append(seq)
    _bundle(db, run)


def _bundle(db: sqlite3.Connection, run: list[int]) -> None:
    """One row in place of these consecutive ones, under the first one's number."""
    if len(run) < 2:
        return
    rows = db.execute(
        "SELECT time, kind, body FROM inputs WHERE seq BETWEEN ? AND ? ORDER BY seq", (run[0], run[-1])
    ).fetchall()
    if all(kind != READINGS for _, kind, _ in rows):
        return
    try:
        body = bundle(rows)
    except PackDamaged:
        return  # the rows stay as they are
    _change(db, [
        ("DELETE FROM inputs WHERE seq > ? AND seq <= ?", (run[0], run[-1])),
        ("UPDATE inputs SET kind = ?, body = ? WHERE seq = ?", (BUNDLE, body, run[0])),
    ])  # fmt: skip


def _change_in_parts(db: sqlite3.Connection, statements: list[Statement]) -> None:
    for at in range(0, len(statements), STATEMENTS_AT_ONCE):
        _change(db, statements[at : at + STATEMENTS_AT_ONCE])


def _change(db: sqlite3.Connection, statements: list[Statement]) -> None:
    db.execute("BEGIN IMMEDIATE")
    try:
        for statement, values in statements:
            db.execute(statement, values)
        db.execute("COMMIT")
    except sqlite3.Error:
        if db.in_transaction:
            db.execute("ROLLBACK")
        raise
