"""What the journal holds, read back: inputs, events, checkpoints and starts. Only what is committed is seen."""

from __future__ import annotations

import contextlib
import json
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from daemon.core.inputs import Input
from daemon.shell.journal.disk import Disk
from daemon.shell.journal.packed_inputs import BUNDLE, READINGS, inputs_of

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
        """The latest engine time anything was committed for."""
        with self.disk.lock:
            known = [
                time
                for table in ("inputs", "events", "checkpoints", "starts")
                for (time,) in self.disk.rows(f"SELECT time FROM {table} ORDER BY rowid DESC LIMIT 1")  # nosec B608  # one of these four names
            ]
            newest = self.disk.rows("SELECT kind, body FROM inputs ORDER BY seq DESC LIMIT 1")
        if newest and newest[0][0] in (READINGS, BUNDLE):
            known += [time for time, _ in inputs_of(0.0, *newest[0])]
        return max(known, default=None)

    def newest_event_time(self) -> float | None:
        time: float | None = self.disk.one("SELECT time FROM events ORDER BY seq DESC LIMIT 1")
        return time

    def inputs(self, after: int = 0, until: int | None = None) -> Iterator[tuple[float, Input]]:
        """Every committed input with seq > after (and <= until), oldest first. Damaged rows are skipped."""
        last = after
        while rows := self.disk.rows(
            "SELECT seq, time, kind, body FROM inputs WHERE seq > ? AND (? IS NULL OR seq <= ?) ORDER BY seq LIMIT ?",
            (last, until, until, ROWS_AT_ONCE),
        ):
            for last, time, kind, body in rows:  # noqa: B007 - `last` moves the window
                yield from inputs_of(time, kind, body)

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
        """Committed events as JSON objects, oldest first; forecasts of long ago without their figures, which stand in the
        inputs (`daemon.shell.library.forecasts`)."""
        rows = self.disk.rows(
            "SELECT body FROM events WHERE seq > ? AND (? IS NULL OR cook = ?) ORDER BY seq", (after, cook, cook)
        )
        return (json.loads(body) for (body,) in rows)
