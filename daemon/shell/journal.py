"""The journal: inputs, events and outbox rows, written in one transaction before anything leaves the process.

Readings wait in memory for up to a minute, or until something lasting happens: then they go with it, so that the inputs
behind an event are always on disk with the event. If the disk fails, everything waits in a bounded queue and the watch
goes on from memory.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
import threading
import zlib
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

from daemon.core.inputs import Input, Readings
from daemon.shell.reading_pack import PackDamaged, pack, unpack
from daemon.shell.wording import input_from_json, input_to_json

FLUSH_EVERY = 60.0
"""s between writes of readings alone: one a second would cost ten times the card writes of one a minute."""
CHECKPOINT_EVERY = 600.0
"""s between checkpoints: a restart replays at most this much."""
WAITING_LIMIT = 20_000
"""Rows kept in memory while the disk refuses; the oldest reading rows go first, events never."""
KEEP_CHECKPOINTS = 2
OUTBOX_KEPT = 30 * 86400.0
"""s a settled message is kept, for looking up."""


class JournalUnavailable(Exception):
    """The disk refused (full, read-only, I/O error): keep going from memory and try again later."""


@dataclass(frozen=True, slots=True)
class Start:
    """The newest start of the watch: where engine time stood and on which boot."""

    input: int
    time: float
    boot: str
    boot_seconds: float
    rig: str
    cook: str | None


@dataclass(frozen=True, slots=True)
class Checkpoint:
    input: int
    event: int
    time: float
    state: dict[str, Any]


@dataclass(frozen=True, slots=True)
class OutboxRow:
    """One message to one delivery channel, as stored."""

    id: str
    channel: str
    alarm: str
    time: float
    not_after: float
    state: str
    attempts: int
    next_try: float
    body: str
    detail: str = ""


OUTBOX_COLUMNS = "id, channel, alarm, time, not_after, state, attempts, next_try, body, detail"


class Journal:
    """One SQLite file. Every method may be called from any thread; a lock makes them one at a time."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock = threading.RLock()
        self._waiting: deque[tuple[str, tuple[Any, ...]]] = deque()
        self._readings: list[tuple[float, Readings]] = []
        self._flushed_at: float | None = None
        path.parent.mkdir(parents=True, exist_ok=True)
        self._db = sqlite3.connect(path, check_same_thread=False, isolation_level=None)
        self._db.executescript("PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; PRAGMA busy_timeout=2000;")
        self._db.executescript(files("daemon.shell").joinpath("schema.sql").read_text(encoding="utf-8"))
        self.last_input = self._one("SELECT COALESCE(MAX(seq), 0) FROM inputs")
        self.last_event = self._one("SELECT COALESCE(MAX(seq), 0) FROM events")

    # --- taking in ---------------------------------------------------------------------------------

    def take_input(self, item: Input, now: float) -> None:
        """Remember an input in order; nothing is on disk until `commit`."""
        with self._lock:
            if isinstance(item, Readings):
                self._readings.append((now, item))
                return
            self._close_pack()
            kind, body = input_to_json(item)
            self.last_input += 1
            self._wait("INSERT INTO inputs VALUES (?, ?, ?, ?)", (self.last_input, now, kind, body))

    def take_event(self, time: float, wall_offset: float, name: str, cook: str, body: dict[str, Any]) -> None:
        with self._lock:
            self._close_pack()
            self.last_event += 1
            text = json.dumps(body, ensure_ascii=False, separators=(",", ":"))
            self._wait(
                "INSERT INTO events VALUES (?, ?, ?, ?, ?, ?)", (self.last_event, time, wall_offset, name, cook, text)
            )

    def take_outbox(self, row: OutboxRow) -> None:
        """A new message; the same id to the same channel is taken once only."""
        with self._lock:
            self._wait(
                f"INSERT OR IGNORE INTO outbox ({OUTBOX_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (row.id, row.channel, row.alarm, row.time, row.not_after, row.state, row.attempts, row.next_try,
                 row.body, row.detail),
            )  # fmt: skip

    def take_start(self, start: Start) -> None:
        with self._lock:
            self._wait(
                "INSERT OR REPLACE INTO starts VALUES (?, ?, ?, ?, ?, ?)",
                (start.input, start.time, start.boot, start.boot_seconds, start.rig, start.cook),
            )

    def take_checkpoint(self, time: float, state: dict[str, Any]) -> None:
        """A checkpoint of the engine after every input taken so far."""
        with self._lock:
            self._close_pack()
            body = zlib.compress(json.dumps(state, separators=(",", ":")).encode(), 6)
            self._wait(
                "INSERT OR REPLACE INTO checkpoints VALUES (?, ?, ?, ?)",
                (self.last_input, time, self.last_event, body),
            )
            self._wait(
                "DELETE FROM checkpoints WHERE input NOT IN "
                "(SELECT input FROM checkpoints ORDER BY input DESC LIMIT ?)",
                (KEEP_CHECKPOINTS,),
            )

    def flush_due(self, now: float) -> bool:
        """Readings have waited long enough."""
        if self._flushed_at is None:
            self._flushed_at = now
        return now - self._flushed_at >= FLUSH_EVERY

    def commit(self, now: float) -> None:
        """Write all that waits in one transaction. Raises JournalUnavailable; then everything still waits."""
        with self._lock:
            self._close_pack()
            self._flushed_at = now
            if not self._waiting:
                return
            try:
                self._db.execute("BEGIN IMMEDIATE")
                for statement, values in self._waiting:
                    self._db.execute(statement, values)
                self._db.execute("COMMIT")
            except sqlite3.Error as error:
                if self._db.in_transaction:
                    with contextlib.suppress(sqlite3.Error):  # a lost disk rolls back when the file is next opened
                        self._db.execute("ROLLBACK")
                raise JournalUnavailable(str(error)) from error
            self._waiting.clear()

    def _close_pack(self) -> None:
        if not self._readings:
            return
        first = self._readings[0][0]
        self.last_input += 1
        self._wait("INSERT INTO inputs VALUES (?, ?, ?, ?)", (self.last_input, first, "Readings", pack(self._readings)))
        self._readings = []

    def _wait(self, statement: str, values: tuple[Any, ...]) -> None:
        self._waiting.append((statement, values))
        if len(self._waiting) > WAITING_LIMIT:
            for index, (_, old) in enumerate(self._waiting):
                if "Readings" in old:
                    del self._waiting[index]
                    return
            self._waiting.popleft()

    # --- reading back --------------------------------------------------------------------------------

    def _one(self, query: str, values: tuple[Any, ...] = ()) -> Any:
        with self._lock:
            row = self._db.execute(query, values).fetchone()
        return row[0] if row else None

    def newest_start(self) -> Start | None:
        with self._lock:
            row = self._db.execute("SELECT * FROM starts ORDER BY input DESC LIMIT 1").fetchone()
        return Start(*row) if row else None

    def newest_checkpoint(self) -> Checkpoint | None:
        with self._lock:
            row = self._db.execute(
                "SELECT input, event, time, body FROM checkpoints ORDER BY input DESC LIMIT 1"
            ).fetchone()
        return Checkpoint(row[0], row[1], row[2], json.loads(zlib.decompress(row[3]))) if row else None

    def newest_time(self) -> float | None:
        """The latest engine time anything was committed for."""
        with self._lock:
            times = [
                self._db.execute(f"SELECT time FROM {table} ORDER BY rowid DESC LIMIT 1").fetchone()
                for table in ("inputs", "events", "checkpoints", "starts")
            ]
            pack_row = self._db.execute("SELECT kind, body FROM inputs ORDER BY seq DESC LIMIT 1").fetchone()
        known = [row[0] for row in times if row]
        if pack_row and pack_row[0] == "Readings":
            known += [time for time, _ in self._unpacked(pack_row[1])]
        return max(known, default=None)

    def inputs(self, after: int = 0, until: int | None = None) -> Iterator[tuple[float, Input]]:
        """Every committed input with seq > after (and <= until), oldest first. Damaged rows are skipped."""
        last = after
        while True:
            with self._lock:
                rows = self._db.execute(
                    "SELECT seq, time, kind, body FROM inputs WHERE seq > ? AND (? IS NULL OR seq <= ?) "
                    "ORDER BY seq LIMIT 64",
                    (last, until, until),
                ).fetchall()
            if not rows:
                return
            for last, time, kind, body in rows:  # noqa: B007 - `last` moves the window
                if kind == "Readings":
                    yield from self._unpacked(body)
                else:
                    try:
                        yield time, input_from_json(kind, body)
                    except (KeyError, ValueError):
                        continue

    @staticmethod
    def _unpacked(body: bytes) -> Iterator[tuple[float, Readings]]:
        try:
            yield from list(unpack(body))
        except PackDamaged:
            return

    def events(self, after: int = 0, cook: str | None = None) -> Iterator[dict[str, Any]]:
        """Committed events as JSON objects, oldest first."""
        with self._lock:
            rows = self._db.execute(
                "SELECT body FROM events WHERE seq > ? AND (? IS NULL OR cook = ?) ORDER BY seq", (after, cook, cook)
            ).fetchall()
        return (json.loads(body) for (body,) in rows)

    def first_input_since(self, time: float) -> int:
        """seq of the first input at or after `time`, or one past the last."""
        found: int = self._one("SELECT COALESCE(MIN(seq), ?) FROM inputs WHERE time >= ?", (self.last_input + 1, time))
        return found

    def newest_event_time(self) -> float | None:
        value: float | None = self._one("SELECT time FROM events ORDER BY seq DESC LIMIT 1")
        return value

    # --- outbox --------------------------------------------------------------------------------------

    def outbox(self, *states: str) -> list[OutboxRow]:
        """Rows in any of these states, oldest first."""
        marks = ",".join("?" * len(states))
        with self._lock:
            rows = self._db.execute(
                f"SELECT {OUTBOX_COLUMNS} FROM outbox WHERE state IN ({marks}) ORDER BY time, rowid", states
            ).fetchall()
        return [OutboxRow(*row) for row in rows]

    def set_outbox(self, row: OutboxRow) -> None:
        """Queue the new state of a row; `commit` writes it."""
        with self._lock:
            self._wait(
                "UPDATE outbox SET state = ?, attempts = ?, next_try = ?, detail = ? WHERE id = ? AND channel = ?",
                (row.state, row.attempts, row.next_try, row.detail, row.id, row.channel),
            )

    def tidy(self) -> None:
        """Forget messages that were settled long ago; `commit` does it."""
        with self._lock:
            newest = self.newest_event_time()
            if newest is not None:
                self._wait(
                    "DELETE FROM outbox WHERE state NOT IN ('waiting', 'sending') AND time < ?",
                    (newest - OUTBOX_KEPT,),
                )

    # --- small things --------------------------------------------------------------------------------

    def note(self, key: str) -> Any:
        """A small JSON value, or None."""
        body = self._one("SELECT body FROM notes WHERE key = ?", (key,))
        return None if body is None else json.loads(body)

    def set_note(self, key: str, value: Any) -> None:
        with self._lock:
            self._wait("INSERT OR REPLACE INTO notes VALUES (?, ?)", (key, json.dumps(value)))

    def close(self) -> None:
        with self._lock:
            self._db.close()
