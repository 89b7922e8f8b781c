"""What the journal can tell the page about past nights: the wakes of the running or newest cook, and its curves.

Every query opens a read connection of its own: it is asked from worker threads, and the watch must not wait for it.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

from daemon.shell.web.contract import CookCurve, CookRow, NotAvailable, WakeRow

NO_LIBRARY = "the library of past cooks is not part of this version; the journal keeps them all"
WAKES_SHOWN = 100


class CookRecords:
    """Reads the journal file; writes nothing."""

    def __init__(self, journal: Path) -> None:
        self._uri = f"file:{journal}?mode=ro"

    def wakes(self) -> Sequence[WakeRow]:
        """What woke or was held back in the newest cook, newest first, with the cook's own judgement where given."""
        with closing(sqlite3.connect(self._uri, uri=True)) as db:
            newest = db.execute("SELECT cook FROM events ORDER BY seq DESC LIMIT 1").fetchone()
            if newest is None:
                return []
            rows = db.execute(
                "SELECT time, name, body FROM events WHERE cook = ? AND name IN ('notification', 'wake-judged') "
                "ORDER BY seq DESC LIMIT ?",
                (newest[0], 10 * WAKES_SHOWN),
            ).fetchall()
        told = [(time, name, json.loads(body)) for time, name, body in rows]
        needed: dict[str, bool] = {}
        for _, name, body in reversed(told):
            if name == "wake-judged":
                needed[body["notification"]] = body["needed"]
        wakes = [_wake(time, body, needed) for time, name, body in told if name == "notification" and _counts(body)]
        return wakes[:WAKES_SHOWN]

    def rows(self, words: str, limit: int) -> Sequence[CookRow]:
        raise NotAvailable(NO_LIBRARY)

    def compare(self, ids: Sequence[str], max_points: int) -> Sequence[CookCurve]:
        raise NotAvailable(NO_LIBRARY)

    def report(self, cook: str) -> bytes:
        raise NotAvailable(NO_LIBRARY)


def _counts(body: dict[str, Any]) -> bool:
    return body["level"] == "wake" or bool(body["held_back"])


def _wake(time: float, body: dict[str, Any], needed: dict[str, bool]) -> WakeRow:
    return WakeRow(body["id"], time, body["text"], bool(body["held_back"]), needed.get(body["id"]))
