"""The journal's file: opened, copied into memory, or set aside; and the two ways in which it can fail."""

from __future__ import annotations

import contextlib
import errno
import logging
import shutil
import sqlite3
import tempfile
from collections import defaultdict
from importlib.resources import files
from pathlib import Path

from daemon.shell.journal.connection import connect
from daemon.shell.state.regular_file import make_room
from daemon.texts.composer import PLAIN

log = logging.getLogger(__name__)

DAMAGED = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, 0})
"""SQLite's result codes for garbage; 0: the library could not make text of it."""


WHY = {
    sqlite3.SQLITE_CORRUPT: "disk.why.garbage",
    sqlite3.SQLITE_NOTADB: "disk.why.no-journal",
    sqlite3.SQLITE_FULL: "disk.why.full",
    sqlite3.SQLITE_IOERR: "disk.why.fails",
    sqlite3.SQLITE_READONLY: "disk.why.read-only",
    sqlite3.SQLITE_CANTOPEN: "disk.why.not-opened",
    sqlite3.SQLITE_BUSY: "disk.why.held",
}
"""What people are told of SQLite's result codes, and of the system's below."""
WHY_OF_SYSTEM = {
    errno.ENOSPC: "disk.why.full",
    errno.EIO: "disk.why.fails",
    errno.EROFS: "disk.why.read-only",
    errno.EACCES: "disk.why.not-allowed",
    errno.EPERM: "disk.why.not-allowed",
}
ENDS = ("", "-wal", "-shm")
"""What SQLite adds to the name of a database for the files beside it."""
NEW = ".new"
"""Added to the name while it is written anew."""


class JournalUnavailable(Exception):
    """The disk refused (full, read-only, I/O error): keep going from memory and try again later."""


class JournalDamaged(JournalUnavailable):
    """The file can be read, but what it says is no journal any more."""


def connected(name: str) -> sqlite3.Connection:
    """Raises sqlite3.Error."""
    db = connect(name, check_same_thread=False, isolation_level=None)
    try:
        db.text_factory = lambda raw: raw.decode(
            "utf-8", "replace"
        )  # what it cannot make text of is no reason not to start
        db.executescript("PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; PRAGMA busy_timeout=2000;")
        db.executescript(schema())
        heed_columns(db)
    except sqlite3.Error:
        db.close()
        raise
    return db


def heed_columns(db: sqlite3.Connection) -> None:
    """One damaged letter of the schema may make another name of a column. Raises sqlite3.DatabaseError where one that every
    release has is missing."""
    with contextlib.closing(connect(":memory:")) as whole:
        whole.executescript(schema())
        wanted = _columns(whole)
    missing = {table: ", ".join(sorted(names - _columns(db)[table])) for table, names in wanted.items()}
    if any(missing.values()):
        raise sqlite3.DatabaseError(f"columns are missing: {', '.join(f'{t}: {n}' for t, n in missing.items() if n)}")


def _columns(db: sqlite3.Connection) -> dict[str, set[str]]:
    rows = db.execute("SELECT m.name, c.name FROM sqlite_master m, pragma_table_info(m.name) c WHERE m.type = 'table'")
    found: dict[str, set[str]] = defaultdict(set)
    for table, column in rows:
        found[table].add(column)
    return found


def copied_to_memory(path: Path) -> sqlite3.Connection:
    """What the file holds, if it can be read; nothing goes back to it."""
    db = connect(":memory:", check_same_thread=False, isolation_level=None)
    with contextlib.suppress(sqlite3.Error, OSError), tempfile.TemporaryDirectory() as copies:
        for end in ("", "-wal"):  # beside its log only, or the newest commits would be missing
            file = path.with_name(path.name + end)
            if file.is_file():
                shutil.copy(file, Path(copies) / f"copy{end}")
        with contextlib.closing(connect(Path(copies) / "copy")) as copy:
            copy.backup(db)
    try:
        db.executescript(schema())
        heed_columns(db)
    except sqlite3.Error:  # what the file holds is no journal: nothing of it can be used
        db.close()
        db = connect(":memory:", check_same_thread=False, isolation_level=None)
        db.executescript(schema())
    return db


def set_aside(path: Path) -> None:
    """A file that cannot be used is kept for whoever can mend it, and makes room for a new one. Raises OSError."""
    for end in ENDS:
        file = path.with_name(path.name + end)
        if file.exists():
            kept = file.with_name(file.name + ".damaged")
            make_room((kept,))
            file.rename(kept)


def names(path: Path) -> list[Path]:
    """All names under which something of the journal may stand."""
    bases = (path, path.with_name(path.name + NEW))
    return [base.with_name(base.name + end) for base in bases for end in (*ENDS, "-journal")]


def begun_anew(path: Path) -> str:
    """The same, when nothing of it is of use; in words."""
    set_aside(path)
    return PLAIN.words("disk.nothing-kept")


def remove(path: Path) -> None:
    """With what SQLite keeps beside it. Raises OSError."""
    for end in ENDS:
        path.with_name(path.name + end).unlink(missing_ok=True)


def trouble_of(error: Exception) -> JournalUnavailable:
    """Garbage, told by SQLite or seen by its reader, is damage; a disk or a program that refuses is not."""
    garbage = isinstance(error, TypeError | ValueError) or (
        isinstance(error, sqlite3.Error) and code_of(error) in DAMAGED
    )
    return JournalDamaged(why_of(error)) if garbage else JournalUnavailable(why_of(error))


def code_of(error: sqlite3.Error) -> int:
    """SQLite's primary result code, 0 where an error does not come from it."""
    return int(getattr(error, "sqlite_errorcode", 0)) & 0xFF


def why_of(error: Exception) -> str:
    """In words for people, where SQLite or the system gives only its own."""
    key = WHY.get(code_of(error)) if isinstance(error, sqlite3.Error) else None
    if isinstance(error, OSError):
        key = WHY_OF_SYSTEM.get(error.errno or 0)
    return str(error) if key is None else PLAIN.words(key)


def schema() -> str:
    return files("daemon.shell.journal").joinpath("schema.sql").read_text(encoding="utf-8")
