"""The morning's list of wakes comes from the journal, with the cook's own judgement."""

from pathlib import Path

import pytest

from daemon.core.events import EVENT_NAMES, Event, Level, Notification, WakeJudged
from daemon.shell.cook_records import CookRecords
from daemon.shell.journal import Journal
from daemon.shell.web.contract import UnknownCook
from daemon.shell.wording import event_to_dict


def told(time: float, number: int, level: Level, held_back: str = "") -> Notification:
    text = f"Add 1-2 splits ({number})"
    return Notification(time, f"pit-falling/pit#{number}.0", level, "pit-falling/pit", number, 0, text, ("phone",), 9e9,
                        held_back=held_back)  # fmt: skip


def test_wakes_and_what_was_held_back_newest_first(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "j.sqlite")
    events: list[Event] = [
        told(1.0, 1, Level.WAKE),
        told(2.0, 2, Level.NOTICE),
        told(3.0, 3, Level.LOG, "never wakes"),
        WakeJudged(4.0, "pit-falling/pit#1.0", False, "cook"),
    ]
    for event in events:
        journal.take_event(event.time, 0.0, EVENT_NAMES[type(event)], "lunch", event_to_dict(event, 0.0))
    journal.commit(5.0)
    rows = CookRecords(journal.path).wakes()
    assert [(r.notification, r.held_back, r.needed) for r in rows] == [
        ("pit-falling/pit#3.0", True, None),
        ("pit-falling/pit#1.0", False, False),
    ]
    journal.close()


def test_what_is_not_there_is_said_so(tmp_path: Path) -> None:
    Journal(tmp_path / "j.sqlite").close()
    records = CookRecords(tmp_path / "j.sqlite")
    assert records.wakes() == []
    with pytest.raises(UnknownCook):
        records.report("lunch")
