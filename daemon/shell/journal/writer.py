"""Commits the journal off the event loop, and never waits long for a disk that does not answer."""

from __future__ import annotations

import asyncio

from daemon.shell.background import in_background
from daemon.shell.journal.journal import Journal, JournalUnavailable
from daemon.texts.composer import PLAIN

PATIENCE = 3.0
"""s: longer than a card takes to tidy itself up, shorter than an alarm may be late. Our choice, no source."""


class DiskWriter:
    """Shared by all who commit: one write at most is under way, however many wait for it."""

    def __init__(self, journal: Journal) -> None:
        self._journal = journal
        self._write: asyncio.Future[None] | None = None
        self._hangs = False

    async def commit(self, now: float, patience: float = PATIENCE) -> None:
        """All that was taken before this call is on disk. Raises JournalUnavailable, also when the disk has not answered
        in time: then that write goes on by itself, and no other is begun before it ends."""
        if self._hangs:
            raise JournalUnavailable(PLAIN.words("disk.hangs"))
        try:
            async with asyncio.timeout(patience):
                while self._write is not None:
                    await asyncio.wait({self._write})
                self._write = asyncio.ensure_future(in_background(self._journal.commit, now))
                self._write.add_done_callback(self._ended)
                await asyncio.shield(self._write)
        except TimeoutError:
            self._hangs = self._write is not None
            raise JournalUnavailable(PLAIN.words("disk.hangs")) from None

    def _ended(self, write: asyncio.Future[None]) -> None:
        self._write, self._hangs = None, False
        if not write.cancelled():
            write.exception()  # taken note of: whoever still waits gets it too
