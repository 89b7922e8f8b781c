"""The journal: inputs, events and outbox rows, written in one transaction before anything leaves the process.

Readings wait in memory for up to 90 s, or until something lasting happens: then they go with it, so that the inputs
behind an event are always on disk with the event. If the disk fails, everything waits in a bounded queue and the watch
goes on from memory. A full disk first gets back the room of the reserve, which is kept for alarms and messages.
"""

from __future__ import annotations

import contextlib
import json
import logging
import sqlite3
import threading
import zlib
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from daemon.core.inputs import Input, Readings
from daemon.shell.journal.file import (
    JournalDamaged,
    JournalUnavailable,
    code_of,
    connected,
    copied_to_memory,
    set_aside,
    trouble_of,
)
from daemon.shell.journal.packed_inputs import BUNDLE, READINGS, inputs_of
from daemon.shell.journal.reading_pack import pack
from daemon.shell.journal.reserve import Reserve
from daemon.shell.wording import input_to_json

__all__ = ["Checkpoint", "Journal", "JournalUnavailable", "OutboxRow", "Start"]

log = logging.getLogger(__name__)

FLUSH_EVERY = 90.0
"""s between writes of readings alone. Each costs the card some 30 kB however little it holds: one a second would wear
it fifty times as fast."""
CHECKPOINT_EVERY = 600.0
"""s between checkpoints: a restart replays at most this much."""
WAITING_LIMIT = 20_000
"""Rows kept in memory while the disk refuses; the oldest reading rows go first, events never."""
KEEP_CHECKPOINTS = 2
OUTBOX_KEPT = 30 * 86400.0
"""s a settled message is kept, for looking up."""
RESERVE_FILE = "reserve"
RESERVE_TRIED_EVERY = 60.0
"""s between attempts to take the reserve back."""
LOG_PAGES, LEAN_LOG_PAGES = 1000, 32
"""Pages of the write-ahead log before it is worked in: SQLite's default, and so few that the reserve is not spent on it."""
CLOSE_WITHIN = 0.5
"""s to wait for a write under way when closing; a hung disk must not hold up the end."""


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
    """One SQLite file. Every method may be called from any thread; taking in never waits for the disk."""

    def __init__(self, path: Path, in_memory: bool = False) -> None:
        """Raises JournalUnavailable. in_memory: what the file holds is read if it can be, and nothing is written to it."""
        self.path = path
        self._lock = threading.RLock()
        """Guards what waits; held for moments only."""
        self._disk = threading.RLock()
        """Guards the database; held as long as the disk takes."""
        self._waiting: deque[tuple[str, tuple[Any, ...]]] = deque()
        self._readings: list[tuple[float, Readings]] = []
        self._flushed_at: float | None = None
        self._reserve = Reserve(path.parent / RESERVE_FILE)
        self._reserve_tried_at = float("-inf")
        self._lean = False
        self.trouble = ""
        """In words, while what is committed is not safe as it should be: in memory only, or on the reserve."""
        db: sqlite3.Connection | None = None
        try:
            db = self._db = copied_to_memory(self.path) if in_memory else self._on_disk()
            self.last_input = self._one("SELECT COALESCE(MAX(seq), 0) FROM inputs")
            self.last_event = self._one("SELECT COALESCE(MAX(seq), 0) FROM events")
        except (sqlite3.Error, OSError) as error:
            if db is not None:
                db.close()
            raise trouble_of(error) from error

    @classmethod
    def opened(cls, path: Path) -> Journal:
        """The journal in its file, a new one where the file is damaged, and one in memory where the disk refuses: a lost
        disk must not end the watch."""
        for _ in range(2):
            try:
                return cls._readable(path)
            except JournalUnavailable as error:
                trouble = error
                if not isinstance(error, JournalDamaged):
                    break
                with contextlib.suppress(OSError):
                    set_aside(path)
        log.error("the journal cannot be opened: %s; the watch goes on from memory", trouble)
        journal = cls(path, in_memory=True)
        journal.trouble = f"in memory until the watch is restarted: {trouble}"
        return journal

    @classmethod
    def _readable(cls, path: Path) -> Journal:
        """Raises JournalUnavailable, also where what a start needs cannot be read any more."""
        journal = cls(path)
        try:
            checkpoint, start = journal.newest_checkpoint(), journal.newest_start()
            numbers = [] if start is None else [start.time, start.boot_seconds]
            numbers += [journal.newest_time() or 0.0, journal.newest_event_time() or 0.0]
            for row in journal.outbox("waiting", "sending"):
                numbers += [row.time, row.not_after, row.attempts, row.next_try]
            for time, _ in journal.inputs(after=checkpoint.input if checkpoint is not None else 0):
                numbers.append(time)
            if not all(isinstance(number, int | float) for number in numbers):
                raise ValueError("a number is missing")
        except (sqlite3.Error, TypeError, ValueError) as error:
            journal.close()
            raise trouble_of(error) from error
        return journal

    def _on_disk(self) -> sqlite3.Connection:
        self.path.parent.mkdir(parents=True, exist_ok=True)
        try:
            db = connected(str(self.path))
        except sqlite3.Error:
            if not self._reserve.release():
                raise
            db = connected(str(self.path))
        if not self._reserve.hold():
            self._lean = True
            db.execute(f"PRAGMA wal_autocheckpoint = {LEAN_LOG_PAGES}")
            if not self._reserve.room:  # a file system that cannot hold room is no trouble by itself
                self.trouble = "the disk is nearly full"
        return db

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

    def change(self, statement: str, values: tuple[Any, ...]) -> None:
        """Queue a statement of another table (the library of cooks): `commit` writes it with the rest."""
        with self._lock:
            self._wait(statement, values)

    def flush_due(self, now: float) -> bool:
        """Readings have waited long enough."""
        if self._flushed_at is None:
            self._flushed_at = now
        return now - self._flushed_at >= FLUSH_EVERY

    def commit(self, now: float) -> None:
        """Write all that waits in one transaction. Raises JournalUnavailable; then everything still waits."""
        with self._disk:
            with self._lock:
                self._close_pack()
                self._flushed_at = now
                batch, self._waiting = self._waiting, deque()
            try:
                if batch:
                    self._write(batch)
            except sqlite3.Error as error:
                with self._lock:
                    batch.extend(self._waiting)
                    self._waiting = batch
                    while len(batch) > WAITING_LIMIT:
                        self._drop_oldest()
                raise JournalUnavailable(str(error)) from error
            if self._lean and now - self._reserve_tried_at >= RESERVE_TRIED_EVERY:
                self._reserve_tried_at = now
                self._refill()

    def _write(self, batch: deque[tuple[str, tuple[Any, ...]]]) -> None:
        try:
            self._transaction(batch)
        except sqlite3.Error as error:
            if code_of(error) != sqlite3.SQLITE_FULL or not self._reserve.release():
                raise
            log.error("the disk is full: the journal goes on in its reserve")
            self.trouble = "the disk is full: on the reserve"
            self._lean = True
            self._db.execute(f"PRAGMA wal_autocheckpoint = {LEAN_LOG_PAGES}")
            with contextlib.suppress(sqlite3.Error):
                self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            self._transaction(batch)

    def _transaction(self, batch: deque[tuple[str, tuple[Any, ...]]]) -> None:
        try:
            self._db.execute("BEGIN IMMEDIATE")
            for statement, values in batch:
                self._db.execute(statement, values)
            self._db.execute("COMMIT")
        except sqlite3.Error:
            if self._db.in_transaction:
                with contextlib.suppress(sqlite3.Error):  # a lost disk rolls back when the file is next opened
                    self._db.execute("ROLLBACK")
            raise

    def _refill(self) -> None:
        """There is room again: take the reserve back."""
        if self._reserve.room:
            self.trouble = ""
        if self._reserve.hold():
            self._lean = False
            self._db.execute(f"PRAGMA wal_autocheckpoint = {LOG_PAGES}")
            log.warning("the disk has room again: the journal's reserve is taken back")

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
            self._drop_oldest()

    def _drop_oldest(self) -> None:
        for index, (_, old) in enumerate(self._waiting):
            if "Readings" in old:
                del self._waiting[index]
                return
        self._waiting.popleft()

    # --- reading back --------------------------------------------------------------------------------

    def _one(self, query: str, values: tuple[Any, ...] = ()) -> Any:
        with self._disk:
            row = self._db.execute(query, values).fetchone()
        return row[0] if row else None

    def newest_start(self) -> Start | None:
        with self._disk:
            row = self._db.execute("SELECT * FROM starts ORDER BY input DESC LIMIT 1").fetchone()
        return Start(*row) if row else None

    def newest_checkpoint(self) -> Checkpoint | None:
        """The newest that can be read."""
        with self._disk:
            rows = self._db.execute("SELECT input, event, time, body FROM checkpoints ORDER BY input DESC").fetchall()
        for number, event, time, body in rows:
            with contextlib.suppress(zlib.error, ValueError):
                return Checkpoint(number, event, time, json.loads(zlib.decompress(body)))
        return None

    def newest_time(self) -> float | None:
        """The latest engine time anything was committed for."""
        with self._disk:
            times = [
                self._db.execute(f"SELECT time FROM {table} ORDER BY rowid DESC LIMIT 1").fetchone()  # nosec B608  # one of the four names below
                for table in ("inputs", "events", "checkpoints", "starts")
            ]
            pack_row = self._db.execute("SELECT kind, body FROM inputs ORDER BY seq DESC LIMIT 1").fetchone()
        known = [row[0] for row in times if row]
        if pack_row and pack_row[0] in (READINGS, BUNDLE):
            known += [time for time, _ in inputs_of(0.0, *pack_row)]
        return max(known, default=None)

    def inputs(self, after: int = 0, until: int | None = None) -> Iterator[tuple[float, Input]]:
        """Every committed input with seq > after (and <= until), oldest first. Damaged rows are skipped."""
        last = after
        while True:
            with self._disk:
                rows = self._db.execute(
                    "SELECT seq, time, kind, body FROM inputs WHERE seq > ? AND (? IS NULL OR seq <= ?) "
                    "ORDER BY seq LIMIT 64",
                    (last, until, until),
                ).fetchall()
            if not rows:
                return
            for last, time, kind, body in rows:  # noqa: B007 - `last` moves the window
                yield from inputs_of(time, kind, body)

    def events(self, after: int = 0, cook: str | None = None) -> Iterator[dict[str, Any]]:
        """Committed events as JSON objects, oldest first; forecasts of long ago without their figures, which stand in the
        inputs (`daemon.shell.library.forecasts`)."""
        with self._disk:
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
        query = f"SELECT {OUTBOX_COLUMNS} FROM outbox WHERE state IN ({marks}) ORDER BY time, rowid"  # nosec B608  # marks only
        with self._disk:
            rows = self._db.execute(query, states).fetchall()
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
            self._wait(
                "DELETE FROM outbox WHERE state NOT IN ('waiting', 'sending') "
                "AND time < (SELECT MAX(time) FROM events) - ?",
                (OUTBOX_KEPT,),
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
        """A write that hangs keeps the file: it is closed with the program."""
        if self._disk.acquire(timeout=CLOSE_WITHIN):
            try:
                self._db.close()
            finally:
                self._disk.release()
