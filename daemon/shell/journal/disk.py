"""The journal's database on its disk, with a reserve of room for the day the disk is full."""

from __future__ import annotations

import contextlib
import logging
import sqlite3
import threading
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from daemon.shell.clock import boot_seconds
from daemon.shell.journal.connection import connect
from daemon.shell.journal.file import (
    DAMAGED,
    NEW,
    code_of,
    connected,
    copied_to_memory,
    names,
    remove,
    set_aside,
    trouble_of,
    why_of,
)
from daemon.shell.journal.rescue import copied
from daemon.shell.journal.reserve import Reserve
from daemon.shell.state.regular_file import make_room
from daemon.shell.state.whole_file import Identity, identity, put_in_place
from daemon.texts.composer import PLAIN

log = logging.getLogger(__name__)

Statement = tuple[str, tuple[Any, ...]]

RESERVE_FILE = "reserve"
RESERVE_TRIED_EVERY = 60.0
"""s between attempts to take the reserve back."""
LOG_PAGES, LEAN_LOG_PAGES = 1000, 32
"""Pages of the write-ahead log before it is worked in: SQLite's default, and so few that the reserve is not spent on it."""
MEND_TRIED_EVERY = 30.0
"""s between attempts to bring a journal that is in memory to the disk."""
CLOSE_WITHIN = 0.5
"""s to wait for a write under way when closing; a hung disk must not hold up the end."""


class Disk:
    """One SQLite file. Every method may be called from any thread, and waits as long as the disk takes.

    The file is mended when a write finds that it is not there any more, or damaged: all that this connection can still
    read goes into a new one, which takes its place. A database in memory, of a start at which the disk refused, goes to
    disk in the same way as soon as the disk takes it.
    """

    def __init__(self, path: Path, in_memory: bool = False) -> None:
        """Raises JournalUnavailable. in_memory: what the file holds is read if it can be, and nothing is written to it."""
        self.path = path
        self.lock = threading.RLock()
        """Guards the database."""
        self.trouble = ""
        """In words, while what is committed is not safe as it should be: in memory only, or on the reserve."""
        self.mended = ""
        """In words, why the file was last written anew, until whoever tells of it empties this."""
        self._reserve = Reserve(path.parent / RESERVE_FILE)
        self._reserve_tried_at = float("-inf")
        self._lean = False
        self._in_memory = in_memory
        self._mend_tried_at = float("-inf")
        try:
            self.db = copied_to_memory(path) if in_memory else self._on_disk()
        except (sqlite3.Error, OSError) as error:
            raise trouble_of(error) from error
        self._files = self._identities()

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
                self.trouble = PLAIN.words("disk.nearly-full")
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
        """In one transaction, on the reserve where the disk is full, in a new file where the old one is gone or damaged.
        Raises sqlite3.Error; then nothing was written."""
        batch = list(batch)
        with self.lock:
            if self._in_memory:
                self._to_disk()
            elif self._is_gone():
                self.mend(PLAIN.words("disk.deleted"))
            try:
                self._transaction(batch)
            except sqlite3.Error as error:
                if code_of(error) in DAMAGED:
                    self.mend(PLAIN.words("disk.damaged", why=why_of(error)))
                elif code_of(error) != sqlite3.SQLITE_FULL or not self._reserve.release():
                    raise
                else:
                    self._go_on_in_reserve()
                self._transaction(batch)
            if not self._in_memory:
                self._files = self._identities()

    def _identities(self) -> tuple[Identity, Identity]:
        """Of the file, and of the log beside it, which alone holds the newest commits."""
        return identity(self.path), identity(self.path.with_name(self.path.name + "-wal"))

    def _is_gone(self) -> bool:
        return any(was not in (None, now) for was, now in zip(self._files, self._identities(), strict=True))

    def mend(self, why: str) -> None:
        """Put a new file with all that can still be read in place of what is there. Raises sqlite3.Error; then the watch
        goes on from memory, and what is in the new file comes to the disk later."""
        with self.lock:
            made = self.path.with_name(self.path.name + NEW)
            try:
                self.path.parent.mkdir(parents=True, exist_ok=True)
                make_room(names(self.path))
                remove(made)
                found = copied(self.db, made)
            except OSError as error:
                raise sqlite3.OperationalError(PLAIN.words("disk.not-anew", trouble=why, why=why_of(error))) from error
            # Closed before another takes its name: closing, SQLite deletes the log of that name, whoever's it is.
            self.db.close()
            try:
                set_aside(self.path)
                put_in_place(made, self.path)
                self.db = self._on_disk()
            except (OSError, sqlite3.Error) as error:
                self.db, self._in_memory = copied_to_memory(made if made.exists() else self.path), True
                raise sqlite3.OperationalError(
                    PLAIN.words("disk.not-in-place", trouble=why, why=why_of(error))
                ) from error
            self._in_memory, self._files, self.trouble = False, self._identities(), ""
            self.mended = PLAIN.words("disk.mended", trouble=why, found=str(found))
            log.error("%s", self.mended)

    def check(self) -> None:
        """Look through the whole file, and mend it where it is damaged: a page of long ago is met by nobody until somebody
        asks for it. Raises sqlite3.Error."""
        if self._in_memory:
            return
        with contextlib.closing(connect(f"file:{self.path}?mode=ro", uri=True)) as db:
            try:
                found = db.execute("PRAGMA quick_check(1)").fetchone()[0]
            except sqlite3.Error as error:
                if code_of(error) not in DAMAGED:
                    raise
                found = str(error)
        if found != "ok":
            log.error("the journal is damaged: %s", " ".join(str(found).split()))
            self.mend(PLAIN.words("disk.damaged", why=PLAIN.words("disk.why.garbage")))

    def _to_disk(self) -> None:
        now = boot_seconds()
        if now - self._mend_tried_at >= MEND_TRIED_EVERY:
            self._mend_tried_at = now
            with contextlib.suppress(sqlite3.Error):
                self.mend(PLAIN.words("disk.refused"))

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
        self.trouble = PLAIN.words("disk.full")
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
