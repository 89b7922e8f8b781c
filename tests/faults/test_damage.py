"""Any damage of the state directory: a start judges and wakes, writes again, gives no id twice, and answers what is asked.

    python -m tests.faults.test_damage COPIES SEED

Real starts of the wired watch, in virtual seconds, each on its own damaged copy of one journal: random bytes, pages and
lengths, the log beside it lost or torn, rows that SQLite finds nothing wrong with and no reader can read.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import random
import resource
import shutil
import sqlite3
import sys
import tempfile
import traceback
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from daemon.core.events import AlarmState, Event, Level, Notification
from daemon.core.grace import GRACE
from daemon.core.inputs import Readings
from daemon.core.orders import Mark, MarkKind, StartCook
from daemon.shell.clock import ManualClock
from daemon.shell.journal import journal as journal_module
from daemon.shell.journal import rescue
from daemon.shell.journal.file import JournalUnavailable
from daemon.shell.journal.journal import Journal, Start
from daemon.shell.library import records
from daemon.shell.library.records import CookRecords
from daemon.shell.library.rows import UnknownCook
from daemon.shell.state.running_cook import RUNNING_FILE
from daemon.shell.web.page import marks_before
from daemon.wiring.state_directory import JOURNAL_FILE
from daemon.wiring.watch import Files, Watch
from drivers.reading import Reading, on_grid
from tests.faults.row import Fault, Row, cases, check
from tests.faults.stage import NOON
from tests.faults.test_clock import catch_up
from tests.faults.test_disk import patched
from tests.patience import PATIENCE
from tests.shell.kept_cooks import SHORT, make_journal

STEP = 5.0
"""s between readings."""
WOKEN_WITHIN = 900.0
"""s from a start under a pit that is far too hot until somebody is woken: grace, on-delay and a wait between two calls."""
HOT, IN_BAND = 168.0, 121.0
PITS, MEATS = ("pit-left", "pit-right", "pit-firebox"), ("chuck", "chuck-edge", "lamb")
MEMORY = 3 << 30
"""Bytes a start may take here before it fails: damage must not fill the memory either."""
LOST = "record-lost/cook"
"""Key of the alarm that asks what is on the fire."""
FEW = 8
"""Copies tried at every run."""
CALM = 1800.0
"""s of a pit in the band before it runs away in the life that leaves the journal behind."""


class Life:
    """A wired watch whose seconds pass when we say so."""

    def __init__(self, home: Path) -> None:
        self.clock = ManualClock(NOON)
        self.watch = Watch(Files(home / "rig.toml", home / "cook.toml", home), self.clock, 1e9)
        self.clock.time = max(NOON, (self.watch.journal.newest_time() or NOON) + 30.0)
        self.told: list[Notification] = []

    async def __aenter__(self) -> Life:
        settle = self.watch.loop.settle

        async def heard(item: Any, events: list[Event], now: float) -> None:
            self.told += [e for e in events if isinstance(e, Notification) and e.level is not Level.LOG]
            await settle(item, events, now)

        self.watch.loop.settle = heard  # type: ignore[method-assign]
        await self.watch._begin()
        return self

    async def __aexit__(self, *error: object) -> None:
        await self.watch._end()

    async def pit(self, celsius: float, seconds: float, stop: Callable[[], bool] = lambda: False) -> None:
        until = self.clock.time + seconds
        while self.clock.time < until and not stop():
            self.clock.time += STEP
            now, wobble = self.watch.loop.stamp(), 0.25 * (int(self.clock.time / STEP) % 2)
            shown = {**dict.fromkeys(PITS, celsius + wobble), **dict.fromkeys(MEATS, 40.0 + wobble)}
            self.watch.loop.post(Readings(tuple(Reading(c, on_grid(v), now) for c, v in shown.items())))
            await catch_up(self.watch.loop)
            if self.watch.loop._queue.empty() and self.watch.journal.flush_due(now):
                with contextlib.suppress(JournalUnavailable):
                    self.watch.journal.commit(now)

    @property
    def woke(self) -> bool:
        return any(n.level is Level.WAKE for n in self.told)


@cache
def left_behind() -> tuple[Path, frozenset[str]]:
    """The state directory of a watch that was killed while it called somebody, with two older cooks in its journal, and
    the ids it had given out."""
    home = Path(tempfile.mkdtemp(prefix="damage-"))
    make_journal(home, SHORT)
    rig = home / "rig.toml"  # quiet hours all day, so that an alarm is a wake
    rig.write_text(rig.read_text().replace('"22:30"', '"00:01"').replace('"06:30"', '"00:00"'))

    async def live() -> frozenset[str]:
        async with Life(home) as life:
            watch = life.watch
            assert watch.cook is not None
            watch.loop.post(StartCook(watch._build_cook(watch.cook), "test"))
            watch.loop.post(Mark(MarkKind.MEAT_ON))
            await life.pit(IN_BAND, CALM)
            await life.pit(HOT, WOKEN_WITHIN)
            assert life.woke, "nobody was woken in the life that should be damaged later"
            watch._keep_running_cook()  # which the watch does every half minute
            watch.journal.commit(watch.loop.stamp())
            for end in ("", "-wal"):  # as a kill leaves them: closing would work the log in
                shutil.copy(home / f"{JOURNAL_FILE}{end}", home / f"kept{end}")
            with contextlib.closing(sqlite3.connect(watch.journal.path)) as db:
                rows = db.execute("SELECT body FROM events WHERE name = 'notification'").fetchall()
            return frozenset(json.loads(body)["id"] for (body,) in rows)

    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(1) as pool:  # so that a test with a loop of its own may ask too
        ids = pool.submit(asyncio.run, live()).result()
    return home, ids


def copied(to: Path) -> Path:
    home, _ = left_behind()
    to.mkdir(parents=True)
    for name in ("rig.toml", "cook.toml", RUNNING_FILE):
        shutil.copy(home / name, to / name)
    for end in ("", "-wal"):
        shutil.copy(home / f"kept{end}", to / f"{JOURNAL_FILE}{end}")
    return to


# --- what is done to a copy ----------------------------------------------------------------------------------

PAGE = 4096
"""SQLite's usual page, and that of our journals."""


def scattered(chance: random.Random, file: Path) -> None:
    """Random bytes at random places."""
    raw = bytearray(file.read_bytes())
    for _ in range(chance.choice((1, 3, 10, 50)) if raw else 0):
        at = chance.randrange(len(raw))
        raw[at : at + 4] = chance.randbytes(4)[: len(raw) - at]
    file.write_bytes(raw)


def pages(chance: random.Random, file: Path) -> None:
    """Whole pages of nothing, of noise, or of another page."""
    raw = bytearray(file.read_bytes())
    count = len(raw) // PAGE
    for _ in range(chance.choice((1, 2, 8)) if count else 0):
        at, other = chance.randrange(count) * PAGE, chance.randrange(count) * PAGE
        raw[at : at + PAGE] = chance.choice((bytes(PAGE), chance.randbytes(PAGE), raw[other : other + PAGE]))
    file.write_bytes(raw)


def shortened(chance: random.Random, file: Path) -> None:
    raw = file.read_bytes()
    file.write_bytes(raw[: chance.randrange(len(raw) + 1)] if raw else b"")


def in_file(act: Callable[[random.Random, Path], None]) -> Callable[[random.Random, Path], None]:
    def damage(chance: random.Random, home: Path) -> None:
        act(chance, home / (JOURNAL_FILE + chance.choice(("", "", "-wal"))))

    return damage


def rows(chance: random.Random, home: Path) -> None:
    """Values that SQLite takes and no reader can: in any table, any row, any column."""
    with contextlib.closing(sqlite3.connect(home / JOURNAL_FILE, isolation_level=None)) as db:
        db.text_factory = bytes
        for _ in range(chance.choice((1, 3, 30))):
            table = chance.choice(rescue.TABLES)
            columns = [
                (name.decode(), kind.decode()) for _, name, kind, *_ in db.execute(f"PRAGMA table_info({table})")
            ]
            numbers = [number for (number,) in db.execute(f"SELECT rowid FROM {table}")]
            if not numbers:
                continue
            name, kind = chance.choice(columns)
            number = chance.choice((*numbers, numbers[-1], numbers[-1], numbers[-1]))
            (old,) = db.execute(f"SELECT {name} FROM {table} WHERE rowid = ?", (number,)).fetchone()
            with contextlib.suppress(sqlite3.IntegrityError):
                if kind in ("REAL", "INTEGER"):
                    new: Any = chance.choice(
                        (0, -5, 2**40, 10**10, -(10**10)) if kind == "INTEGER" else (0.0, 1e300, 1e10, -1e10)
                    )
                    db.execute(f"UPDATE {table} SET {name} = ? WHERE rowid = ?", (new, number))
                else:
                    text = bytearray(old or b"x")
                    text[chance.randrange(len(text))] = chance.choice(
                        (0xFF, 0x00, ord("x"), ord('"'), ord("}"), ord("9"))
                    )
                    cast = "TEXT" if kind == "TEXT" else "BLOB"
                    db.execute(f"UPDATE {table} SET {name} = CAST(? AS {cast}) WHERE rowid = ?", (bytes(text), number))


def log_gone(chance: random.Random, home: Path) -> None:
    (home / f"{JOURNAL_FILE}-wal").unlink()


def nothing_left(chance: random.Random, home: Path) -> None:
    (home / JOURNAL_FILE).write_bytes(chance.choice((b"", b"no database at all" * 99)))


def shared_memory(chance: random.Random, home: Path) -> None:
    (home / f"{JOURNAL_FILE}-shm").write_bytes(chance.randbytes(32768))


def a_directory(chance: random.Random, home: Path) -> None:
    (home / JOURNAL_FILE).unlink()
    (home / JOURNAL_FILE).mkdir()


def table_gone(chance: random.Random, home: Path) -> None:
    with contextlib.closing(sqlite3.connect(home / JOURNAL_FILE)) as db:
        db.execute(f"ALTER TABLE {chance.choice(rescue.TABLES)} RENAME TO other")


def schema_letters(chance: random.Random, home: Path) -> None:
    """Some bytes of the words that make the tables: SQLite quotes them when it complains, and they need not be text."""
    file = home / JOURNAL_FILE
    data = bytearray(file.read_bytes())
    first = data.index(b"CREATE TABLE")
    for _ in range(chance.randrange(1, 4)):
        data[first + chance.randrange(900)] = chance.randrange(256)
    file.write_bytes(bytes(data))


DAMAGES: tuple[Callable[[random.Random, Path], None], ...] = (
    in_file(scattered), in_file(scattered), in_file(pages), in_file(pages), in_file(shortened), rows, rows, rows, rows,
    log_gone, nothing_left, shared_memory, a_directory, table_gone, schema_letters,
)  # fmt: skip


# --- what must hold then --------------------------------------------------------------------------------------


async def start_and_live(home: Path) -> list[str]:
    """What does not hold of a start on this directory."""
    _, given = left_behind()
    broken = []
    async with Life(home) as life:
        await life.pit(HOT, WOKEN_WITHIN, lambda: life.woke)
        life.watch.journal.commit(life.watch.loop.stamp())
        await life.watch._check_journal()  # which the watch does in the background
        if not life.woke:
            broken.append("nobody was woken")
        if twice := {n.id for n in life.told} & given:
            broken.append(f"ids with two meanings: {sorted(twice)}")
        broken += asked(life.watch.journal.path)
        told = {n.id for n in life.told}
    with contextlib.closing(Journal(home / JOURNAL_FILE)) as journal:
        kept = {e["id"] for e in journal.events() if e.get("event") == "notification"}
    if not told <= kept:
        broken.append(f"told and not written: {sorted(told - kept)}")
    return broken


def asked(journal: Path) -> list[str]:
    """What the page and the reports ask; an answer may be that it cannot be read, in words, and nothing else."""
    library, broken = CookRecords(journal), []
    questions: dict[str, Callable[[], Any]] = {
        "rows": lambda: library.rows("", 99), "wakes": library.wakes, "marks": lambda: marks_before(journal),
        "taught": library.taught, "rig": library.newest_rig,
        "kept": lambda: [library.kept(row.id) for row in library.rows("", 99)],
        "compare": lambda: library.compare([row.id for row in library.rows("", 99)], 100),
    }  # fmt: skip
    for name, question in questions.items():
        try:
            question()
        except (sqlite3.Error, UnknownCook):
            continue
        except Exception as error:
            broken.append(f"{name}: {error!r}")
    return broken


async def damaged(home: Path, copies: int, seed: int, enough: int | None = None) -> dict[str, list[str]]:
    """Number, damage -> what did not hold, for those where something did not. enough: so many of those end it."""
    chance, failures = random.Random(seed), {}
    for number in range(copies):
        place = copied(home / f"{number}")
        damage = chance.choice(DAMAGES)
        damage(chance, place)
        name = f"{seed}/{number} {damage.__qualname__.partition('.')[0]}"
        try:
            async with asyncio.timeout(PATIENCE):
                broken = await start_and_live(place)
        except Exception as error:
            broken = [repr(error), *traceback.format_tb(error.__traceback__)[-3:]]
        if broken:
            failures[name] = broken
            print(name, *broken, sep="\n  ", file=sys.stderr)
            if len(failures) == enough:
                break
        else:
            shutil.rmtree(place)
    return failures


@contextlib.contextmanager
def believing() -> Iterator[None]:
    """The wrong build: believes what the file says, as long as SQLite opens it."""
    with (
        patched(Journal, "opened", classmethod(lambda cls, path: cls(path))),
        patched(records, "sound_only", lambda db: None),
    ):
        yield


async def damaged_state(home: Path, full: bool) -> Row:
    copies, seed = (400, 20261127) if full else (FEW, 7)
    failures = await damaged(home / "right", copies, seed)
    with believing():
        wrong = await damaged(home / "wrong", FEW, 7, None if full else 1)
    return Row(
        "journal damaged (bytes, pages, lengths, rows, log, tables)",
        f"of {copies} starts (seed {seed}): not woken, not written, an id twice, or a question unanswered",
        f"{len(failures)}" + (f" {list(failures.items())[:3]}" if failures else ""), "0", not failures,
        f"believes what the file says ({len(wrong)} of {FEW})", len(wrong) > 0,
    )  # fmt: skip


FAULTS: tuple[Fault, ...] = (damaged_state,)


@cases(FAULTS)
async def test_fault(fault: Fault, full: bool, tmp_path: Path) -> None:
    await check(fault, full, tmp_path)


@pytest.mark.parametrize("byte", [0xA2, ord("x")], ids=["no text", "another letter"])
def test_whatever_letter_of_the_schema_is_damaged_the_journal_opens_and_writes(tmp_path: Path, byte: int) -> None:
    whole = (copied(tmp_path / "whole") / JOURNAL_FILE).read_bytes()
    first, file = whole.index(b"CREATE TABLE"), tmp_path / "damaged" / JOURNAL_FILE
    for place in range(first, first + 1200, 29):
        file.parent.mkdir()
        file.write_bytes(whole[:place] + bytes([byte]) + whole[place + 1 :])
        journal = journal_module.Journal.opened(file)
        journal.notes.set_note("kept", 1)
        journal.commit(1e9)
        assert journal.notes.note("kept") == 1, place
        journal.close()
        shutil.rmtree(file.parent)


async def test_a_journal_and_a_note_of_the_cook_that_are_both_damaged_wake_until_somebody_says_what_is_on(
    tmp_path: Path,
) -> None:
    home = copied(tmp_path / "lost")
    (home / f"{JOURNAL_FILE}-wal").unlink()
    (home / JOURNAL_FILE).write_bytes(random.Random(1).randbytes(3000))
    (home / RUNNING_FILE).write_text('{"input": 12, "cook"')
    async with Life(home) as life:
        # as warm as the pit of nobody's fire, and falling: no record says that one was lit
        await life.pit(84.0, WOKEN_WITHIN, lambda: life.woke)
        calls = [n for n in life.told if n.alarm == LOST]
        assert calls and calls[0].level is Level.WAKE
        alarms = life.watch.engine.alarms
        assert (lost := alarms.view(LOST)) is not None and lost.state is AlarmState.UNACKNOWLEDGED
        for mark in (Mark(MarkKind.FIRE_LIT), Mark(MarkKind.MEAT_ON)):
            life.watch.loop.post(mark)
        await life.pit(84.0, 2 * STEP)
        assert (lost := alarms.view(LOST)) is not None and lost.state is AlarmState.NORMAL
    async with Life(home) as again:  # what was told is on the record now
        await again.pit(84.0, CALM / 10)
        assert (lost := again.watch.engine.alarms.view(LOST)) is not None and lost.state is AlarmState.NORMAL


async def test_a_first_start_and_one_damaged_file_of_the_two_lose_no_record(tmp_path: Path) -> None:
    first, note, journal = tmp_path / "first", copied(tmp_path / "note"), copied(tmp_path / "journal")
    first.mkdir()
    for name in ("rig.toml", "cook.toml"):
        shutil.copy(note / name, first / name)
    (note / RUNNING_FILE).write_text("{")
    (journal / f"{JOURNAL_FILE}-wal").unlink()
    (journal / JOURNAL_FILE).write_bytes(random.Random(1).randbytes(3000))
    for home in (first, note, journal):
        async with Life(home) as life:
            await life.pit(IN_BAND, 2 * GRACE)
            assert life.watch.engine.alarms.view(LOST) is None, home


def test_a_journal_that_is_whole_is_left_alone(tmp_path: Path) -> None:
    home = copied(tmp_path / "whole")
    before = Journal(home / JOURNAL_FILE)
    events = list(before.events())
    before.close()
    journal = journal_module.Journal.opened(home / JOURNAL_FILE)
    assert list(journal.events()) == events and journal.trouble == "" and isinstance(journal.newest_start(), Start)
    journal.close()
    assert not list(home.glob("*.damaged"))


if __name__ == "__main__":
    logging.disable()
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    with tempfile.TemporaryDirectory(prefix="damaged-") as where:
        found = asyncio.run(damaged(Path(where), int(sys.argv[1]), int(sys.argv[2])))
        for copy, problems in found.items():
            print(copy, problems)
        print(f"{len(found)} of {sys.argv[1]} starts failed, seed {sys.argv[2]}")
