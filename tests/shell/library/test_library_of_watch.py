"""The watch itself keeps its cooks: rows as cooks begin and end, lessons into the profile, tidying, old journals."""

from __future__ import annotations

import asyncio
import shutil
import sqlite3
from collections.abc import AsyncIterator
from contextlib import closing
from pathlib import Path

import pytest
import pytest_asyncio

from config.loader import load_both
from daemon.core.inputs import Input, UsePitClass, UsePitProfile
from daemon.core.orders import EndCook, StartCook
from daemon.core.pit_profile import ClassFigure, FireProfile, PitProfile
from daemon.shell.fleet.class_file import NAME, write_figures
from daemon.shell.journal.journal import Journal
from daemon.shell.journal.profile_note import keep_profile
from daemon.shell.library.records import CookRecords
from daemon.wiring import watch as watch_module
from daemon.wiring.settings_from_files import cook_settings
from daemon.wiring.watch import Files, Watch
from tests.shell.kept_cooks import FIRST, SECOND, SHORT, make_journal, write_files
from tests.system.scripted_board import wait_for


@pytest_asyncio.fixture
async def watch(tmp_path: Path) -> AsyncIterator[Watch]:
    rig, cook = write_files(tmp_path)
    rig.write_text(rig.read_text() + '[page]\nlisten = "127.0.0.1"\nport = 0\n')
    watch = Watch(Files(rig, cook, tmp_path / "state"))
    yield watch
    await watch._end()


async def put(watch: Watch, item: Input) -> None:
    now = watch.loop.stamp()
    await watch.loop.settle(item, watch.engine.handle(item, now), now)


async def test_a_cook_of_the_file_and_one_of_the_page_are_kept_and_listed(watch: Watch, tmp_path: Path) -> None:
    await watch._begin()
    await watch._keep_cooks()
    watch.journal.commit(watch.loop.stamp())
    records = CookRecords(watch.journal.path)
    assert [row.name for row in records.rows("", 9)] == ["Village-hall lunch"]
    rig, cook = load_both(tmp_path / "rig.toml", tmp_path / "cook.toml")
    assert cook is not None
    await put(
        watch, StartCook(cook_settings(cook.model_copy(update={"id": "choir", "name": "Choir"}), rig, 0.0), "page")
    )
    await put(watch, EndCook("page"))
    await watch._keep_cooks()
    watch.journal.commit(watch.loop.stamp())
    assert sorted(row.name for row in records.rows("", 9)) == ["Choir", "Village-hall lunch"]
    with closing(sqlite3.connect(watch.journal.path)) as db:
        assert db.execute("SELECT COUNT(*) FROM kept_cooks WHERE ended IS NULL").fetchone() == (0,)


async def test_a_watch_of_short_lives_keeps_its_cook(watch: Watch, monkeypatch: pytest.MonkeyPatch) -> None:
    """On the disk soon after the start, and not only at the end of a life that may be cut short."""
    monkeypatch.setattr(watch_module, "COOKS_EVERY", 1e6)
    running = asyncio.create_task(watch.run())
    try:
        await wait_for(lambda: running.done() or CookRecords(watch.journal.path).rows("", 9))
        assert not running.done() and CookRecords(watch.journal.path).rows("", 9)[0].name == "Village-hall lunch"
    finally:
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)


async def test_finished_cooks_teach_the_profile_through_an_input_and_are_tidied(tmp_path: Path) -> None:
    """The lessons enter as an input, so a replay knows them too; both cooks teach, once."""
    journal = make_journal(tmp_path, SHORT)
    with closing(sqlite3.connect(journal)) as db, db:
        db.execute("UPDATE kept_cooks SET figures = NULL")
    watch = Watch(Files(tmp_path / "rig.toml", tmp_path / "cook.toml", tmp_path))
    posted: list[Input] = []
    watch.loop.post = posted.append  # type: ignore[method-assign, assignment]
    await watch._keep_cooks()
    (item,) = posted
    assert isinstance(item, UsePitProfile) and item.by == "cook log"
    assert item.profile.cooks == (FIRST, SECOND)
    assert {place.place for place in item.profile.places} == {"left", "right", "firebox end"}
    watch.journal.commit(watch.loop.stamp())
    with closing(sqlite3.connect(journal)) as db:
        assert db.execute("SELECT COUNT(*) FROM inputs WHERE kind = 'Bundle'").fetchone()[0] > 0
    await put(watch, item)
    assert watch.engine.pit.profile.cooks == item.profile.cooks
    posted.clear()
    await watch._keep_cooks()
    assert posted == []
    watch.journal.close()


async def test_what_was_forgotten_by_hand_stays_forgotten_after_a_kill(watch: Watch, tmp_path: Path) -> None:
    """The files as they lie on the disk the moment after, opened by the next watch: nothing is waited for."""
    keep_profile(watch.journal.notes, PitProfile(FireProfile((), (40.0, 50.0)), lag=9.0, cooks=("old",)))
    await watch._begin()
    _, item = watch.loop._queue.get_nowait()
    assert isinstance(item, UsePitProfile) and item.by == "journal"
    await put(watch, item)
    assert watch.engine.pit.learned().lag == 9.0
    await put(watch, UsePitProfile(PitProfile(), "page"))
    killed = tmp_path / "killed"
    shutil.copytree(tmp_path / "state", killed)
    following = Watch(Files(tmp_path / "rig.toml", tmp_path / "cook.toml", killed))
    await following._begin()
    waiting = [following.loop._queue.get_nowait()[1] for _ in range(following.loop._queue.qsize())]
    kept = CookRecords(killed / "journal.sqlite").taught()
    await following._end()
    assert not [item for item in waiting if isinstance(item, UsePitProfile)]
    assert following.engine.pit.learned() == PitProfile() == kept


def test_a_journal_of_the_first_version_is_opened_and_its_empty_table_replaced(tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / "journal.sqlite")) as db:
        db.execute("CREATE TABLE cooks (id TEXT PRIMARY KEY, name TEXT NOT NULL)")
    assert list(CookRecords(tmp_path / "journal.sqlite").rows("", 9)) == [], "before any watch has opened it, too"
    with closing(Journal(tmp_path / "journal.sqlite")):
        pass
    assert list(CookRecords(tmp_path / "journal.sqlite").rows("", 9)) == []


async def test_what_the_class_has_shown_enters_once_and_only_where_it_is_shared(tmp_path: Path) -> None:
    rig, cook = write_files(tmp_path)
    told = (ClassFigure("gap", 61.5, 7.25), ClassFigure("turn", 9.0, 3.0))
    state = tmp_path / "state"
    plain = '[page]\nlisten = "127.0.0.1"\nport = 0\n'
    rig.write_text(rig.read_text() + plain + '[fleet]\nhost = "centre.example"\npit = "one"\n')
    (state / "fleet").mkdir(parents=True)
    write_figures(state / NAME, told)
    for shares in (False, True):
        rig.write_text(rig.read_text() + f"share_learning = {str(shares).lower()}\n" * shares)
        watch = Watch(Files(rig, cook, state))
        posted: list[Input] = []
        watch.loop.post = posted.append  # type: ignore[method-assign, assignment]
        for _ in range(2):
            watch._heed_class()
        assert posted == ([UsePitClass(told, "fleet")] if shares else [])
        for damaged in ("", "{}", '[["gap", 1]]', '[["gap", "x", 1]]', "[" * 4000, "[" * 5000):
            (state / NAME).write_text(damaged)
            watch._heed_class()
        assert len(posted) == shares
        (state / NAME).unlink()
        watch._heed_class()
        assert posted[shares:] == [UsePitClass((), "fleet")] * shares
        write_figures(state / NAME, told)
        watch.journal.close()
        watch.lock.release()
