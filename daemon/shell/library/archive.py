"""Opens and closes the rows of the library of cooks, and works out what a finished cook came to.

What the rows say follows from the journal's own inputs: the archive reads the starts and ends it has not seen yet, so a
crash between an input and its row loses nothing and a restart adds nothing. All of it may wait for the disk: call it in a
thread, one call at a time.
"""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from typing import Any

from daemon.core.orders import EndCook, StartCook
from daemon.core.pit_profile import CookLessons
from daemon.core.settings import CookSettings, Role, WatchSettings, cook_from_plain, cook_to_plain
from daemon.shell.journal.journal import Journal
from daemon.shell.library.records import CookRecords, reading
from daemon.shell.library.summary import FIGURES_BY_PIT, figures, lessons
from daemon.shell.library.worked import changes_in, worked
from daemon.shell.wording import input_from_json

_DATED = re.compile(r"\d{4}-\d{2}-\d{2}-")


@dataclass(frozen=True, slots=True)
class _Open:
    """The cook that runs. settings: as it was started; first: seq of the input that started it."""

    id: str
    cook: str
    started: float
    settings: CookSettings
    first: int


class CookArchive:
    """Call `tend` again and again with the settings the watch runs by."""

    def __init__(self, journal: Journal) -> None:
        self._journal = journal
        self._seen: CookSettings | None = None
        self._ids: set[str] = set()
        self._after = 0
        """seq of the input that started the newest cook."""
        self._open: _Open | None = None
        self._closing: set[str] = set()
        """Cooks whose end may not be on disk yet."""
        self._all_told = False

    def tend(self, settings: WatchSettings, wall_offset: float) -> bool:
        """Bring the rows up to the present cook; whether any changed. A disk that refuses is asked again at the next call."""
        if settings.cook is self._seen or self._journal.trouble:
            return False
        before = self._open
        try:
            if self._seen is None:
                self._load()
            self._follow(settings, wall_offset)
            if self._seen is None:
                self._begin(settings, wall_offset)
        except sqlite3.Error:
            return False
        if self._open is not None or not settings.cook.pieces:
            self._seen = settings.cook
        return self._open is not before

    def finished(self) -> list[tuple[str, CookLessons]]:
        """Work out the figures of cooks that ended since; what each taught of which pit, oldest first.

        With nothing to do it leaves the file alone: opening it to look writes a page, each time, to the card.
        """
        if self._journal.trouble or (self._all_told and not self._closing):
            return []
        records, told = CookRecords(self._journal.path), list[tuple[str, CookLessons]]()
        with reading(self._journal.path) as db:
            ids = db.execute(
                "SELECT id FROM kept_cooks WHERE ended IS NOT NULL AND figures IS NULL ORDER BY started"
            ).fetchall()
        self._all_told = not ids
        for (id_,) in ids:
            self._closing.discard(id_)
            kept = records.kept(id_)
            told += [(pit, lessons(kept.of(pit))) for pit in kept.pits_with_meat]
            own = {pit: asdict(figures(kept.of(pit))) for pit in kept.pits_with_meat} if kept.pits else {}
            plain = json.dumps(asdict(figures(kept.view())) | ({FIGURES_BY_PIT: own} if own else {}))
            self._journal.change("UPDATE kept_cooks SET figures = ? WHERE id = ?", (plain, id_))
        return told

    def _load(self) -> None:
        with reading(self._journal.path) as db:
            found = db.execute(
                "SELECT id, cook, started, ended, first_input, settings FROM kept_cooks ORDER BY first_input"
            ).fetchall()
        self._ids = {row[0] for row in found}
        self._after = max((row[4] for row in found), default=0)
        running = next((row for row in found if row[3] is None), None)
        self._open = (
            None
            if running is None
            else _Open(running[0], running[1], running[2], cook_from_plain(json.loads(running[5])), running[4])
        )

    def _follow(self, settings: WatchSettings, offset: float) -> None:
        for seq, time, item in self._starts_and_ends():
            if isinstance(item, EndCook):
                self._close(time, offset)
            elif _can_start(item.cook, settings):
                self._close(time, offset)
                self._start(item.cook, settings, time, seq, offset)

    def _begin(self, settings: WatchSettings, offset: float) -> None:
        """After a start of the watch: a cook that no input started came with the rig's cook file."""
        if self._open is not None and not _same(self._became(self._open, settings), settings.cook):
            self._close(self._last_event(self._open), offset)
        start = self._journal.newest_start()
        if self._open is None and settings.cook.pieces and start is not None:
            self._start(settings.cook, settings, start.time, start.input, offset)

    def _starts_and_ends(self) -> list[tuple[int, float, StartCook | EndCook]]:
        with reading(self._journal.path) as db:
            rows = db.execute(
                "SELECT seq, time, kind, body FROM inputs WHERE seq > ? AND kind IN ('StartCook', 'EndCook') ORDER BY seq",
                (self._after,),
            ).fetchall()
        found = []
        for seq, time, kind, body in rows:
            item = input_from_json(kind, body)
            assert isinstance(item, StartCook | EndCook)
            found.append((seq, time, item))
        return found

    def _start(self, cook: CookSettings, settings: WatchSettings, time: float, seq: int, offset: float) -> None:
        id_ = free_id(cook.id, time + offset, self._ids.__contains__)
        self._ids.add(id_)
        self._after = max(self._after, seq)
        self._open = _Open(id_, cook.id, time, cook, seq)
        self._journal.change(*row_of_cook(id_, cook, settings, time, None, offset, seq))

    def _close(self, time: float, offset: float) -> None:
        if self._open is None:
            return
        self._journal.change(
            "UPDATE kept_cooks SET ended = ?, wall_offset = ? WHERE id = ?",
            (max(time, self._open.started), offset, self._open.id),
        )
        self._closing.add(self._open.id)
        self._open = None

    def _became(self, cook: _Open, settings: WatchSettings) -> CookSettings:
        """The cook as it stands by the orders that were given since it was started."""
        with reading(self._journal.path) as db:
            changes = [(time, change) for _, time, change in changes_in(db, cook.first)]
        return worked(cook.settings, cook.started, settings.ids_with(Role.MEAT), changes, settings.pit_names).cook

    def _last_event(self, cook: _Open) -> float:
        with reading(self._journal.path) as db:
            (last,) = db.execute(
                "SELECT MAX(time) FROM events WHERE cook = ? AND time >= ?", (cook.cook, cook.started)
            ).fetchone()
        return cook.started if last is None else float(last)


def row_of_cook(
    id_: str, cook: CookSettings, settings: WatchSettings, started: float, ended: float | None, offset: float, seq: int
) -> tuple[str, tuple[Any, ...]]:
    """The statement that adds a cook to the library, and its values."""
    return (
        "INSERT OR IGNORE INTO kept_cooks (id, cook, name, pit, started, ended, wall_offset, settings, channels, first_input) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            id_, cook.id, cook.name, settings.pit_name, started, ended, offset,
            json.dumps(cook_to_plain(cook)), json.dumps([asdict(channel) for channel in settings.channels]), seq,
        ),
    )  # fmt: skip


def free_id(cook: str, utc: float, taken: Callable[[str], bool]) -> str:
    """Day of the start and cook id, with a number where that is taken. An id that begins with a day, as the page makes
    them, keeps its own."""
    day = datetime.fromtimestamp(utc, UTC).strftime("%Y-%m-%d")
    plain, number = cook if _DATED.match(cook) else f"{day}-{cook}", 2
    name = plain
    while taken(name):
        name, number = f"{plain}-{number}", number + 1
    return name


def _can_start(cook: CookSettings, settings: WatchSettings) -> bool:
    """As the engine decides it: every piece has a meat channel, or no probe of its own, and a pit."""
    known, pits = settings.ids_with(Role.MEAT), settings.pit_names
    return all((piece.channel is None or piece.channel in known) and piece.pit in pits for piece in cook.pieces)


def _same(one: CookSettings, other: CookSettings) -> bool:
    """The serving time is put in engine time anew at every start, so its last digits say nothing; and a newer program may name
    a rule in other words."""
    return _bare(one) == _bare(other)


def _bare(cook: CookSettings) -> CookSettings:
    """Without what another start may say otherwise of the same cook."""
    pieces = tuple(replace(piece, safe_rule="", serve_at=None) for piece in cook.pieces)
    return replace(cook, serve_at=None, pieces=pieces, hold=replace(cook.hold, rule=""))
