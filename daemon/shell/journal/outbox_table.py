"""The table of the outbox: one row a message and delivery channel, so that nothing unsent is forgotten over a restart."""

from __future__ import annotations

from dataclasses import dataclass

from daemon.shell.journal.disk import Disk
from daemon.shell.journal.queue import WriteQueue

OUTBOX_KEPT = 30 * 86400.0
"""s a settled message is kept, for looking up."""
COLUMNS = "id, channel, alarm, time, not_after, state, attempts, next_try, body, detail"
INSERT = f"INSERT OR IGNORE INTO outbox ({COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
UPDATE = "UPDATE outbox SET state = ?, attempts = ?, next_try = ?, body = ?, detail = ? WHERE id = ? AND channel = ?"
TIDY = "DELETE FROM outbox WHERE state NOT IN ('waiting', 'sending') AND time < (SELECT MAX(time) FROM events) - ?"


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


class OutboxTable:
    """What is queued here is on disk with the journal's next commit. Every method may be called from any thread."""

    def __init__(self, disk: Disk, queue: WriteQueue) -> None:
        self._disk, self._queue = disk, queue

    def add(self, row: OutboxRow) -> None:
        """A new message; the same id to the same channel is taken once only."""
        self._queue.add(
            INSERT, row.id, row.channel, row.alarm, row.time, row.not_after, row.state, row.attempts, row.next_try,
            row.body, row.detail,
        )  # fmt: skip

    def update(self, row: OutboxRow) -> None:
        """The new state and words of a message."""
        self._queue.add(UPDATE, row.state, row.attempts, row.next_try, row.body, row.detail, row.id, row.channel)

    def tidy(self) -> None:
        """Forget messages that were settled long ago."""
        self._queue.add(TIDY, OUTBOX_KEPT)

    def in_state(self, *states: str) -> list[OutboxRow]:
        """Committed rows in any of these states, oldest first. Raises sqlite3.Error."""
        marks = ",".join("?" * len(states))
        query = f"SELECT {COLUMNS} FROM outbox WHERE state IN ({marks}) ORDER BY time, rowid"  # nosec B608  # marks only
        return [OutboxRow(*row) for row in self._disk.rows(query, states)]
