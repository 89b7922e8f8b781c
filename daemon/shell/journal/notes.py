"""The table of notes: small JSON values that outlive a cook, such as what the pit taught and which topics were announced."""

from __future__ import annotations

import json
from typing import Any

from daemon.shell.journal.disk import Disk
from daemon.shell.journal.queue import WriteQueue


class Notes:
    """Every method may be called from any thread."""

    def __init__(self, disk: Disk, queue: WriteQueue) -> None:
        self._disk, self._queue = disk, queue

    def note(self, key: str) -> Any:
        """The committed value, or None. Raises sqlite3.Error and ValueError."""
        body = self._disk.one("SELECT body FROM notes WHERE key = ?", (key,))
        return None if body is None else json.loads(body)

    def set_note(self, key: str, value: Any) -> None:
        """On disk with the journal's next commit."""
        self._queue.add("INSERT OR REPLACE INTO notes VALUES (?, ?)", key, json.dumps(value))
