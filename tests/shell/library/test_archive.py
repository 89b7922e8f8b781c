"""Every cook gets one row, whatever starts it and whatever stops the watch in between."""

from __future__ import annotations

import json
import sqlite3
from contextlib import AbstractContextManager, closing
from dataclasses import replace
from pathlib import Path

import pytest

import config
from config.loader import load_both
from daemon.core.engine import Engine
from daemon.core.events import EVENT_NAMES
from daemon.core.inputs import Input, Resumed
from daemon.core.orders import (
    AddPiece,
    ChangePiece,
    EndCook,
    Mark,
    MarkKind,
    MoveProbe,
    RemovePiece,
    SetBand,
    StartCook,
)
from daemon.core.settings import Band, CookSettings, PieceSettings, WatchSettings, cook_to_plain
from daemon.shell.journal.journal import Journal, Start
from daemon.shell.library import archive as cook_archive
from daemon.shell.library.archive import CookArchive, free_id
from daemon.shell.library.records import CookRecords, reading
from daemon.shell.library.rows import CookNotes
from daemon.shell.wording import event_to_dict
from daemon.wiring.settings_from_files import watch_settings

EXAMPLES = Path(config.__file__).parent / "examples"
NOW = 1_795_867_200.0  # 2026-11-28T12:00:00Z


def settings_with(cook: bool) -> WatchSettings:
    rig, example = load_both(EXAMPLES / "rig.toml", EXAMPLES / "cook.toml")
    return watch_settings(rig, example if cook else None)


class Watch:
    """As much of a watch as the archive needs: engine, journal, and a restart."""

    def __init__(self, path: Path, settings: WatchSettings, now: float) -> None:
        self.path, self.now = path, now
        self.journal, self.engine = Journal(path), Engine(settings)
        self.archive = CookArchive(self.journal)
        self.journal.take_start(Start(self.journal.last_input + 1, now, "boot", 0.0, "", None))
        self.put(Resumed())

    def put(self, item: Input, later: float = 1.0) -> None:
        self.now += later
        for event in self.engine.handle(item, self.now):
            if type(event) in EVENT_NAMES:
                cook = self.engine.settings.cook.id
                self.journal.take_event(event.time, 0.0, EVENT_NAMES[type(event)], cook, event_to_dict(event, 0.0))
        self.journal.take_input(item, self.now)
        self.journal.commit(self.now)

    def tend(self) -> None:
        self.archive.tend(self.engine.settings, 0.0)
        self.journal.commit(self.now)

    def rows(self) -> list[tuple[str, float, float | None]]:
        with closing(sqlite3.connect(self.path)) as db:
            return db.execute("SELECT id, started, ended FROM kept_cooks ORDER BY started").fetchall()


def other(cook: CookSettings, name: str) -> CookSettings:
    return replace(cook, id=name, name=name.title())


def test_a_cook_of_the_cook_file_counts_from_the_start_of_the_watch(tmp_path: Path) -> None:
    watch = Watch(tmp_path / "j.sqlite", settings_with(cook=True), NOW)
    watch.tend()
    assert watch.rows() == [("2026-11-28-village-hall", NOW, None)]
    watch.put(EndCook("cook"), 3600.0)
    watch.tend()
    assert watch.rows() == [("2026-11-28-village-hall", NOW, NOW + 3601.0)]


def test_starts_and_ends_between_two_looks_are_all_found(tmp_path: Path) -> None:
    settings = settings_with(cook=True)
    watch = Watch(tmp_path / "j.sqlite", replace(settings, cook=settings_with(cook=False).cook), NOW)
    watch.tend()
    assert watch.rows() == []
    first, second = other(settings.cook, "first"), other(settings.cook, "second")
    for item in (StartCook(first, "cook"), StartCook(second, "cook"), EndCook("cook"), StartCook(first, "cook")):
        watch.put(item, 100.0)
    watch.tend()
    at = NOW + 1.0
    assert watch.rows() == [
        ("2026-11-28-first", at + 100, at + 200),
        ("2026-11-28-second", at + 200, at + 300),
        ("2026-11-28-first-2", at + 400, None),
    ]


def test_a_restart_adds_nothing_and_a_crash_before_the_row_loses_nothing(tmp_path: Path) -> None:
    settings = settings_with(cook=True)
    watch = Watch(tmp_path / "j.sqlite", settings, NOW)
    watch.tend()
    watch.put(StartCook(other(settings.cook, "evening"), "cook"), 50.0)
    # the watch is killed here: the archive never saw it
    again = Watch(tmp_path / "j.sqlite", replace(settings, cook=other(settings.cook, "evening")), NOW + 60)
    again.tend()
    expected = [("2026-11-28-village-hall", NOW, NOW + 51.0), ("2026-11-28-evening", NOW + 51.0, None)]
    assert again.rows() == expected
    for _ in range(3):
        third = Watch(tmp_path / "j.sqlite", replace(settings, cook=other(settings.cook, "evening")), NOW + 90)
        third.tend()
    assert third.rows() == expected


def test_a_refused_start_is_no_cook(tmp_path: Path) -> None:
    settings = settings_with(cook=True)
    watch = Watch(tmp_path / "j.sqlite", settings, NOW)
    strange = replace(settings.cook, pieces=(replace(settings.cook.pieces[0], channel="nobody"),))
    watch.put(StartCook(strange, "page"))
    watch.tend()
    assert len(watch.rows()) == 1


def test_a_cook_nobody_runs_any_more_ends_with_its_last_event(tmp_path: Path) -> None:
    """The files were changed while the watch was down and its inputs are gone: the row must not stay open."""
    settings = settings_with(cook=True)
    watch = Watch(tmp_path / "j.sqlite", settings, NOW)
    watch.tend()
    watch.put(Mark(MarkKind.FIRE_LIT), 500.0)
    told = watch.now
    later = Watch(tmp_path / "j.sqlite", replace(settings, cook=other(settings.cook, "next")), NOW + 5000)
    later.tend()
    assert later.rows() == [
        ("2026-11-28-village-hall", NOW, told),
        ("2026-11-28-next", NOW + 5000, None),
    ]


def test_figures_and_lessons_of_a_finished_cook_are_worked_out_once(tmp_path: Path) -> None:
    watch = Watch(tmp_path / "j.sqlite", settings_with(cook=True), NOW)
    watch.tend()
    assert watch.archive.finished() == []
    watch.put(EndCook("cook"), 7200.0)
    watch.tend()
    ((pit, lessons),) = watch.archive.finished()
    assert pit == ""
    assert lessons.cook == "2026-11-28-village-hall" and lessons.lag is None
    watch.journal.commit(watch.now)
    assert watch.archive.finished() == []
    (row,) = CookRecords(watch.path).rows("", 5)
    assert row.in_band is None and row.duration == 7201.0


def test_a_journal_without_its_disk_is_left_alone(tmp_path: Path) -> None:
    watch = Watch(tmp_path / "j.sqlite", settings_with(cook=True), NOW)
    watch.journal.disk.trouble = "the disk is full"
    watch.tend()
    assert watch.rows() == [] and watch.archive.finished() == []
    watch.journal.disk.trouble = ""
    watch.tend()
    assert len(watch.rows()) == 1


def test_the_cook_stands_in_its_row_as_it_was_started(tmp_path: Path) -> None:
    settings = settings_with(cook=True)
    watch = Watch(tmp_path / "j.sqlite", settings, NOW)
    watch.tend()
    with closing(sqlite3.connect(watch.path)) as db:
        (kept,) = db.execute("SELECT settings FROM kept_cooks").fetchone()
    assert json.loads(kept) == json.loads(json.dumps(cook_to_plain(settings.cook)))
    entry = CookRecords(watch.path).entry("2026-11-28-village-hall")
    assert entry.settings == settings.cook and entry.channels == settings.channels


@pytest.mark.parametrize(("taken", "expected"), [(set(), "2026-11-28-a"), ({"2026-11-28-a"}, "2026-11-28-a-2")])
def test_ids_are_free(taken: set[str], expected: str) -> None:
    assert free_id("a", NOW, taken.__contains__) == expected


@pytest.mark.parametrize(
    ("cook", "taken", "expected"),
    [
        ("2026-11-27-hall-lunch", set(), "2026-11-27-hall-lunch"),  # begun after midnight: one day, and not two
        ("2026-11-28-hall-lunch", {"2026-11-28-hall-lunch"}, "2026-11-28-hall-lunch-2"),
        ("2026-lunch", set(), "2026-11-28-2026-lunch"),
    ],
)
def test_an_id_of_the_page_has_its_day_already(cook: str, taken: set[str], expected: str) -> None:
    assert free_id(cook, NOW, taken.__contains__) == expected


def test_with_nothing_to_do_the_file_is_not_opened(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each opening writes a page of the write-ahead index: at two looks a minute 12 MB a day."""
    watch = Watch(tmp_path / "j.sqlite", settings_with(cook=True), NOW)
    watch.tend()
    assert watch.archive.finished() == []
    opened: list[Path] = []

    def noted(path: Path) -> AbstractContextManager[sqlite3.Connection]:
        opened.append(path)
        return reading(path)

    monkeypatch.setattr(cook_archive, "reading", noted)
    for _ in range(5):
        watch.tend()
        assert watch.archive.finished() == []
    assert opened == []
    watch.put(EndCook("cook"), 7200.0)
    watch.archive.tend(watch.engine.settings, 0.0)
    assert watch.archive.finished() == [], "its end is not on disk yet"
    watch.journal.commit(watch.now)
    assert len(watch.archive.finished()) == 1


def loaf(settings: WatchSettings, channel: str | None = None) -> PieceSettings:
    return replace(settings.cook.pieces[0], id="loaf", name="Meat loaf", cut="meat-loaf", channel=channel, weight=1.2)


def test_a_cook_that_changed_goes_on_in_its_row_after_a_restart(tmp_path: Path) -> None:
    settings = settings_with(cook=True)
    first = Watch(tmp_path / "j.sqlite", settings, NOW)
    first.tend()
    first.put(AddPiece(loaf(settings), "page"))
    first.put(MoveProbe(settings.cook.pieces[0].id, None, "page"))
    first.put(AddPiece(loaf(settings), "page"))  # refused: it is there already
    first.tend()
    again = Watch(tmp_path / "j.sqlite", first.engine.settings, NOW + 3600.0)
    again.tend()
    assert [(id_, ended) for id_, _, ended in again.rows()] == [("2026-11-28-village-hall", None)]


def test_a_kept_cook_is_as_it_was_worked(tmp_path: Path) -> None:
    """Whoever joined is in it, with the probe it had and from when on; a piece that was named by mistake is not."""
    settings = settings_with(cook=True)
    chuck, lamb = settings.cook.pieces
    watch = Watch(tmp_path / "j.sqlite", settings, NOW)
    watch.tend()
    watch.put(Mark(MarkKind.MEAT_ON, chuck.id))
    watch.put(AddPiece(replace(loaf(settings), id="slip", name="A slip"), "page"), 60.0)
    watch.put(RemovePiece("slip", "page"))
    watch.put(AddPiece(loaf(settings), "page"), 3600.0)
    watch.put(MoveProbe("loaf", lamb.channel, "page"), 600.0)
    moved = watch.now
    watch.put(ChangePiece(replace(chuck, weight=6.5), "page"))
    watch.put(SetBand(Band(110.0, 130.0), "page"))
    watch.put(EndCook("cook"), 7200.0)
    watch.tend()
    records = CookRecords(watch.path)
    (row,) = records.rows("loaf", 5)
    assert row.pieces == (chuck.name, lamb.name, "Meat loaf")
    kept = records.kept(row.id)
    assert [(p.id, p.weight, p.channel) for p in kept.settings.pieces] == [
        (chuck.id, 6.5, chuck.channel), (lamb.id, lamb.weight, None), ("loaf", 1.2, lamb.channel),
    ]  # fmt: skip
    assert kept.probes["loaf"] == ((moved - 600.0, None), (moved, lamb.channel))
    assert kept.probes[lamb.id] == ((NOW, lamb.channel), (moved, None))
    readers = kept.readers(kept.settings.pieces[2])
    assert readers[0] is None and readers[-1] == lamb.channel
    assert [band for _, band in kept.bands] == [Band(110.0, 130.0)]
    records.amend(row.id, CookNotes(weights={"loaf": (1.2, 0.9)}))
    assert records.entry(row.id).settings == settings.cook, "a replay begins with the cook as it was started"


def test_a_newer_program_that_names_a_rule_otherwise_goes_on_with_the_cook(tmp_path: Path) -> None:
    settings = settings_with(cook=True)
    Watch(tmp_path / "j.sqlite", settings, NOW).tend()
    pieces = tuple(replace(piece, safe_rule="in other words") for piece in settings.cook.pieces)
    said = replace(settings.cook, pieces=pieces, hold=replace(settings.cook.hold, rule="in other words"))
    again = Watch(tmp_path / "j.sqlite", replace(settings, cook=said), NOW + 60)
    again.tend()
    assert again.rows() == [("2026-11-28-village-hall", NOW, None)]
    heavier = replace(said, pieces=tuple(replace(piece, weight=9.0) for piece in said.pieces))
    third = Watch(tmp_path / "j.sqlite", replace(settings, cook=heavier), NOW + 120)
    third.tend()
    assert len(third.rows()) == 2
