"""What can still be read of a damaged journal, row by row, newest first.

SQLite tells of damage page by page, when it meets it, and of some damage not at all: one character of a text is as good as
another to it. So each row that can be fetched is also looked at with the eyes of whoever reads it later.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
import zlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache
from math import isfinite
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter

from daemon.core.said import Text, say
from daemon.core.settings import ChannelSettings, CookSettings, cook_from_plain
from daemon.shell.clock import boot_seconds
from daemon.shell.event_shape import event_fits
from daemon.shell.journal.connection import connect
from daemon.shell.journal.file import DAMAGED, NEW, code_of, remove, schema, set_aside
from daemon.shell.journal.packed_inputs import BUNDLE, READINGS, readable
from daemon.shell.state.whole_file import put_in_place
from daemon.texts.composer import PLAIN

RESCUE_WITHIN = 60.0
"""s after which older rows are left in the damaged file: a watch that waits for its past wakes nobody."""
LOOK_AT_THE_CLOCK = 1000
"""Steps of SQLite's virtual machine from one look at the clock to the next: under a millisecond."""
FURTHEST = 1e11
"""s: engine times beyond it are garbage (the year 5138), and so great that they would swallow a step of a millisecond."""
COOK_COLUMNS = ("started", "ended", "wall_offset", "settings", "channels", "first_input", "notes", "figures")
SOUND_VIEWS = """PRAGMA temp_store = MEMORY;
CREATE TEMP VIEW kept_cooks AS SELECT * FROM main.kept_cooks WHERE cook_is_sound(COLUMNS);
CREATE TEMP VIEW events AS SELECT * FROM main.events WHERE event_is_sound(name, body);
CREATE TEMP VIEW inputs AS SELECT * FROM main.inputs WHERE input_is_sound(kind, body);"""
LARGEST_STEP = 2**61
TABLES = ("starts", "checkpoints", "notes", "outbox", "kept_cooks", "events", "inputs")
"""What a start needs comes first."""


@dataclass(slots=True)
class Rescued:
    """Rows kept and rows that could be fetched and were garbage, by table. gaps: stretches that could not be fetched at all.
    late: the time ran out."""

    kept: dict[str, int] = field(default_factory=lambda: dict.fromkeys(TABLES, 0))
    garbage: dict[str, int] = field(default_factory=lambda: dict.fromkeys(TABLES, 0))
    gaps: dict[str, int] = field(default_factory=lambda: dict.fromkeys(TABLES, 0))
    late: bool = False

    @property
    def words(self) -> str:
        """For the cook."""
        lost = tuple(
            say(
                "disk.lost-more" if self.gaps[table] else "disk.lost",
                table=table.replace("_", " "),
                rows=self.garbage[table],
            )
            for table in TABLES
            if self.garbage[table] or self.gaps[table]
        )
        told: list[Text] = [say("disk.kept", rows=sum(self.kept.values()))]
        told.append(say("disk.lost-all", lost=lost) if lost else say("disk.lost-none"))
        return "; ".join(map(PLAIN.say, [*told, *([say("disk.left")] if self.late else [])]))


def copied(db: sqlite3.Connection, made: Path) -> str:
    """The whole database in a new file if it can be read, else what can be rescued of it; in words. On the disk when this
    returns. Raises sqlite3.Error and OSError."""
    with contextlib.closing(connect(made, isolation_level=None)) as new:
        new.execute("PRAGMA synchronous = FULL")
        try:
            db.backup(new)
            sound = new.execute("PRAGMA quick_check(1)").fetchall() == [("ok",)]
        except sqlite3.Error as error:
            if code_of(error) not in DAMAGED:
                raise
            sound = False
    if sound:
        return PLAIN.words("disk.whole")
    remove(made)
    with contextlib.closing(connect(made, isolation_level=None)) as new:
        return rescue(db, new).words


def rescued(path: Path) -> str:
    """Put what can be read of a damaged file in its place; it is set aside. In words, what is kept. Raises sqlite3.Error and
    OSError."""
    made = path.with_name(path.name + NEW)
    remove(made)
    with (
        contextlib.closing(connect(path, isolation_level=None)) as damaged,
        contextlib.closing(connect(made, isolation_level=None)) as new,
    ):
        new.execute("PRAGMA synchronous = FULL")
        words = rescue(damaged, new).words
    set_aside(path)
    put_in_place(made, path)
    return words


def rescue(damaged: sqlite3.Connection, target: sqlite3.Connection) -> Rescued:
    """Copy what can be read into a new database, which gets its schema here. Raises sqlite3.Error for the target alone."""
    target.executescript(schema())
    damaged.text_factory = lambda raw: raw.decode("utf-8")
    found, until = Rescued(), boot_seconds() + RESCUE_WITHIN
    damaged.set_progress_handler(lambda: boot_seconds() > until, LOOK_AT_THE_CLOCK)
    target.execute("BEGIN IMMEDIATE")
    for table in TABLES:
        columns = [name for _, name, *_ in target.execute(f"PRAGMA table_info({table})")]
        insert = f"INSERT OR IGNORE INTO {table} VALUES ({','.join('?' * len(columns))})"  # nosec B608  # one of TABLES
        for row in _fetched(damaged, table, columns, found):
            if not sound(table, dict(zip(columns, row, strict=True))):
                found.garbage[table] += 1
                continue
            try:
                found.kept[table] += target.execute(insert, row).rowcount
            except (sqlite3.IntegrityError, OverflowError, UnicodeEncodeError):
                found.garbage[table] += 1
    target.execute("COMMIT")
    damaged.set_progress_handler(None, 0)
    return found


def _fetched(db: sqlite3.Connection, table: str, columns: list[str], found: Rescued) -> Iterator[tuple[Any, ...]]:
    """Its rows, newest first; past what cannot be fetched by steps that double until something can. Each number is smaller than
    the one before: a damaged page can lead back to where it was reached from, and its rows would never end."""
    query = f"SELECT rowid, {', '.join(columns)} FROM {table} NOT INDEXED WHERE rowid < ? ORDER BY rowid DESC"  # nosec B608
    before, step = 2**62, 1
    while step < LARGEST_STEP and before > -(2**62):
        try:
            for number, *row in db.execute(query, (before,)):
                if number >= before:
                    raise sqlite3.DatabaseError("a page leads back to where it was reached from")
                before, step = number, 1
                yield tuple(row)
            return
        except sqlite3.OperationalError as error:
            if code_of(error) == sqlite3.SQLITE_INTERRUPT:
                found.late = True
                return
            if "no such" in str(error):  # no such table, or not with these columns
                found.gaps[table] += 1
                return
            before, step = _beyond(db, table, before, step, found)
        except (sqlite3.DatabaseError, UnicodeDecodeError, OverflowError):
            before, step = _beyond(db, table, before, step, found)


def _beyond(db: sqlite3.Connection, table: str, before: int, step: int, found: Rescued) -> tuple[int, int]:
    found.gaps[table] += step == 1
    if before == 2**62:  # the newest of all cannot be fetched: begin at the largest number that can be found
        with contextlib.suppress(sqlite3.Error):
            row = db.execute(f"SELECT MAX(rowid) FROM {table}").fetchone()  # nosec B608  # one of TABLES
            if row and isinstance(row[0], int):
                return row[0], step
    return before - step, step * 2


def sound(table: str, row: Mapping[str, Any]) -> bool:
    """Whoever reads this row later can read it."""
    try:
        return _SOUND[table](row)
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError, zlib.error):
        return False


def times_sound(*times: Any) -> bool:
    return all(isinstance(t, int | float) and isfinite(t) and abs(t) < FURTHEST for t in times)


def _start(row: Mapping[str, Any]) -> bool:
    texts = isinstance(row["boot"], str) and isinstance(row["rig"], str) and isinstance(row["cook"], str | None)
    return texts and times_sound(row["input"], row["time"], row["boot_seconds"])


def _checkpoint(row: Mapping[str, Any]) -> bool:
    state = json.loads(zlib.decompress(row["body"]))
    return isinstance(state, dict) and times_sound(row["input"], row["event"], row["time"])


def _note(row: Mapping[str, Any]) -> bool:
    json.loads(row["body"])
    return isinstance(row["key"], str)


def _message(row: Mapping[str, Any]) -> bool:
    body = json.loads(row["body"])
    texts = all(isinstance(row[key], str) for key in ("id", "channel", "alarm", "state", "detail"))
    whole = all(isinstance(body[key], str) for key in ("id", "level", "title", "text"))
    return texts and whole and times_sound(row["time"], row["not_after"], row["attempts"], row["next_try"])


def _kept_cook(row: Mapping[str, Any]) -> bool:
    notes, figures = json.loads(row["notes"]), None if row["figures"] is None else json.loads(row["figures"])
    _cook_adapter().validate_json(row["settings"], strict=True)
    cook_from_plain(json.loads(row["settings"]))
    channels_of(row["channels"])
    ended = 0.0 if row["ended"] is None else row["ended"]
    return (
        isinstance(notes, dict)
        and isinstance(figures, dict | None)
        and times_sound(row["started"], ended, row["wall_offset"], row["first_input"])
    )


def channels_of(text: str) -> tuple[ChannelSettings, ...]:
    """The channels of a kept cook as its row has them, whatever else stands there. Raises ValueError."""
    return _channels_adapter().validate_json(text, strict=True)


@cache
def _cook_adapter() -> TypeAdapter[CookSettings]:
    return TypeAdapter(CookSettings)


@cache
def _channels_adapter() -> TypeAdapter[tuple[ChannelSettings, ...]]:
    return TypeAdapter(tuple[ChannelSettings, ...])


def _event(row: Mapping[str, Any]) -> bool:
    texts = isinstance(row["name"], str) and isinstance(row["cook"], str)
    return texts and times_sound(row["time"], row["wall_offset"]) and event_sound(row["name"], row["body"])


def event_sound(name: str, body: str | bytes) -> bool:
    """The body of an event has the shape it was written in. Raises ValueError for what is no JSON, and KeyError."""
    event = json.loads(body)
    return isinstance(event, dict) and event["event"] == name and event_fits(event)


def sound_only(db: sqlite3.Connection) -> None:
    """From now on, what this connection reads of events, cooks and plain inputs leaves out what is damaged: the tables are
    seen through views of the same names, and text is made of any bytes."""

    def cook_is_sound(*values: Any) -> bool:
        return sound("kept_cooks", dict(zip(COOK_COLUMNS, values, strict=True)))

    def event_is_sound(name: Any, body: Any) -> bool:
        try:
            return event_sound(name, body)
        except (ValueError, TypeError, KeyError, RecursionError):
            return False

    def input_is_sound(kind: Any, body: Any) -> bool:
        return kind in (READINGS, BUNDLE) or sound("inputs", {"time": 0.0, "kind": kind, "body": body})

    db.text_factory = lambda raw: raw.decode("utf-8", "replace")
    db.create_function("cook_is_sound", len(COOK_COLUMNS), cook_is_sound, deterministic=True)
    db.create_function("event_is_sound", 2, event_is_sound, deterministic=True)
    db.create_function("input_is_sound", 2, input_is_sound, deterministic=True)
    db.executescript(SOUND_VIEWS.replace("COLUMNS", ", ".join(COOK_COLUMNS)))


def _input(row: Mapping[str, Any]) -> bool:
    return times_sound(row["time"]) and readable(row["time"], row["kind"], row["body"])


_SOUND: dict[str, Callable[[Mapping[str, Any]], bool]] = {
    "starts": _start, "checkpoints": _checkpoint, "notes": _note, "outbox": _message, "kept_cooks": _kept_cook,
    "events": _event, "inputs": _input,
}  # fmt: skip
