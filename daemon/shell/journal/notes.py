"""The table of notes: small JSON values that outlive a cook, such as what the pit taught and which topics were announced."""

from __future__ import annotations

import json
import logging
import sqlite3
from typing import Any

from daemon.shell.journal.disk import Disk
from daemon.shell.journal.file import DAMAGED, code_of
from daemon.shell.journal.queue import WriteQueue

log = logging.getLogger(__name__)


class Notes:
    """Every method may be called from any thread."""

    def __init__(self, disk: Disk, queue: WriteQueue) -> None:
        self._disk, self._queue = disk, queue

    def note(self, key: str) -> Any:
        """The committed value, or None, also for a damaged one. Raises sqlite3.Error where the disk refuses."""
        try:
            body = self._disk.one("SELECT body FROM notes WHERE key = ?", (key,))
            return None if body is None else json.loads(body)
        except sqlite3.Error as error:
            if code_of(error) not in DAMAGED:
                raise
        except (ValueError, TypeError):
            pass
        log.error("what the journal notes of %s is damaged and not used", key)
        return None

    def check(self) -> None:
        """Raises ValueError or sqlite3.Error when one of them is damaged, or is not found by its key."""
        for key, body in self._disk.rows("SELECT key, body FROM notes"):
            json.loads(body)
            if self._disk.one("SELECT body FROM notes WHERE key = ?", (key,)) != body:
                raise ValueError("a note is not found by its key")

    def set_note(self, key: str, value: Any) -> None:
        """On disk with the journal's next commit."""
        self._queue.add("INSERT OR REPLACE INTO notes VALUES (?, ?)", key, json.dumps(value))
