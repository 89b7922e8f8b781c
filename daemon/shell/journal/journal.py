"""The journal: inputs, events and outbox rows, written in one transaction before anything leaves the process.

Readings wait in memory for up to 90 s, or until something lasting happens: then they go with it, so that the inputs
behind an event are always on disk with the event. If the disk fails, everything waits in a bounded queue and the watch
goes on from memory. A full disk first gets back the room of the reserve, which is kept for alarms and messages.
"""

from __future__ import annotations

import json
import logging
import sqlite3
import zlib
from pathlib import Path
from typing import Any

from daemon.core.inputs import Input, Readings
from daemon.shell.journal.committed import Checkpoint, Committed, Start
from daemon.shell.journal.disk import Disk, Statement
from daemon.shell.journal.file import JournalDamaged, JournalUnavailable, begun_anew, trouble_of, why_of
from daemon.shell.journal.notes import Notes
from daemon.shell.journal.outbox_table import OutboxRow, OutboxTable
from daemon.shell.journal.queue import WriteQueue
from daemon.shell.journal.rescue import rescued, times_sound
from daemon.shell.wording import input_to_json
from daemon.texts.composer import PLAIN

__all__ = ["Checkpoint", "Journal", "JournalUnavailable", "OutboxRow", "Start"]

log = logging.getLogger(__name__)

FLUSH_EVERY = 90.0
"""s between writes of readings alone. Each costs the card some 30 kB however little it holds: one a second would wear
it fifty times as fast."""
HURRIED_FLUSH = 5.0
"""The same while an on-delay runs or the watch has just been started: a stop then must cost no more than one scan."""
CHECKPOINT_EVERY = 600.0
"""s between checkpoints: a restart replays at most this much."""
KEEP_CHECKPOINTS = 2
MENDED_TOLD_FOR = 600.0
"""s for which a journal that had to be mended is told as a trouble."""
NEWEST_INPUT = """SELECT MAX(COALESCE((SELECT MAX(seq) FROM inputs), 0), COALESCE((SELECT MAX(input) FROM checkpoints), 0),
COALESCE((SELECT MAX(first_input) FROM kept_cooks), 0))"""
NEWEST_EVENT = (
    """SELECT MAX(COALESCE((SELECT MAX(seq) FROM events), 0), COALESCE((SELECT MAX(event) FROM checkpoints), 0))"""
)
"""Also what a damaged journal has lost had its numbers: none is given twice."""
START = "INSERT OR REPLACE INTO starts VALUES (?, ?, ?, ?, ?, ?)"
CHECKPOINT = "INSERT OR REPLACE INTO checkpoints VALUES (?, ?, ?, ?)"


class Journal(Committed):
    """One file. Every method may be called from any thread; taking in never waits for the disk.

    outbox: the table of messages. notes: small values that outlive a cook.
    """

    def __init__(self, path: Path, in_memory: bool = False) -> None:
        """Raises JournalUnavailable. in_memory: what the file holds is read if it can be, and nothing is written to it."""
        super().__init__(Disk(path, in_memory))
        self.path = path
        self._flushed_at: float | None = None
        self._for_a_start: dict[str, Statement] = {}
        """The newest start and checkpoint: they are written once more into a file that was written anew."""
        self._known_mended, self._mended_at = "", 0.0
        try:
            last_input, last_event = self.disk.one(NEWEST_INPUT), self.disk.one(NEWEST_EVENT)
        except sqlite3.Error as error:
            self.close()
            raise trouble_of(error) from error
        self._queue = WriteQueue(last_input, last_event)
        self.outbox = OutboxTable(self.disk, self._queue)
        self.notes = Notes(self.disk, self._queue)

    @classmethod
    def opened(cls, path: Path) -> Journal:
        """The journal in its file; what can be rescued of it where it is damaged; and one in memory, which goes to disk as
        soon as that is possible, where the disk refuses. No disk may keep the watch from watching."""
        words, mends = "", [rescued, begun_anew]
        while True:
            try:
                journal = cls._readable(path)
                journal.disk.mended = words
                return journal
            except JournalUnavailable as error:
                trouble = error
            if not mends or not isinstance(trouble, JournalDamaged):
                break
            try:
                words = PLAIN.words("disk.set-aside", why=str(trouble), found=str(mends.pop(0)(path)))
                log.error("%s", words)
            except (OSError, sqlite3.Error) as error:
                log.error("the damaged journal cannot be mended: %s", error)
        log.error("the journal cannot be opened: %s; the watch goes on from memory", trouble)
        journal = cls(path, in_memory=True)
        journal.disk.trouble = PLAIN.words("disk.in-memory", why=str(trouble))
        return journal

    @classmethod
    def _readable(cls, path: Path) -> Journal:
        """Raises JournalUnavailable, also where what a start needs cannot be read any more."""
        journal = cls(path)
        try:
            checkpoint, start = journal.newest_checkpoint(), journal.newest_start()
            numbers = [] if start is None else [start.time, start.boot_seconds]
            numbers += [journal.newest_time() or 0.0, journal.newest_event_time() or 0.0]
            for row in journal.outbox.in_state("waiting", "sending"):
                numbers += [row.time, row.not_after, row.attempts, row.next_try]
                json.loads(row.body)
            numbers += [time for time, _ in journal.inputs(after=checkpoint.input if checkpoint is not None else 0)]
            if not times_sound(*numbers):
                raise ValueError(PLAIN.words("disk.no-number"))
            journal.notes.check()
        except (sqlite3.Error, TypeError, ValueError) as error:
            journal.close()
            raise trouble_of(error) from error
        return journal

    @property
    def trouble(self) -> str:
        """In words, while what is committed is not safe as it should be: in memory only, on the reserve, or in a file that
        was damaged or gone a short while ago and had to be written anew."""
        return self.disk.trouble or self.disk.mended

    @property
    def last_input(self) -> int:
        """seq of the newest input taken; readings that still wait for their pack have none yet."""
        return self._queue.last_input

    @property
    def last_event(self) -> int:
        return self._queue.last_event

    # --- taking in: nothing is on disk until `commit` ----------------------------------------------------

    def take_input(self, item: Input, now: float) -> None:
        if isinstance(item, Readings):
            self._queue.add_readings(now, item)
        else:
            self._queue.add_input(now, *input_to_json(item))

    def take_event(self, time: float, wall_offset: float, name: str, cook: str, body: dict[str, Any]) -> None:
        text = json.dumps(body, ensure_ascii=False, separators=(",", ":"))
        self._queue.add_event(time, wall_offset, name, cook, text)

    def take_start(self, start: Start) -> None:
        values = start.input, start.time, start.boot, start.boot_seconds, start.rig, start.cook
        self._for_a_start[START] = START, values
        self._queue.add(START, *values)

    def take_checkpoint(self, time: float, state: dict[str, Any]) -> None:
        """A checkpoint of the engine after every input taken so far."""
        last_input, last_event = self._queue.close_pack()
        body = zlib.compress(json.dumps(state, separators=(",", ":")).encode(), 6)
        self._for_a_start[CHECKPOINT] = CHECKPOINT, (last_input, time, last_event, body)
        self._queue.add(CHECKPOINT, last_input, time, last_event, body)
        self._queue.add(
            "DELETE FROM checkpoints WHERE input NOT IN (SELECT input FROM checkpoints ORDER BY input DESC LIMIT ?)",
            KEEP_CHECKPOINTS,
        )

    def change(self, statement: str, values: tuple[Any, ...]) -> None:
        """A statement of another table: the library of cooks."""
        self._queue.add(statement, *values)

    # --- to disk -----------------------------------------------------------------------------------------

    def flush_due(self, now: float, hurry: bool = False) -> bool:
        """Readings have waited long enough. hurry: they may soon matter."""
        if self._flushed_at is None:
            self._flushed_at = now
        return now - self._flushed_at >= (HURRIED_FLUSH if hurry else FLUSH_EVERY)

    def commit(self, now: float) -> None:
        """Write all that waits in one transaction. Raises JournalUnavailable; then everything still waits."""
        with self.disk.lock:
            self._flushed_at = now
            batch = self._queue.take_all()
            try:
                if batch:
                    self.disk.write(batch)
                self._after_mending(now)
            except sqlite3.Error as error:
                self._queue.put_back(batch)
                raise JournalUnavailable(why_of(error)) from error
            self.disk.refill(now)

    def _after_mending(self, now: float) -> None:
        """Raises sqlite3.Error."""
        if self.disk.mended != self._known_mended:
            self._known_mended, self._mended_at = self.disk.mended, now
            self.disk.write(self._for_a_start.values())
        elif self.disk.mended and now - self._mended_at > MENDED_TOLD_FOR:
            self.disk.mended = self._known_mended = ""

    def close(self) -> None:
        """A write that hangs keeps the file: it is closed with the program."""
        self.disk.close()
