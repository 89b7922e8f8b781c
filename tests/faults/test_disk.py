"""Disks that fill up, turn read-only, fail, hang or were lost before the start: alarms go on from memory."""

from __future__ import annotations

import asyncio
import contextlib
import random
import sqlite3
import threading
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path

from config.loader import load_both
from daemon.core.engine import Engine
from daemon.core.inputs import Part
from daemon.core.orders import Mark, MarkKind
from daemon.shell.clock import ManualClock
from daemon.shell.journal import writer as disk_writer
from daemon.shell.journal.journal import Journal, JournalUnavailable
from daemon.shell.journal.reserve import Reserve
from daemon.shell.loop import WatchLoop
from daemon.shell.notify.outbox import Outbox
from daemon.shell.resume import engine_time_at_start, restored
from daemon.wiring.settings_from_files import watch_settings
from tests.faults.disks import Ext4, fill, small_disk
from tests.faults.row import Fault, Row, cases, check
from tests.faults.stage import FACTOR, TOO_HOT, Running, Stage, staged, watching
from tests.faults.test_kills import Person
from tests.faults.test_power import take_alarm
from tests.patience import PATIENCE
from tests.system.scripted_board import write_files

Disk = contextlib.AbstractContextManager[tuple[Path, Callable[[Running], None]]]
"""A state directory, and what breaks the disk under it."""


@contextlib.contextmanager
def patched(owner: object, name: str, value: object) -> Iterator[None]:
    before = getattr(owner, name)
    setattr(owner, name, value)
    try:
        yield
    finally:
        setattr(owner, name, before)


async def _commit_and_hope(self: WatchLoop, now: float) -> None:
    """The wrong build: whatever the disk says goes straight up."""
    assert self.journal is not None
    await asyncio.to_thread(self.journal.commit, now)


async def _commit_and_wait(self: WatchLoop, now: float) -> None:
    """The wrong build: no alarm leaves before the disk has answered."""
    assert self.journal is not None
    while True:
        with contextlib.suppress(JournalUnavailable):
            return await asyncio.to_thread(self.journal.commit, now)
        await asyncio.sleep(0.05)


@contextlib.asynccontextmanager
async def broken_under(home: Path, disk: Disk) -> AsyncIterator[tuple[Stage, Running]]:
    """A watch that saw its pit in the band, then lost its disk, then sees the pit too hot."""
    with disk as (state, break_it):
        async with staged(home / "files") as stage, watching(stage, state) as running:
            await stage.until(lambda: running.stage_of_pit == "in-band")
            break_it(running)
            stage.pit = TOO_HOT
            yield stage, running


SOON = 8.0
"""s after which a wrong build is not waited for any longer."""


async def _alarms_in_spite_of(home: Path, disk: Callable[[], Disk], within: float = PATIENCE) -> tuple[bool, bool, str]:
    """(an alarm and its repeat reached the broker, the lost disk is an alarm of its own, in words)."""
    async with broken_under(home, disk()) as (stage, running):
        heard = await stage.comes(lambda: len(stage.told_of("pit-high")) >= 2 or running.died, within)
        heard = heard and not running.died
        said = heard and await stage.comes(lambda: not running.watch.engine.health[Part.DISK, "journal"][0].ok, within)
        ids = [m["id"] for m in stage.told_of("pit-high")]
        return heard and len(ids) == len(set(ids)), said, f"{len(ids)} messages of a new alarm arrived"


async def _gone(home: Path, fault: str, disk: Callable[[str], Disk], wrong: Callable[..., object], words: str) -> Row:
    heard, said, figure = await _alarms_in_spite_of(home / "right", lambda: disk("right"))
    with patched(WatchLoop, "_commit", wrong):
        heard_wrong, _, _ = await _alarms_in_spite_of(home / "wrong", lambda: disk("wrong"), SOON)
    return Row(
        fault, "alarms judged and sent from memory, and the loss told", figure + (", loss told" if said else ""),
        "all, told once", heard and said, words, not heard_wrong,
    )  # fmt: skip


def _ext4(home: Path, act: Callable[[Ext4], None]) -> Callable[[str], Disk]:
    """Makes disks of a real file system to which `act` is done at the moment of the fault."""

    @contextlib.contextmanager
    def disk(name: str) -> Iterator[tuple[Path, Callable[[Running], None]]]:
        ext4 = Ext4(home / f"disk-{name}", 64)
        with ext4.mounted() as root:
            yield root, lambda running: act(ext4)

    return disk


async def io_error(home: Path, full: bool) -> Row:
    disk = _ext4(home, Ext4.cut_power)
    return await _gone(home, "every write an I/O error (EIO)", disk, _commit_and_hope, "lets the error end the loop")


async def read_only(home: Path, full: bool) -> Row:
    disk = _ext4(home, Ext4.turn_read_only)
    return await _gone(home, "file system turns read-only", disk, _commit_and_hope, "lets the error end the loop")


async def hung_disk(home: Path, full: bool) -> Row:
    """A write that never returns, as on a dying card."""

    @contextlib.contextmanager
    def disk(name: str) -> Iterator[tuple[Path, Callable[[Running], None]]]:
        answers = threading.Event()

        def hang(running: Running) -> None:
            def write(batch: object) -> None:
                answers.wait()
                raise JournalUnavailable("let go at the end of the test")

            running.watch.journal.disk.write = write  # type: ignore[method-assign]

        try:
            yield home / f"state-{name}", hang
        finally:
            answers.set()

    with patched(disk_writer, "PATIENCE", 0.3), patched(disk_writer.DiskWriter.commit, "__defaults__", (0.3,)):
        return await _gone(
            home, "a write to the disk hangs", disk, _commit_and_wait, "waits for the disk before it tells"
        )


# --- full --------------------------------------------------------------------------------------------------------


def on_disk(state: Path) -> tuple[list[str], list[str]]:
    """Ids of messages of too hot a pit: as events, and in the outbox."""
    with contextlib.closing(sqlite3.connect(f"file:{state / 'journal.sqlite'}?mode=ro", uri=True)) as db:
        events = [r[0] for r in db.execute(
            "SELECT json_extract(body, '$.id') FROM events WHERE name = 'notification' AND body LIKE '%pit-high%'"
        )]  # fmt: skip
        return events, [r[0] for r in db.execute("SELECT id FROM outbox WHERE alarm LIKE 'pit-high%'")]


async def _full(home: Path, state: Path, within: float = PATIENCE) -> tuple[bool, bool, bool]:
    """(heard in spite of the full disk, written in the reserve, all there after there is room again)."""
    fillers: list[Path] = []
    with contextlib.nullcontext((state, lambda running: fillers.append(fill(state)))) as disk:
        async with broken_under(home, contextlib.nullcontext(disk)) as (stage, running):
            heard = await stage.comes(lambda: len(stage.told_of("pit-high")) >= 2, within)
            events, messages = on_disk(state)
            kept = heard and stage.told_of("pit-high")[0]["id"] in set(events) & set(messages)
            fillers.append(fill(state, "filler-2"))
            before = len(stage.told_of("pit-high"))
            heard = heard and await stage.comes(lambda: len(stage.told_of("pit-high")) > before, within)
            for file in fillers:
                file.unlink()

            def all_there() -> bool:
                ids = {m["id"] for m in stage.told_of("pit-high")}
                return all(ids <= set(where) for where in on_disk(state)) and not running.watch.journal.trouble

            whole = await stage.comes(all_there, within)
            return heard, kept, whole


async def disk_full(home: Path, full: bool) -> Row:
    with small_disk(home / "right", 8) as state:
        heard, kept, whole = await _full(home / "right" / "files", state)
    with small_disk(home / "wrong", 8) as state, patched(Reserve, "release", lambda self: False):
        _, kept_wrong, _ = await _full(home / "wrong" / "files", state, SOON)
    return Row(
        "disk full", "alarms sent; written all the same; record whole once there is room",
        f"sent {'yes' if heard else 'NO'}, written {'yes' if kept else 'NO'}, whole {'yes' if whole else 'NO'}",
        "yes, yes, yes", heard and kept and whole, "no reserve to give up", not kept_wrong,
    )  # fmt: skip


def _written_when_full(home: Path, megabytes: int) -> int:
    """Alarms with their messages that still go to a full disk."""
    with small_disk(home, megabytes) as state:
        journal = Journal(state / "j.sqlite")
        fill(state)
        number = 0
        with contextlib.suppress(JournalUnavailable):
            while number < 5000:
                number += 1
                take_alarm(journal, number)
                journal.commit(float(number))
        journal.close()
        return number - 1


async def reserve(home: Path, full: bool) -> Row:
    written = _written_when_full(home / "right", 8)
    with patched(Reserve, "release", lambda self: False):
        without = _written_when_full(home / "wrong", 8)
    return Row(
        "disk full, for long", "alarms with messages the reserve of 1 MB takes", str(written), ">= 500", written >= 500,
        f"no reserve (takes {without})", without < 500,
    )  # fmt: skip


# --- lost before the start ------------------------------------------------------------------------------------------


async def start_without_disk(home: Path, full: bool) -> Row:
    """An alarm stands; the board starts again and finds its disk read-only."""
    disk = Ext4(home, 64)
    results = []
    for strict in (False, True):
        with disk.mounted() as root:
            state = root / f"state-{strict}"
            async with staged(home / f"files-{strict}") as stage:
                async with watching(stage, state) as running:
                    await stage.until(lambda: running.stage_of_pit == "in-band")
                    stage.pit = TOO_HOT
                    await stage.until(lambda: len(stage.told_of("pit-high")) == 1)
                    later = running.watch.clock.now() + 1
                disk.turn_read_only()
                opened = classmethod(lambda cls, path: cls(path)) if strict else Journal.__dict__["opened"]
                with patched(Journal, "opened", opened):
                    try:
                        async with watching(stage, state, later, FACTOR) as running:
                            again = await stage.comes(lambda: len({m["id"] for m in stage.told_of("pit-high")}) >= 2)
                            words = running.watch.journal.trouble
                    except JournalUnavailable:
                        again, words = False, ""
                ids = [m["id"] for m in stage.told_of("pit-high")]
                # stopped between a send and its record, that one send may come once more, under its own id
                results.append(again and len(ids) - len(set(ids)) <= 1 and bool(words))
    return Row(
        "disk read-only at the start", "the watch starts, remembers the alarm that stood, repeats it",
        "yes" if results[0] else "NO", "yes", results[0], "wants its journal to start", not results[1],
    )  # fmt: skip


# --- damaged -------------------------------------------------------------------------------------------------------


async def damaged(home: Path, full: bool) -> Row:
    """Sectors of the journal turned to garbage, as by a card that dies: whatever is left, the watch starts."""
    home.mkdir(exist_ok=True)
    files = write_files(home, "/dev/none", None, night=True)
    settings = watch_settings(*load_both(*files))
    chance, refused, refused_wrong, tries = random.Random(23), 0, 0, 150 if full else 30
    whole = home / "whole.sqlite"
    journal = Journal(whole)
    engine = Engine(settings)
    for number in range(1, 300):
        take_alarm(journal, number)
        journal.commit(float(number))
    journal.take_checkpoint(300.0, engine.dump())
    for number in range(301, 330):
        take_alarm(journal, number)
        journal.commit(float(number))
    journal.close()
    content = whole.read_bytes()
    for number in range(tries):
        garbage = bytearray(content)
        for _ in range(chance.choice((1, 3, 20))):
            at = chance.randrange(len(garbage) // 512) * 512
            garbage[at : at + 512] = chance.choice((bytes(512), chance.randbytes(512)))
        for opened in (Journal.opened, Journal):
            path = home / f"{number}-{opened is Journal}" / "j.sqlite"
            path.parent.mkdir()
            path.write_bytes(garbage)
            try:
                journal = opened(path)
                engine_time_at_start(journal, "boot", 1.0, 1e9)
                restored(lambda: Engine(settings), journal)
                outbox = Outbox({"bell": Person()}, {}, journal, ManualClock(), lambda item: None, "The pit")
                outbox.resume()
                assert all(row.next_try <= row.not_after for row in outbox._waiting["bell"])
                journal.take_input(Mark(MarkKind.LOG), 1e6)
                journal.commit(1e6)
                journal.close()
            except (sqlite3.Error, JournalUnavailable, TypeError):
                refused, refused_wrong = refused + (opened is not Journal), refused_wrong + (opened is Journal)
    return Row(
        "the journal's file damaged", f"of {tries} files with sectors of garbage, starts that failed", str(refused), "0",
        refused == 0, f"takes the file as it is ({refused_wrong} starts fail)", refused_wrong > 0,
    )  # fmt: skip


FAULTS: tuple[Fault, ...] = (disk_full, reserve, read_only, io_error, hung_disk, start_without_disk, damaged)


@cases(FAULTS, slow=(io_error, start_without_disk))
async def test_fault(fault: Fault, full: bool, tmp_path: Path) -> None:
    await check(fault, full, tmp_path)
