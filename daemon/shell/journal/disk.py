"""The journal's database on its disk, with a reserve of room for the day the disk is full."""

from __future__ import annotations

import contextlib
import logging
import sqlite3
import threading
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from daemon.shell.journal.file import code_of, connected, copied_to_memory, trouble_of
from daemon.shell.journal.reserve import Reserve

log = logging.getLogger(__name__)

Statement = tuple[str, tuple[Any, ...]]

RESERVE_FILE = "reserve"
RESERVE_TRIED_EVERY = 60.0
"""s between attempts to take the reserve back."""
LOG_PAGES, LEAN_LOG_PAGES = 1000, 32
"""Pages of the write-ahead log before it is worked in: SQLite's default, and so few that the reserve is not spent on it."""
CLOSE_WITHIN = 0.5
"""s to wait for a write under way when closing; a hung disk must not hold up the end."""


class Disk:
    """One SQLite file. Every method may be called from any thread, and waits as long as the disk takes."""

    def __init__(self, path: Path, in_memory: bool = False) -> None:
        """Raises JournalUnavailable. in_memory: what the file holds is read if it can be, and nothing is written to it."""
        self.path = path
        self.lock = threading.RLock()
        """Guards the database."""
        self.trouble = ""
        """In words, while what is committed is not safe as it should be: in memory only, or on the reserve."""
        self._reserve = Reserve(path.parent / RESERVE_FILE)
        self._reserve_tried_at = float("-inf")
        self._lean = False
        try:
            self.db = copied_to_memory(path) if in_memory else self._on_disk()
        except (sqlite3.Error, OSError) as error:
            raise trouble_of(error) from error

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

    def rows(self, query: str, values: tuple[Any, ...] = ()) -> list[Any]:
        """Raises sqlite3.Error."""
        with self.lock:
            return self.db.execute(query, values).fetchall()

    def one(self, query: str, values: tuple[Any, ...] = ()) -> Any:
        """The first cell of the first row, None where there is none. Raises sqlite3.Error."""
        with self.lock:
            row = self.db.execute(query, values).fetchone()
        return row[0] if row else None

    def write(self, batch: Iterable[Statement]) -> None:
        """In one transaction, on the reserve where the disk is full. Raises sqlite3.Error; then nothing was written."""
        batch = list(batch)
        with self.lock:
            try:
                self._transaction(batch)
            except sqlite3.Error as error:
                if code_of(error) != sqlite3.SQLITE_FULL or not self._reserve.release():
                    raise
                self._go_on_in_reserve()
                self._transaction(batch)

    def _transaction(self, batch: Iterable[Statement]) -> None:
        try:
            self.db.execute("BEGIN IMMEDIATE")
            for statement, values in batch:
                self.db.execute(statement, values)
            self.db.execute("COMMIT")
        except sqlite3.Error:
            if self.db.in_transaction:
                with contextlib.suppress(sqlite3.Error):  # a lost disk rolls back when the file is next opened
                    self.db.execute("ROLLBACK")
            raise

    def _go_on_in_reserve(self) -> None:
        log.error("the disk is full: the journal goes on in its reserve")
        self.trouble = "the disk is full: on the reserve"
        self._lean = True
        self.db.execute(f"PRAGMA wal_autocheckpoint = {LEAN_LOG_PAGES}")
        with contextlib.suppress(sqlite3.Error):
            self.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")

    def refill(self, now: float) -> None:
        """Where the reserve is given up and there is room again, take it back; looks every RESERVE_TRIED_EVERY s."""
        with self.lock:
            if not self._lean or now - self._reserve_tried_at < RESERVE_TRIED_EVERY:
                return
            self._reserve_tried_at = now
            if self._reserve.room:
                self.trouble = ""
            if self._reserve.hold():
                self._lean = False
                self.db.execute(f"PRAGMA wal_autocheckpoint = {LOG_PAGES}")
                log.warning("the disk has room again: the journal's reserve is taken back")

    def close(self) -> None:
        """A write that hangs keeps the file: it is closed with the program."""
        if self.lock.acquire(timeout=CLOSE_WITHIN):
            try:
                self.db.close()
            finally:
                self.lock.release()
