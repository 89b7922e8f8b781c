"""The journal loses nothing it accepted and gives back exactly what it was told."""

import asyncio
import contextlib
import errno
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import textwrap
import threading
import time
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.core.inputs import Input, Readings
from daemon.core.orders import Acknowledge, Mark, MarkKind, SetBand
from daemon.core.settings import Band
from daemon.shell.journal.journal import Checkpoint, Journal, JournalUnavailable, OutboxRow
from daemon.shell.journal.reading_pack import PackDamaged, pack, unpack
from daemon.shell.journal.reserve import RESERVE_BYTES
from daemon.shell.journal.writer import PATIENCE, DiskWriter
from drivers.reading import Fault, Quality, Reading, on_grid
from tests.shell.any_readings import readings, times

batches = st.lists(st.tuples(times, st.lists(readings, max_size=8).map(lambda r: Readings(tuple(r)))), max_size=20)


@given(batches)
def test_a_pack_gives_back_every_bit(minute: list[tuple[float, Readings]]) -> None:
    assert list(unpack(pack(minute))) == minute


@given(st.binary(max_size=200))
def test_a_damaged_pack_is_refused_not_guessed_at(body: bytes) -> None:
    with pytest.raises(PackDamaged):
        list(unpack(body))


def test_a_minute_of_a_quiet_rig_costs_under_a_byte_a_reading() -> None:
    def word(channel: int, second: int) -> float:
        return on_grid(100 + channel + (0.25 if (second * 7 + channel) % 5 == 0 else 0.0))

    minute = [
        (float(t), Readings(tuple(Reading(f"c{c}", word(c, t), float(t), cold_junction=24.5) for c in range(8))))
        for t in range(60)
    ]
    assert len(pack(minute)) < 8 * 60


def test_inputs_come_back_in_order_and_exactly(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "j.sqlite")
    told: list[tuple[float, Input]] = [
        (1.0, Readings((Reading("chuck", 63.25, 1.0),))),
        (2.0, Readings((Reading("chuck", None, 2.0, Fault.OPEN_CIRCUIT, Quality.BAD),))),
        (2.5, Mark(MarkKind.LOG, None, "cook", "oak")),
        (3.0, Readings((Reading("chuck", 63.5, 3.0, cold_junction=24.0625),))),
        (4.0, SetBand(Band(110.0, 130.0), "page")),
        (5.0, Acknowledge("pit-falling/pit", "cook")),
    ]
    for now, item in told:
        journal.take_input(item, now)
    journal.commit(5.0)
    journal.close()
    assert list(Journal(tmp_path / "j.sqlite").inputs()) == told


@pytest.mark.parametrize(
    "damage", ["seq = 10000000000 WHERE seq = 3", "time = 1e10 WHERE seq = 4", "time = -1e10 WHERE seq = 6"]
)
def test_one_damaged_row_does_not_move_the_newest_time(tmp_path: Path, damage: str) -> None:
    journal = Journal(tmp_path / "j.sqlite")
    for minute in range(6):
        now = 1000.0 + 60.0 * minute
        journal.take_input(Mark(MarkKind.LOG, None, "cook", ""), now)
        journal.commit(now)
    assert journal.newest_time() == 1300.0
    journal.close()
    with contextlib.closing(sqlite3.connect(tmp_path / "j.sqlite")) as db, db:
        db.execute(f"UPDATE inputs SET {damage}")
    with contextlib.closing(Journal(tmp_path / "j.sqlite")) as again:
        assert (again.newest_time() or 0.0) >= 1240.0


def test_checkpoint_and_outbox_survive(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "j.sqlite")
    row = OutboxRow("a#1.0", "bell", "a", 1.0, 99.0, "waiting", 0, 1.0, "{}")
    journal.outbox.add(row)
    journal.outbox.add(row)
    journal.take_checkpoint(600.0, {"stage": "hold"})
    journal.commit(600.0)
    journal.close()
    again = Journal(tmp_path / "j.sqlite")
    assert again.outbox.in_state("waiting") == [row]
    assert again.newest_checkpoint() == Checkpoint(0, 0, 600.0, {"stage": "hold"})


def test_a_refusing_disk_loses_nothing(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "j.sqlite")
    journal.disk.db.execute("PRAGMA max_page_count = 1")  # SQLite's own "disk full"
    journal.take_input(Mark(MarkKind.LOG, note="x" * 100_000), 1.0)
    with pytest.raises(JournalUnavailable, match="full"):
        journal.commit(1.0)
    journal.disk.db.execute("PRAGMA max_page_count = 100000")
    journal.commit(2.0)
    assert len(list(journal.inputs())) == 1


WRITER = textwrap.dedent(
    """
    import sys
    from pathlib import Path
    from daemon.core.orders import (Mark, MarkKind)
    from daemon.shell.journal.journal import Journal
    journal = Journal(Path(sys.argv[1]))
    number = int(sys.argv[2])
    while True:
        number += 1
        journal.take_input(Mark(MarkKind.LOG, note=str(number)), float(number))
        journal.commit(float(number))
        print(number, flush=True)
    """
)


def kill_and_count(path: Path, kills: int) -> None:
    """Kill the writer at arbitrary moments; whatever it said was committed must be there, once and in order."""
    said = 0
    for _ in range(kills):
        process = subprocess.Popen([sys.executable, "-c", WRITER, str(path), str(said)], stdout=subprocess.PIPE)
        assert process.stdout is not None
        for line in process.stdout:
            said = int(line)
            if said % 7 == 0:
                break
        os.kill(process.pid, signal.SIGKILL)
        for line in process.stdout:
            said = int(line)
        process.wait()
        process.stdout.close()
        journal = Journal(path)
        kept = [int(item.note) for _, item in journal.inputs() if isinstance(item, Mark)]
        journal.close()
        assert kept[:said] == list(range(1, said + 1))
        said = kept[-1]


def test_kill_9_loses_no_accepted_input(tmp_path: Path) -> None:
    kill_and_count(tmp_path / "j.sqlite", kills=8)


@pytest.mark.soak
def test_kill_9_a_thousand_times(tmp_path: Path) -> None:
    kill_and_count(tmp_path / "j.sqlite", kills=1000)


# --- disks that fail ----------------------------------------------------------------------------------------


def test_a_file_that_is_no_journal_is_set_aside_and_a_new_one_begun(tmp_path: Path) -> None:
    (tmp_path / "j.sqlite").write_bytes(b"what a power cut left of it" * 200)
    journal = Journal.opened(tmp_path / "j.sqlite")
    journal.take_input(Mark(MarkKind.LOG), 1.0)
    journal.commit(1.0)
    journal.close()
    assert len(list(Journal(tmp_path / "j.sqlite").inputs())) == 1
    assert (tmp_path / "j.sqlite.damaged").stat().st_size > 1000


def test_taking_in_does_not_wait_for_a_disk_that_hangs(tmp_path: Path) -> None:
    journal, answers, done = Journal(tmp_path / "j.sqlite"), threading.Event(), threading.Event()
    write = journal.disk.write

    def hang(batch: Any) -> None:
        answers.wait()
        write(batch)

    journal.disk.write = hang  # type: ignore[method-assign]
    journal.take_input(Mark(MarkKind.LOG, note="1"), 1.0)

    def write_and_tell() -> None:
        journal.commit(1.0)
        done.set()

    writing = threading.Thread(target=write_and_tell)
    writing.start()
    journal.take_input(Mark(MarkKind.LOG, note="2"), 2.0)
    journal.notes.set_note("key", 1)
    assert not done.is_set()
    answers.set()
    writing.join()
    journal.commit(2.0)
    assert [item.note for _, item in journal.inputs() if isinstance(item, Mark)] == ["1", "2"]


async def test_a_commit_is_given_up_in_time_and_one_write_at_most_is_under_way(tmp_path: Path) -> None:
    journal, answers, writes = Journal(tmp_path / "j.sqlite"), threading.Event(), list[float]()
    commit = journal.commit

    def hang(now: float) -> None:
        writes.append(now)
        answers.wait()
        commit(now)

    journal.commit = hang  # type: ignore[method-assign]
    writer = DiskWriter(journal)
    journal.take_input(Mark(MarkKind.LOG), 1.0)
    with pytest.raises(JournalUnavailable, match="does not answer"):
        await writer.commit(1.0, patience=0.05)
    begin = time.monotonic()
    for _ in range(5):
        with pytest.raises(JournalUnavailable):
            await writer.commit(2.0)
    assert writes == [1.0] and time.monotonic() - begin < PATIENCE, "none of them waited"
    answers.set()
    while writer._write is not None:
        await asyncio.sleep(0.005)
    await writer.commit(3.0)
    assert writes == [1.0, 3.0] and len(list(journal.inputs())) == 1


def test_a_file_system_that_cannot_hold_room_is_no_trouble(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*arguments: int) -> None:
        raise OSError(errno.EOPNOTSUPP, "not supported")

    monkeypatch.setattr(os, "posix_fallocate", refuse)
    journal = Journal(tmp_path / "j.sqlite")
    assert journal.trouble == "" and not (tmp_path / "reserve").exists()


def test_a_disk_that_is_nearly_full_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shutil, "disk_usage", lambda path: shutil._ntuple_diskusage(10**9, 10**9, 1000))
    assert Journal(tmp_path / "j.sqlite").trouble == "the disk is nearly full"


def test_the_reserve_is_taken_back_when_there_is_room(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Refused by SQLite's own "disk full" once: the reserve goes, the row is written, and the reserve comes again."""
    journal, refusals = Journal(tmp_path / "j.sqlite"), [True]
    assert (tmp_path / "reserve").stat().st_size == RESERVE_BYTES
    transaction = journal.disk._transaction

    def full_once(batch: Any) -> None:
        if refusals:
            refusals.pop()
            journal.disk.db.execute("PRAGMA max_page_count = 1")
            try:
                transaction(batch)
            finally:
                journal.disk.db.execute("PRAGMA max_page_count = 1000000")
        transaction(batch)

    monkeypatch.setattr(journal.disk, "_transaction", full_once)
    journal.disk._reserve_tried_at = 0.0
    journal.take_input(Mark(MarkKind.LOG, note="x" * 100_000), 1.0)
    journal.commit(1.0)
    assert not (tmp_path / "reserve").exists() and "spare room" in journal.trouble
    assert len(list(journal.inputs())) == 1
    journal.commit(100.0)
    assert (tmp_path / "reserve").exists() and journal.trouble == ""
