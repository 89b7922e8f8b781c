"""A journal whose file goes, or refuses, under the watch: nothing taken is lost, and no number is given twice."""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from daemon.core.orders import Mark, MarkKind
from daemon.shell.journal import disk as disk_module
from daemon.shell.journal.file import why_of
from daemon.shell.journal.journal import MENDED_TOLD_FOR, Journal, JournalUnavailable, Start


def write(journal: Journal, number: int) -> None:
    journal.take_input(Mark(MarkKind.LOG, note=str(number)), float(number))
    journal.take_event(float(number), 0.0, "mark", "", {"event": "mark", "number": number})
    journal.commit(float(number))


def numbers(path: Path) -> tuple[list[int], list[int]]:
    """Notes of the marks, and seqs of the events, as a new start finds them."""
    journal = Journal(path)
    try:
        marks = [int(item.note) for _, item in journal.inputs() if isinstance(item, Mark)]
        return marks, [seq for (seq,) in journal.disk.rows("SELECT seq FROM events ORDER BY seq")]
    finally:
        journal.close()


def all_gone(path: Path) -> None:
    shutil.rmtree(path.parent)


def file_gone(path: Path) -> None:
    path.unlink()


def log_gone(path: Path) -> None:
    path.with_name(path.name + "-wal").unlink()


def another_in_its_place(path: Path) -> None:
    path.rename(path.with_name("moved"))
    path.write_bytes(b"not a database")


@pytest.mark.parametrize("lose", [all_gone, file_gone, log_gone, another_in_its_place])
def test_what_is_deleted_under_the_watch_is_noticed_and_written_anew(
    tmp_path: Path, lose: Callable[[Path], None]
) -> None:
    path = tmp_path / "state" / "j.sqlite"
    journal = Journal.opened(path)
    for number in range(1, 6):
        write(journal, number)
    lose(path)
    write(journal, 6)
    assert "written anew: nothing is lost" in journal.trouble
    write(journal, 7)
    journal.commit(7 + 2 * MENDED_TOLD_FOR)
    assert journal.trouble == "", "told for a while"
    journal.close()
    assert numbers(path) == ([1, 2, 3, 4, 5, 6, 7], [1, 2, 3, 4, 5, 6, 7])


def test_what_is_damaged_under_the_watch_is_rescued(tmp_path: Path) -> None:
    path = tmp_path / "j.sqlite"
    journal = Journal.opened(path)
    for number in range(1, 400):
        journal.take_input(Mark(MarkKind.LOG, note=f"{number}" + " " * 100), float(number))
    journal.take_start(Start(1, 1.0, "boot", 0.0, "rig", None))
    journal.commit(400.0)
    journal.disk.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    raw = bytearray(path.read_bytes())
    for page in range(4, len(raw) // 4096, 3):
        raw[page * 4096 : page * 4096 + 100] = bytes(100)
    with path.open("r+b") as file:  # the same file: only what it holds has changed
        file.write(raw)
    journal.disk.db.execute("PRAGMA cache_size = 0")
    journal.disk.db.execute("PRAGMA shrink_memory")
    journal.disk.check()
    assert "is damaged" in journal.trouble and (tmp_path / "j.sqlite.damaged").exists()
    write(journal, 1000)
    journal.close()
    marks, _ = numbers(path)
    assert marks[-1] == 1000 and len(marks) > 50, len(marks)


def test_a_disk_that_refused_at_the_start_takes_the_journal_later(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "state" / "j.sqlite"
    path.parent.write_text("a file where the directory should be")
    journal = Journal.opened(path)
    assert "in memory" in journal.trouble
    write(journal, 1)
    path.parent.unlink()
    monkeypatch.setattr(disk_module, "MEND_TRIED_EVERY", 0.0)
    write(journal, 2)
    assert "while the disk refused" in journal.trouble
    journal.close()
    assert numbers(path) == ([1, 2], [1, 2])


def test_another_program_that_holds_the_file_is_waited_for(tmp_path: Path) -> None:
    path = tmp_path / "j.sqlite"
    journal = Journal.opened(path)
    write(journal, 1)
    journal.disk.db.execute("PRAGMA busy_timeout = 10")
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    with pytest.raises(JournalUnavailable, match="another program holds it"):
        write(journal, 2)
    other.execute("ROLLBACK")
    other.close()
    write(journal, 3)
    journal.close()
    assert numbers(path) == ([1, 2, 3], [1, 2, 3])


def test_numbers_go_on_beyond_what_a_damaged_journal_lost(tmp_path: Path) -> None:
    path = tmp_path / "j.sqlite"
    journal = Journal(path)
    for number in range(1, 6):
        write(journal, number)
    journal.take_checkpoint(5.0, {})
    journal.commit(5.0)
    journal.disk.db.execute("DELETE FROM inputs WHERE seq > 2")
    journal.disk.db.execute("DELETE FROM events WHERE seq > 2")
    journal.close()
    again = Journal.opened(path)
    assert (again.last_input, again.last_event) == (5, 5)
    again.close()


def full(path: Path) -> None:
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("PRAGMA max_page_count = 2")
        db.execute("CREATE TABLE t (x)")
        db.execute("INSERT INTO t VALUES (zeroblob(100000))")


def read_only(path: Path) -> None:
    sqlite3.connect(path).close()
    with contextlib.closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
        db.execute("CREATE TABLE t (x)")


def no_journal(path: Path) -> None:
    path.write_bytes(b"not a database at all" * 100)
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.execute("SELECT * FROM sqlite_master")


def no_folder(path: Path) -> None:
    sqlite3.connect(path / "none" / "j").close()


def full_by_the_system(path: Path) -> None:
    Path("/dev/full").write_text("x")


@pytest.mark.parametrize(
    ("fail", "words"),
    [
        (full, "the disk is full"),
        (read_only, "the disk can only be read"),
        (no_journal, "it is no journal"),
        (no_folder, "its file cannot be opened"),
        (full_by_the_system, "the disk is full"),
    ],
)
def test_what_ails_the_disk_is_told_in_words_for_people(
    tmp_path: Path, fail: Callable[[Path], None], words: str
) -> None:
    with pytest.raises((sqlite3.Error, OSError)) as failed:
        fail(tmp_path / "j.sqlite")
    assert why_of(failed.value) == words
