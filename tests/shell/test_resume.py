"""Engine time over restarts and clock steps; a checkpoint of another version is passed over."""

from __future__ import annotations

from pathlib import Path

import pytest

import config
from config.loader import load_both
from daemon.core.drive import replayed
from daemon.core.engine import Engine
from daemon.core.events import EVENT_NAMES, Event
from daemon.core.inputs import Readings, Resumed
from daemon.core.orders import Mark, MarkKind
from daemon.core.watch_state import CHECKPOINT_VERSION
from daemon.shell.journal.journal import Journal, Start
from daemon.shell.library.archive import row_of_cook
from daemon.shell.resume import away_is_known, engine_time_at_start, restored
from daemon.shell.wording import event_to_dict
from daemon.wiring.settings_from_files import watch_settings
from drivers.reading import Reading, on_grid

EXAMPLES = Path(config.__file__).parent / "examples"
NOW = 1_795_867_200.0  # 2026-11-28T12:00:00Z


def make_engine() -> Engine:
    return Engine(watch_settings(*load_both(EXAMPLES / "rig.toml", EXAMPLES / "cook.toml")))


def journal_with_a_start(path: Path) -> Journal:
    journal = Journal(path)
    journal.take_start(Start(1, NOW, "boot-a", 500.0, "", None))
    journal.take_input(Mark(MarkKind.FIRE_LIT), NOW + 100)
    journal.commit(NOW + 100)
    return journal


def test_a_first_start_has_no_earlier_time(tmp_path: Path) -> None:
    assert engine_time_at_start(Journal(tmp_path / "j"), "boot-a", 1.0, NOW) is None


@pytest.mark.parametrize("wall", [0.0, NOW - 3600, NOW + 86400, 1e12])
def test_on_the_same_boot_the_wall_clock_has_no_say(tmp_path: Path, wall: float) -> None:
    """1970, one hour back, one day on: the time that passed is known from the boot clock."""
    assert engine_time_at_start(journal_with_a_start(tmp_path / "j"), "boot-a", 800.0, wall) == NOW + 300


def test_after_a_reboot_an_unset_clock_is_not_believed(tmp_path: Path) -> None:
    journal = journal_with_a_start(tmp_path / "j")
    assert engine_time_at_start(journal, "boot-b", 5.0, 30.0) == NOW + 100
    assert engine_time_at_start(journal, "boot-b", 5.0, NOW - 50) == NOW + 100, "never back"
    assert engine_time_at_start(journal, "boot-b", 5.0, NOW + 900) == NOW + 900


@pytest.mark.parametrize(
    ("boot", "since_boot", "wall", "known"),
    [
        ("boot-a", 800.0, 0.0, True),  # the same boot: its own clock counts
        ("boot-a", 400.0, NOW + 900, False),  # one that was set back
        ("boot-b", 5.0, NOW + 900, True),
        ("boot-b", 5.0, NOW - 50, False),  # the wall was set back
        ("boot-b", 5.0, 30.0, False),  # or lost
        ("", 5.0, NOW - 50, False),
    ],
)
def test_how_long_a_stop_was_is_known_only_by_a_clock_that_went_on(
    tmp_path: Path, boot: str, since_boot: float, wall: float, known: bool
) -> None:
    assert away_is_known(journal_with_a_start(tmp_path / "j"), boot, since_boot, wall) is known
    assert away_is_known(Journal(tmp_path / "new"), boot, since_boot, wall), "a first start was never away"


def feed(engine: Engine, journal: Journal, start: float, minutes: int) -> None:
    inputs = []
    for second in range(0, minutes * 60, 5):
        now = start + second
        pit = 121.0 + 0.25 * (second % 2)
        inputs.append(
            (now, Readings((Reading("pit-left", pit, now), Reading("chuck", on_grid(60.0 + second / 1000), now))))
        )
    for now, item in inputs:
        journal.take_input(item, now)
    for _ in replayed(engine, inputs):
        pass


def test_restart_comes_back_to_the_same_state(tmp_path: Path) -> None:
    journal, engine = Journal(tmp_path / "j"), make_engine()
    for now, item in ((NOW, Resumed()), (NOW + 0.5, Mark(MarkKind.MEAT_ON))):
        journal.take_input(item, now)
        engine.handle(item, now)
    feed(engine, journal, NOW + 1, 20)
    assert engine.next_deadline() is not None
    for _ in replayed(engine, [], until=NOW + 1200):  # the loop takes checkpoints on closed minutes only
        pass
    journal.take_checkpoint(NOW + 1200, engine.dump())
    feed(engine, journal, NOW + 1201, 7)
    journal.commit(NOW + 1700)
    again = restored(make_engine, journal)
    assert again.dump() == engine.dump()


def test_a_second_restart_does_again_what_was_done_before_the_first_one_after_the_last_input(tmp_path: Path) -> None:
    """A timer's event is the last thing before a stop: hearing it all again through that stop must not skip it."""
    journal, engine = Journal(tmp_path / "j"), make_engine()
    for now, item in ((NOW, Resumed()), (NOW + 0.5, Mark(MarkKind.MEAT_ON))):
        journal.take_input(item, now)
        engine.handle(item, now)
    feed(engine, journal, NOW + 1, 2)
    last = [e for e in replayed(engine, [], until=NOW + 400) if type(e) in EVENT_NAMES][-1]
    journal.take_event(last.time, 0.0, EVENT_NAMES[type(last)], "", event_to_dict(last, 0.0))
    journal.commit(NOW + 400)
    once = restored(make_engine, journal)
    resumed = Resumed(watched_until=journal.newest_event_time())
    journal.take_input(resumed, NOW + 1000)
    once.handle(resumed, NOW + 1000)
    journal.commit(NOW + 1000)
    assert restored(make_engine, journal).dump() == once.dump()
    forgetful = make_engine()
    for _ in replayed(forgetful, ((t, Resumed() if i == resumed else i) for t, i in journal.inputs())):
        pass
    assert forgetful.dump() != once.dump()


def test_a_checkpoint_of_another_version_is_passed_over(tmp_path: Path) -> None:
    journal, engine = Journal(tmp_path / "j"), make_engine()
    journal.take_input(Resumed(), NOW)
    engine.handle(Resumed(), NOW)
    feed(engine, journal, NOW + 1, 20)
    journal.take_checkpoint(NOW + 1200, {"what": "is this"})
    journal.commit(NOW + 1200)
    assert restored(make_engine, journal).dump() == engine.dump()


def test_a_cook_longer_than_a_day_survives_a_checkpoint_that_cannot_be_read(tmp_path: Path) -> None:
    """The meat went on 25 h ago: what is heard again begins with the cook, not with the last day."""
    journal, engine = Journal(tmp_path / "j"), make_engine()
    settings = engine.settings
    for now, item in ((NOW, Resumed()), (NOW + 1, Mark(MarkKind.MEAT_ON))):
        journal.take_input(item, now)
        engine.handle(item, now)
    journal.change(*row_of_cook("cook", settings.cook, settings, NOW, None, 0.0, 1))
    now = NOW + 25 * 3600
    journal.take_input(Mark(MarkKind.LOG), now)
    journal.take_checkpoint(now + 120, engine.dump() | {"version": CHECKPOINT_VERSION + 1})
    journal.commit(now + 120)
    again = restored(make_engine, journal)
    assert again.pieces["chuck"].stage.on_at == NOW + 1


class Counting(Engine):
    """Knows how often a deadline was fired."""

    fired = 0

    def handle_timer(self, now: float) -> list[Event]:
        self.fired += 1
        return super().handle_timer(now)


@pytest.mark.parametrize("checkpoint", [False, True])
def test_a_week_whose_start_was_lost_is_not_heard_second_by_second(tmp_path: Path, checkpoint: bool) -> None:
    """A page of the journal is damaged: the input that says that nobody watched is gone, and the watch would take as long to
    start as to judge a week."""
    journal, engine = Journal(tmp_path / "j"), make_engine()
    journal.take_input(Resumed(), NOW)
    engine.handle(Resumed(), NOW)
    feed(engine, journal, NOW + 1, 2)
    if checkpoint:
        journal.take_checkpoint(NOW + 120, engine.dump())
    later = NOW + 7 * 86400
    journal.take_input(Mark(MarkKind.MEAT_ON), later)
    feed(make_engine(), journal, later + 5, 2)
    journal.commit(later + 120)
    again = restored(lambda: Counting(make_engine().settings), journal)
    assert isinstance(again, Counting) and 20 < again.fired < 200
    assert again.pieces["chuck"].stage.on_at == later
