"""Power cuts: at a real file system, and at every length the journal's log can have when the power goes."""

from __future__ import annotations

import asyncio
import contextlib
import random
import shutil
import sqlite3
import threading
import time
from collections.abc import Callable
from pathlib import Path

from daemon.core.orders import Mark, MarkKind
from daemon.shell.journal.journal import Journal, JournalUnavailable, OutboxRow
from tests.faults.disks import Ext4
from tests.faults.row import Fault, Row, cases, check

ANY_STATE = ("waiting", "sending", "sent", "failed", "expired", "collapsed")


# --- a file system that loses its power --------------------------------------------------------------------


class Writer(threading.Thread):
    """Commits an alarm with its message, again and again. `accepted`: the last number whose commit returned."""

    def __init__(self, path: Path, synchronous: str, accepted: int) -> None:
        super().__init__(daemon=True)
        self.journal, self.accepted = Journal(path), accepted
        self.journal.disk.db.execute(f"PRAGMA synchronous = {synchronous}")

    def run(self) -> None:
        number = self.accepted
        while True:
            number += 1
            take_alarm(self.journal, number)
            try:
                self.journal.commit(float(number))
            except JournalUnavailable:
                return
            self.accepted = number


def take_alarm(journal: Journal, number: int) -> None:
    journal.take_input(Mark(MarkKind.LOG, note=str(number)), float(number))
    journal.take_event(float(number), 0.0, "notification", "", {"id": f"a#{number}.0", "number": number})
    journal.outbox.add(OutboxRow(f"a#{number}.0", "bell", "a", float(number), 1e12, "waiting", 0, float(number), "{}"))


def found(path: Path) -> tuple[list[int], list[str]]:
    """Numbers of the events and ids of the messages that a new start finds. Raises AssertionError for a damaged file."""
    journal = Journal(path)
    try:
        (word,) = journal.disk.db.execute("PRAGMA integrity_check").fetchone()
        assert word == "ok", word
        return [e["number"] for e in journal.events()], [row.id for row in journal.outbox.in_state(*ANY_STATE)]
    finally:
        journal.close()


def cut_until(disk: Ext4, name: str, synchronous: str, cuts: int, stop: Callable[[int], bool]) -> tuple[int, int, int]:
    """Cuts made, cuts in which something accepted was lost, and alarms accepted in all."""
    chance, lost, accepted, total = random.Random(7), 0, 0, 0
    path = disk.root / f"{name}.sqlite"
    made = 0
    while made < cuts and not stop(lost):
        made += 1
        with disk.mounted():
            writer = Writer(path, synchronous, accepted)
            writer.start()
            while writer.accepted == accepted:
                time.sleep(0.0005)
            time.sleep(chance.uniform(0.0, 0.04))
            sure = writer.accepted  # a commit that races the cut may count either way: only these must be there
            disk.cut_power()
            writer.join(10)
            with contextlib.suppress(sqlite3.Error):
                writer.journal.close()
        with disk.mounted():
            events, messages = found(path)
        total += sure - accepted
        lost += events[:sure] != list(range(1, sure + 1)) or len(messages) != len(events)
        accepted = events[-1] if events else 0
        if accepted > 2000 or events != list(range(1, len(events) + 1)):
            with disk.mounted():  # begin anew: reading it all back must not take longer than the cuts
                for file in disk.root.glob(f"{name}.sqlite*"):
                    file.unlink()
            accepted = 0
    return made, lost, total


async def power_cut(home: Path, full: bool) -> Row:
    disk, cuts = Ext4(home), 200 if full else 6
    made, lost, total = await asyncio.to_thread(cut_until, disk, "right", "FULL", cuts, lambda lost: False)
    tried, missed, _ = await asyncio.to_thread(cut_until, disk, "wrong", "NORMAL", 40, lambda lost: lost > 0)
    return Row(
        "power cut at the file system", f"cuts of {made} (ext4, shutdown ioctl) that lost an accepted alarm",
        f"{lost} ({total} alarms accepted)", "0", lost == 0,
        f"synchronous=NORMAL (lost after {tried} cut{'s' * (tried > 1)})", missed > 0,
    )  # fmt: skip


# --- the log cut at every length -----------------------------------------------------------------------------


def recorded(path: Path, in_two: bool, alarms: int) -> list[int]:
    """A journal whose log holds these alarms; the length of the log after each. in_two: the event first, then its
    message in a transaction of its own."""
    journal = Journal(path)
    journal.disk.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    journal.disk.db.execute("PRAGMA wal_autocheckpoint = 0")
    log, lengths = path.with_name(path.name + "-wal"), []
    for number in range(1, alarms + 1):
        if in_two:
            journal.take_event(float(number), 0.0, "notification", "", {"id": f"a#{number}.0", "number": number})
            journal.commit(float(number))
            journal.outbox.add(
                OutboxRow(f"a#{number}.0", "bell", "a", float(number), 1e12, "waiting", 0, float(number), "{}")
            )
        else:
            take_alarm(journal, number)
        journal.commit(float(number))
        lengths.append(log.stat().st_size)
    for end in ("", "-wal"):  # before closing, which would work the log in
        shutil.copy(path.with_name(path.name + end), path.with_name("kept" + end))
    journal.close()
    return lengths


def torn(home: Path, lengths: list[int], step: int) -> tuple[int, int]:
    """(cuts tried, cuts after which a start found anything but exactly the alarms whose log was whole)."""
    log = (home / "kept-wal").read_bytes()
    page = 4096 + 24  # a frame: header and page (sqlite.org/fileformat2.html, 4.1)
    chance, wrong = random.Random(11), 0
    cuts = sorted({*range(32, len(log) + 1, page), *range(33, len(log) + 1, step), len(log)})
    for cut in cuts:
        place = home / "cut"
        shutil.rmtree(place, ignore_errors=True)
        place.mkdir()
        shutil.copy(home / "kept", place / "j")
        # what lies behind the cut was never written, was written as zeros, or holds what was there before
        tail = (b"", bytes(512), chance.randbytes(512))[cut % 3]
        (place / "j-wal").write_bytes(log[:cut] + tail)
        whole = sum(length <= cut for length in lengths)
        try:
            events, messages = found(place / "j")
        except AssertionError:
            wrong += 1
            continue
        wrong += events != list(range(1, whole + 1)) or messages != [f"a#{n}.0" for n in range(1, whole + 1)]
    return len(cuts), wrong


async def torn_log(home: Path, full: bool) -> Row:
    alarms, step = (12, 401) if full else (3, 1501)
    results = []
    for name, in_two in (("right", False), ("wrong", True)):
        place = home / name
        place.mkdir(parents=True)
        lengths = recorded(place / "j", in_two, alarms)
        results.append(await asyncio.to_thread(torn, place, lengths, step))
    (cuts, wrong), (_, caught) = results
    return Row(
        "power cut in the middle of a write", f"of {cuts} lengths of the log, with torn tails: alarms lost, half or invented",
        str(wrong), "0", wrong == 0, f"event and message committed apart (wrong at {caught} lengths)", caught > 0,
    )  # fmt: skip


FAULTS: tuple[Fault, ...] = (power_cut, torn_log)


@cases(FAULTS)
async def test_fault(fault: Fault, full: bool, tmp_path: Path) -> None:
    await check(fault, full, tmp_path)
