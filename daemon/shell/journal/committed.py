"""What the journal holds, read back: inputs, events, checkpoints and starts. Only what is committed is seen."""

from __future__ import annotations

import contextlib
import json
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain, pairwise
from math import inf
from typing import Any

from daemon.core.inputs import Input
from daemon.shell.journal.disk import Disk
from daemon.shell.journal.packed_inputs import BUNDLE, READINGS, inputs_of

LONGEST_SILENCE = 3 * 86400.0
"""s before the newest input that are believed in one life of the watch."""
PLAUSIBLE_DISORDER = 3600.0
"""s by which a row may lie before its forerunner: what was posted before a start is journalled after it."""
NEWEST = 100
"""Rows among which the latest time is looked for."""
ROWS_AT_ONCE = 64
"""Rows of inputs read under one hold of the disk: the watch writes in between."""


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


class Committed:
    """Every method may be called from any thread and raises sqlite3.Error."""

    def __init__(self, disk: Disk) -> None:
        self.disk = disk

    def newest_start(self) -> Start | None:
        rows = self.disk.rows("SELECT * FROM starts ORDER BY input DESC LIMIT 1")
        return Start(*rows[0]) if rows else None

    def newest_checkpoint(self) -> Checkpoint | None:
        """The newest that can be read."""
        for number, event, time, body in self.disk.rows(
            "SELECT input, event, time, body FROM checkpoints ORDER BY input DESC"
        ):
            with contextlib.suppress(zlib.error, ValueError):
                return Checkpoint(number, event, time, json.loads(zlib.decompress(body)))
        return None

    def newest_time(self) -> float | None:
        """The latest engine time anything was committed for. Time rises with the number of a row, but a damaged number may put
        an old row last, and a damaged time lies anywhere: some rows are looked at, and a time that no other row is near to is
        not believed. A life that began earlier than the readings it finds would judge nothing."""
        with self.disk.lock:
            known = [
                time
                for table in ("inputs", "events", "checkpoints", "starts")
                for (time,) in self.disk.rows(
                    f"SELECT time FROM {table} ORDER BY rowid DESC LIMIT {NEWEST}"  # nosec B608  # one of these four names
                )
            ]
            packs = self.disk.rows(
                f"SELECT kind, body FROM inputs WHERE seq IN (SELECT seq FROM inputs ORDER BY seq DESC LIMIT {NEWEST}) "  # nosec B608
                "AND kind IN (?, ?) ORDER BY time DESC LIMIT 2",
                (READINGS, BUNDLE),
            )
        for pack in packs:
            known += [time for time, _ in inputs_of(0.0, *pack)]
        known.sort()
        near = [later for earlier, later in pairwise(known) if later - earlier <= PLAUSIBLE_DISORDER]
        return max(near or known, default=None)

    def newest_event_time(self) -> float | None:
        time: float | None = self.disk.one("SELECT time FROM events ORDER BY seq DESC LIMIT 1")
        return time

    def newest_input_time(self) -> float | None:
        time: float | None = self.disk.one("SELECT time FROM inputs ORDER BY seq DESC LIMIT 1")
        return time

    def newest_checkpoint_time(self) -> float | None:
        time: float | None = self.disk.one("SELECT time FROM checkpoints ORDER BY input DESC LIMIT 1")
        return time

    def inputs(self, after: int = 0, until: int | None = None) -> Iterator[tuple[float, Input]]:
        """Every committed input with seq > after (and <= until), oldest first. Damaged rows are skipped."""
        known = -inf
        last: tuple[int, float, str, bytes] = (0, inf, "", b"")
        for (_, time, kind, body), (_, following, _, _) in pairwise(chain(self._input_rows(after, until), [last])):
            # Time does not go back. Of two rows that say so, the one the rows around it speak against is wrong.
            if time < known - PLAUSIBLE_DISORDER or known <= following < time - PLAUSIBLE_DISORDER:
                continue
            if following == inf and time - known > LONGEST_SILENCE and known > -inf and kind != "Resumed":
                continue  # nothing after it speaks for it, and all that time would have to be replayed
            known = max(known, time)
            yield from inputs_of(time, kind, body)

    def _input_rows(self, after: int, until: int | None) -> Iterator[tuple[int, float, str, bytes]]:
        last = after
        while rows := self.disk.rows(
            "SELECT seq, time, kind, body FROM inputs WHERE seq > ? AND (? IS NULL OR seq <= ?) ORDER BY seq LIMIT ?",
            (last, until, until, ROWS_AT_ONCE),
        ):
            last = rows[-1][0]
            yield from rows

    def first_input_since(self, time: float) -> int:
        """seq of the first input at or after `time`, or one past the last."""
        found: int = self.disk.one(
            "SELECT COALESCE(MIN(seq), (SELECT COALESCE(MAX(seq), 0) + 1 FROM inputs)) FROM inputs WHERE time >= ?",
            (time,),
        )
        return found

    def running_cook_input(self) -> int | None:
        """seq of the input with which the running cook began, or None."""
        rows = self.disk.rows("SELECT first_input FROM kept_cooks WHERE ended IS NULL ORDER BY started DESC LIMIT 1")
        return rows[0][0] if rows else None

    def events(self, after: int = 0, cook: str | None = None) -> Iterator[dict[str, Any]]:
        """Committed events as JSON objects, oldest first, damaged ones left out; forecasts of long ago without their
        figures, which stand in the inputs (`daemon.shell.library.forecasts`)."""
        for (body,) in self.disk.rows(
            "SELECT body FROM events WHERE seq > ? AND (? IS NULL OR cook = ?) ORDER BY seq", (after, cook, cook)
        ):
            with contextlib.suppress(ValueError, TypeError):
                yield json.loads(body)
