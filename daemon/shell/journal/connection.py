"""SQLite's connection, with its own errors only.

What SQLite says of a damaged schema quotes it, and where that is no UTF-8 Python raises an error of text in place of
SQLite's: whoever is ready for a damaged file would not be for that.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any

from daemon.shell.state.regular_file import kind_of_other


class Connection(sqlite3.Connection):
    """As the library's; an error whose words cannot be read is a `sqlite3.DatabaseError` without a code."""

    def execute(self, *arguments: Any) -> sqlite3.Cursor:
        try:
            return super().execute(*arguments)
        except UnicodeDecodeError as error:
            raise unreadable(error) from error

    def executescript(self, script: str, /) -> sqlite3.Cursor:
        try:
            return super().executescript(script)
        except UnicodeDecodeError as error:
            raise unreadable(error) from error

    def backup(self, *arguments: Any, **named: Any) -> None:
        try:
            super().backup(*arguments, **named)
        except UnicodeDecodeError as error:
            raise unreadable(error) from error


def unreadable(error: UnicodeDecodeError) -> sqlite3.DatabaseError:
    return sqlite3.DatabaseError(f"the schema is damaged: {error.object!r}")


def connect(database: str | Path, **options: Any) -> Connection:
    """As `sqlite3.connect`, of a regular file only: a pipe would hold up whoever opens it. Raises sqlite3.Error."""
    file = str(database).removeprefix("file:").partition("?")[0]
    for name in (file, f"{file}-wal", f"{file}-journal"):
        if kind := kind_of_other(Path(name)):
            raise sqlite3.OperationalError(f"{name} is a {kind}, and no file")
    connection: Connection = sqlite3.connect(database, factory=Connection, **options)
    return connection
