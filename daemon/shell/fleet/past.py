"""What the journal holds beyond a cursor, in pieces small enough to send. Reads only; the watch goes on writing meanwhile."""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import astuple, dataclass, replace
from hashlib import sha256
from math import inf, nextafter
from pathlib import Path
from typing import Any, Final

from daemon.core.pit_profile import PitProfile
from daemon.core.readings.trace import MINUTE
from daemon.shell.fleet.pooling import Lesson, lessons_of
from daemon.shell.fleet.whereabouts import PLACING, Placing, Whereabouts
from daemon.shell.journal.connection import connect
from daemon.shell.journal.packed_inputs import packs_in
from daemon.shell.journal.profile_note import PITS_NOTE, profile_key
from daemon.shell.library.compaction import BUNDLE_SPAN
from daemon.shell.library.minutes import minute_medians
from daemon.shell.library.summary import FIGURES_BY_PIT
from daemon.shell.wording import input_from_json

BLOCK_MINUTES: Final = 10
"""Minutes of all channels in one block: a pit sends six rows an hour. Our choice."""
BLOCK: Final = BLOCK_MINUTES * MINUTE
SETTLED: Final = 2 * 90.0
"""s that readings may lie in the watch's memory before they are on disk, twice over"""
FORECASTS_BACK: Final = 1000
"""Newest events among which the forecasts are that may still stand: a piece has one every ten minutes."""
EVENTS_AT_ONCE: Final = 500
BYTES_AT_ONCE: Final = 1_000_000
BLOCKS_AT_ONCE: Final = 36
"""six hours"""
SOON: Final = 1800.0
"""s of standing still after which a start is one of somebody who came back, not of a watch that fell. Our choice."""
DIGESTED: Final = 7
"""Fields of a `CookRow` by which two states of it differ."""
ONE_PIT: Final[Mapping[str, str]] = {}
BUSY: Final = 5.0
"""s to wait for the watch's own writes"""


@dataclass(frozen=True, slots=True)
class Cursor:
    """Up to where the centre has everything. event, event_time: of the newest event it has, engine s, so that a journal that
    was begun anew is recognised. block: index of the newest block."""

    event: int = 0
    event_time: float = 0.0
    block: int = -1


@dataclass(frozen=True, slots=True)
class EventRow:
    """at: UTC, s since 1970. body: JSON. pit: of the board; "" the first."""

    seq: int
    time: float
    at: float
    name: str
    cook: str
    body: str
    pit: str = ""


@dataclass(frozen=True, slots=True)
class BlockRow:
    """Ten minutes of one pit. at: UTC of its first second. body: zlib of JSON {channel: [°C or null, one a minute]}. pit: of the
    board; "" the first, which also has the channels that belong to none."""

    index: int
    at: float
    body: bytes
    pit: str = ""


@dataclass(frozen=True, slots=True)
class CookRow:
    """One kept cook, or what of it was on one pit. started, ended: UTC; ended None while it runs. settings, notes, figures:
    JSON. began, done: the same by engine time. pit: of the board; "" the first."""

    id: str
    name: str
    started: float
    ended: float | None
    settings: str
    notes: str
    figures: str | None
    began: float = 0.0
    done: float = inf
    pit: str = ""

    @property
    def digest(self) -> str:
        """Tells one state of it from another: the centre keeps it, so that only what has changed is sent."""
        return sha256(repr(astuple(self)[:DIGESTED]).encode()).hexdigest()[:32]

    def by_pit(self, where: Whereabouts) -> list[CookRow]:
        """One for each pit that had a piece of it, with those pieces and its own figures."""
        if not where.pits.others:
            return [self]
        plain, used = json.loads(self.settings), where.used(self.began, self.done)
        pits = [pit for pit in where.pits.names if pit in used]
        figures = self._figures_of(pits[0])
        found = []
        for pit in pits:
            on = where.were_on(pit, self.began, self.done)
            settings = json.dumps(plain | {"pieces": [piece for piece in plain["pieces"] if piece["id"] in on]})
            found.append(replace(self, settings=settings, figures=figures.get(pit), pit=pit))
        return found

    def _figures_of(self, first: str) -> dict[str, str]:
        """By pit, JSON. first: of those that had meat: figures that an earlier release worked out are its alone."""
        told = None if self.figures is None else json.loads(self.figures)
        if not isinstance(told, dict):
            return {}
        own = told.pop(FIGURES_BY_PIT, {first: told})
        return {pit: json.dumps(figures) for pit, figures in own.items()}


class Past:
    """One journal file, opened for reading. Raises sqlite3.Error throughout where the disk or the file refuses."""

    def __init__(self, path: Path) -> None:
        self._db = connect(f"file:{path}?mode=ro", uri=True, timeout=BUSY)

    def close(self) -> None:
        self._db.close()

    def continued(self, cursor: Cursor) -> Cursor:
        """The cursor, if this is still the journal that it was made from; else the beginning of this one. What the centre has
        already it then refuses by its keys."""
        row = self._db.execute("SELECT time FROM events WHERE seq = ?", (cursor.event,)).fetchone()
        known = cursor.event == 0 or (row is not None and row[0] == cursor.event_time)
        return cursor if known else Cursor()

    def standing(self, until: int) -> Iterator[EventRow]:
        """The events up to this one from which it follows how the pit stands, in order."""
        for row in self._db.execute(
            """SELECT seq, time, time + wall_offset, name, cook, body FROM events
            WHERE seq <= ?1 AND (name IN ('alarm', 'stage', 'plan') OR (name = 'forecast' AND seq > ?1 - ?2)) ORDER BY seq""",
            (until, FORECASTS_BACK),
        ):
            yield EventRow(*row)

    def hurried_start(self, after: int, known: int) -> tuple[int, int]:
        """The newest start that came soon after the life before, as after a crash; one in the morning of a board that was
        off is none. after: number of the newest input that was looked at; known: what was found then. Both anew."""
        (newest,) = self._db.execute("SELECT COALESCE(MAX(seq), 0) FROM inputs").fetchone()
        for seq, time, body in self._db.execute(
            "SELECT seq, time, body FROM inputs WHERE seq > ? AND seq <= ? AND kind = 'Resumed' ORDER BY seq",
            (after, newest),
        ).fetchall():
            before = self._db.execute(
                "SELECT time FROM inputs WHERE seq < ? ORDER BY seq DESC LIMIT 1", (seq,)
            ).fetchone()
            if before and time - before[0] < SOON and json.loads(body).get("life"):
                known = seq
        return newest, known

    def events(self, after: int) -> list[EventRow]:
        """In order, at most EVENTS_AT_ONCE and about BYTES_AT_ONCE."""
        found: list[EventRow] = []
        size = 0
        for seq, time, offset, name, cook, body in self._db.execute(
            "SELECT seq, time, wall_offset, name, cook, body FROM events WHERE seq > ? ORDER BY seq LIMIT ?",
            (after, EVENTS_AT_ONCE),
        ):
            found.append(EventRow(seq, time, time + offset, name, cook, body))
            size += len(body)
            if size > BYTES_AT_ONCE:
                break
        return found

    def blocks(self, after: int, pit_of: Mapping[str, str] = ONE_PIT) -> list[BlockRow]:
        """Whole blocks with readings in them, in order: nothing more of their time can come. pit_of: channels of the pits beside
        the first. All pits' blocks of the same ten minutes come together."""
        newest = self._db.execute("SELECT time FROM inputs ORDER BY seq DESC LIMIT 1").fetchone()
        oldest = self._db.execute("SELECT time FROM inputs ORDER BY seq LIMIT 1").fetchone()
        if newest is None:
            return []
        whole = int((newest[0] - SETTLED) // BLOCK)
        first = max(after + 1, int(oldest[0] // BLOCK))
        found: list[BlockRow] = []
        while first < whole and len(found) < BLOCKS_AT_ONCE:
            last = min(first + BLOCKS_AT_ONCE, whole)
            found += self._made(first, last, pit_of)
            first = last
        return found

    def _made(self, first: int, last: int, pit_of: Mapping[str, str]) -> Iterator[BlockRow]:
        begin, end = first * BLOCK, last * BLOCK
        rows = self._db.execute(
            "SELECT time, kind, body FROM inputs WHERE seq >= ? AND seq < ? ORDER BY seq",
            (self._row_at("inputs", begin - BUNDLE_SPAN), self._row_at("inputs", end)),
        )
        packs = list(packs_in(rows))
        count = (last - first) * BLOCK_MINUTES
        medians = minute_medians(packs, first * BLOCK_MINUTES, first * BLOCK_MINUTES + count - 1, {})
        for index in range(first, last):
            at = (index - first) * BLOCK_MINUTES
            values: dict[str, list[float | None]] = {
                channel: [None if one != one else round(one, 2) for one in series[at : at + BLOCK_MINUTES]]
                for channel, series in medians.items()
            }
            there = {channel: series for channel, series in values.items() if any(one is not None for one in series)}
            utc = index * BLOCK + self._offset(index * BLOCK) if there else 0.0
            for pit in sorted({pit_of.get(channel, "") for channel in there}):
                own = {channel: series for channel, series in there.items() if pit_of.get(channel, "") == pit}
                yield BlockRow(index, utc, zlib.compress(json.dumps(own).encode(), 9), pit)

    def _row_at(self, table: str, time: float) -> int:
        """seq of the first row not before this time, by halving: time rises with seq, and has no index."""
        ends = f"SELECT COALESCE(MIN(seq), 0), COALESCE(MAX(seq), 0) + 1 FROM {table}"  # nosec B608  # one of two names
        step = f"SELECT seq, time FROM {table} WHERE seq >= ? ORDER BY seq LIMIT 1"  # nosec B608  # one of two names
        low, high = self._db.execute(ends).fetchone()
        while low < high:
            middle = (low + high) // 2
            seq, there = self._db.execute(step, (middle,)).fetchone()
            low, high = (seq + 1, high) if there < time else (low, middle)
        return int(low)

    def _offset(self, time: float) -> float:
        """UTC less engine time, by the nearest event up to it, or the first one."""
        after = self._row_at("events", nextafter(time, inf))
        row = (
            self._db.execute(
                "SELECT wall_offset FROM events WHERE seq < ? ORDER BY seq DESC LIMIT 1", (after,)
            ).fetchone()
            or self._db.execute("SELECT wall_offset FROM events ORDER BY seq LIMIT 1").fetchone()
        )
        return 0.0 if row is None else float(row[0])

    def cooks(self, *, since: int = 0) -> list[CookRow]:
        """Those that began at this input or later, oldest first."""
        return [
            CookRow(
                key,
                name,
                started + offset,
                None if ended is None else ended + offset,
                settings,
                notes,
                figures,
                started,
                inf if ended is None else ended,
            )
            for key, name, started, ended, offset, settings, notes, figures in self._db.execute(
                "SELECT id, name, started, ended, wall_offset, settings, notes, figures FROM kept_cooks "
                "WHERE first_input >= ? ORDER BY started",
                (since,),
            )
        ]

    def newest_cook(self) -> int:
        """The input at which the newest one began, or the oldest one that runs or has no figures yet; 0 without any. What is
        told of those changes by itself; of older ones only what somebody writes about them."""
        (first,) = self._db.execute(
            """SELECT COALESCE(MIN(first_input), (SELECT MAX(first_input) FROM kept_cooks), 0)
            FROM kept_cooks WHERE ended IS NULL OR figures IS NULL"""
        ).fetchone()
        return int(first)

    def placings(self, after: int) -> tuple[int, list[Placing]]:
        """Where orders since that input put pieces, and the newest input that was looked at."""
        (newest,) = self._db.execute("SELECT COALESCE(MAX(seq), 0) FROM inputs").fetchone()
        kinds = [kind.__name__ for kind in PLACING]
        rows = self._db.execute(
            f"SELECT time, seq, kind, body FROM inputs WHERE seq > ? AND seq <= ? AND kind IN ({', '.join('?' * len(kinds))})",  # nosec B608
            (after, newest, *kinds),  # as many question marks as kinds
        )
        return newest, [Placing(time, seq, input_from_json(kind, body)) for time, seq, kind, body in rows]

    def begun(self) -> list[Placing]:
        """Where the pieces of each kept cook were at its start: one that came with the cook file was begun by no order."""
        return [
            Placing(started, first, {piece["id"]: piece.get("pit", "") for piece in json.loads(settings)["pieces"]})
            for started, first, settings in self._db.execute("SELECT started, first_input, settings FROM kept_cooks")
        ]

    def pit_order(self) -> Any:
        """The ids of the board's pits as the watch noted them, the first first; None where it noted none."""
        row = self._db.execute("SELECT body FROM notes WHERE key = ?", (PITS_NOTE,)).fetchone()
        try:
            return json.loads(row[0]) if row else None
        except (ValueError, RecursionError):
            return None

    def lessons(self, pit: str = "") -> list[Lesson]:
        """What this pit's fires have shown, by the profile that the watch keeps; none where it cannot be read."""
        row = self._db.execute("SELECT body FROM notes WHERE key = ?", (profile_key(pit),)).fetchone()
        try:
            return lessons_of(PitProfile.from_plain(json.loads(row[0])).fire) if row else []
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
            return []


def channels_of(body: bytes) -> dict[str, list[float | None]]:
    """The inverse of a block's body."""
    found: dict[str, Any] = json.loads(zlib.decompress(body))
    return found
