"""A journal of two pits on one watch, through the real loop on a virtual clock: a fire lost in the second pit, a piece that
moves, and a second cook on the first pit alone."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

from daemon.core.engine import Engine
from daemon.core.inputs import Input, Resumed, WallClock
from daemon.core.orders import AddPiece, EndCook, Mark, MarkKind, MovePiece, StartCook
from daemon.shell.clock import ManualClock
from daemon.shell.journal.journal import Journal, Start
from daemon.shell.library.archive import CookArchive
from daemon.shell.loop import WatchLoop
from tests.core.night import LAMB, NIGHT, readings
from tests.core.two_pits import BY_SIMULATION, COOK
from tests.shell.kept_cooks import InThread

EVERY = 20.0
MINUTE = 60.0
DRUM_LOST, MOVED, ENDED, SECOND, END = 30 * MINUTE, 60 * MINUTE, 70 * MINUTE, 75 * MINUTE, 85 * MINUTE
"""s after NIGHT: the drum's fire begins to go; the lamb goes to the offset; the cook ends; another begins; the end."""
THIRD = replace(LAMB, id="loaf", name="Loaf", channel=None, pit="drum")
ORDERS: tuple[tuple[float, Input], ...] = (
    (0.0, Mark(MarkKind.FIRE_LIT)),
    (0.0, Mark(MarkKind.FIRE_LIT, pit="drum")),
    (EVERY, Mark(MarkKind.MEAT_ON)),
    (20 * MINUTE, AddPiece(THIRD, "page")),
    (20 * MINUTE, Mark(MarkKind.MEAT_ON, "loaf")),
    (25 * MINUTE, Mark(MarkKind.LOG, pit="drum")),
    (MOVED, MovePiece("lamb", "", "page")),
    (MOVED + EVERY, Mark(MarkKind.WRAPPED, "lamb")),
    (ENDED, EndCook("page")),
    (SECOND, StartCook(replace(COOK, id="supper", name="Supper", pieces=COOK.pieces[:1]), "page")),
    (SECOND + EVERY, Mark(MarkKind.MEAT_ON, "chuck")),
    (END - EVERY, EndCook("page")),
)


def celsius(at: float) -> dict[str, float]:
    """What the probes read, at s after NIGHT."""
    drum = 121.0 - max(0.0, at - DRUM_LOST) * 1.5 / MINUTE
    core = 40.0 + at / MINUTE / 10.0
    wobble = 0.25 * ((at // EVERY) % 4)
    return {
        "pit_left": 122.0 + wobble, "pit_right": 119.0 + wobble, "drum_left": max(30.0, drum) + wobble,
        "drum_right": max(30.0, drum - 2.0) + wobble, "chuck": core, "lamb": core - 8.0, "outside": 8.0,
    }  # fmt: skip


def said_at(at: float) -> Iterator[Input]:
    """At s after NIGHT, in order."""
    yield from (order for when, order in ORDERS if when == at)
    yield readings(NIGHT + at, **celsius(at))


async def record(home: Path) -> None:
    with closing(Journal(home / "journal.sqlite")) as journal:
        journal.disk.db.execute("PRAGMA synchronous=OFF")
        clock, engine = ManualClock(NIGHT), Engine(BY_SIMULATION)
        loop = WatchLoop(engine, clock, journal, time_scale=1e9)
        loop.writer = InThread(journal)  # type: ignore[assignment]
        archive = CookArchive(journal)
        journal.take_start(Start(1, NIGHT, "boot", 0.0, "", None))
        at = 0.0
        for start in (Resumed(), WallClock(0.0, True)):
            await loop.drive(NIGHT, start)
        while at <= END:
            clock.time = NIGHT + at
            for item in said_at(at):
                await loop.drive(clock.time, item)
            if at % (5 * MINUTE) == 0.0:
                archive.tend(engine.settings, engine.wall.offset)
            at += EVERY
        archive.tend(engine.settings, engine.wall.offset)
        await loop._housekeeping(clock.time)
        archive.finished()
        journal.commit(clock.time)


def make_two_pit_journal(home: Path) -> Path:
    """Path of the journal; its cooks are `hall` and `supper`."""
    asyncio.run(record(home))
    return home / "journal.sqlite"
