"""Two pits on one tty: a real pty, a real journal, one watch; the second pit's fire is lost at night."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterator
from math import isnan
from pathlib import Path

import pytest

from daemon.core.events import Level, Notification
from daemon.core.orders import Mark, MarkKind
from daemon.shell.clock import ManualClock
from daemon.shell.journal.journal import Journal
from daemon.shell.journal.profile_note import kept_profile
from daemon.shell.library.kept_pits import UnknownPit
from daemon.shell.library.records import CookRecords
from daemon.shell.report.findings import findings
from daemon.shell.report.of_kept import kept_report
from daemon.wiring.watch import Files, Watch
from tests.system.scripted_board import Script, ScriptedBoard, write_files
from tests.system.test_watch import FACTOR, NOON, check_replay
from tests.texts.english import in_english

PITS = """
[[pits]]
id = "offset"
name = "Offset"
band = { low = 107, high = 135 }
[[pits]]
id = "drum"
name = "Drum"
band = { low = 105, high = 140 }
"""
BELL = """
[[delivery]]
kind = "command"
name = "bell"
audience = ["phone", "louder"]
command = ["true"]
"""


@pytest.fixture
def board() -> Iterator[ScriptedBoard]:
    board = ScriptedBoard()
    yield board
    board.close()


def two_pits(home: Path, port: str) -> tuple[Path, Path]:
    """Source 1 and the chuck roll are the offset's, 2 and the lamb the drum's."""
    rig, cook = write_files(home, port, None, night=True, more=BELL)
    text = rig.read_text()
    head, rest = text.split("[people]")
    assert "[pit]" in head
    text = PITS + "[people]" + rest
    for channel, pit in (("pit-left", "offset"), ("pit-right", "drum"), ("chuck", "offset"), ("lamb", "drum")):
        text = text.replace(f'id = "{channel}"\n', f'id = "{channel}"\npit = "{pit}"\n')
    rig.write_text(text)
    return rig, cook


async def test_the_second_pit_wakes_by_its_name_the_journal_replays_alike_and_a_restart_knows_both(
    tmp_path: Path, board: ScriptedBoard
) -> None:
    rig, cook = two_pits(tmp_path, board.port)
    clock = ManualClock(NOON)
    watch = Watch(Files(rig, cook, tmp_path / "state"), clock, FACTOR)
    told: list[Notification] = []
    watch.loop.listeners.append(lambda events, view, now: told.extend(e for e in events if isinstance(e, Notification)))
    running = asyncio.create_task(watch.run())
    script = Script(board, clock, watch)
    for mark in (Mark(MarkKind.FIRE_LIT), Mark(MarkKind.FIRE_LIT, pit="drum")):
        watch.loop.post(mark)
    await script.to(600, s1=121, s2=123, s3=60, s4=60)
    watch.loop.post(Mark(MarkKind.MEAT_ON))
    await script.to(1500, s1=121, s2=122, s3=62, s4=62)
    await script.to(2100, s1=121, s2=80, s3=64, s4=62)
    running.cancel()
    with pytest.raises(asyncio.CancelledError):
        await running
    wakes = [message for message in told if message.level is Level.WAKE]
    assert any("/drum" in message.alarm and "Drum" in in_english(message.text) for message in wakes)
    assert not any(message.alarm in ("fire-out/pit", "pit-blind/pit") for message in told)
    pits = watch.engine.pits
    assert pits[""].stage.stage == "in-band" and pits["drum"].stage.stage in ("low", "out", "falling")

    check_replay(tmp_path)
    journal = Journal(tmp_path / "state" / "journal.sqlite")
    stages = {json.loads(body)["subject"] for name, body in _events(journal) if name == "stage"}
    assert {"pit", "drum"} <= stages
    for pit in pits.values():
        assert kept_profile(journal.notes, pit.id) == pit.learned()
    journal.close()
    kept_of_both(CookRecords(tmp_path / "state" / "journal.sqlite"))
    again = Watch(Files(rig, cook, tmp_path / "state"), ManualClock(clock.now()), FACTOR)
    try:
        assert {id_: str(pit.stage.stage) for id_, pit in again.engine.pits.items()} == {
            id_: str(pit.stage.stage) for id_, pit in pits.items()
        }
        assert again.engine.alarms.standing() == watch.engine.alarms.standing()
    finally:
        again.journal.close()
        again.lock.release()

    first, second = PITS.split("[[pits]]")[1:]
    rig.write_text(rig.read_text().replace(PITS, f"\n[[pits]]{second}[[pits]]{first}"))
    swapped = Watch(Files(rig, cook, tmp_path / "state"), ManualClock(clock.now()), FACTOR)
    try:
        assert [pit.id for pit in swapped.rig.pits] == ["offset", "drum"], "not by the place in the file"
        assert swapped.engine.pit.stage.stage == "in-band"
        assert {id_: piece.settings.pit for id_, piece in swapped.engine.pieces.items()} == {
            id_: piece.settings.pit for id_, piece in watch.engine.pieces.items()
        }
    finally:
        swapped.journal.close()
        swapped.lock.release()


def kept_of_both(records: CookRecords) -> None:
    """The record names both pits, and is shown by either: at last the drum is below 107 °C, the offset is not."""
    (row,) = records.rows("drum", 5)
    assert row.pit == "Offset, Drum" and records.rows("kiln", 5) == []
    whole = records.kept(row.id)
    assert [(pit.id, pit.name, pit.band.high) for pit in whole.pits] == [
        ("offset", "Offset", 135),
        ("drum", "Drum", 140),
    ]
    offset, drum = whole.view("Offset"), whole.view("drum")
    assert whole.view() == offset
    assert ([p.id for p in offset.settings.pieces], [p.id for p in drum.settings.pieces]) == (["chuck"], ["lamb"])
    told, other = findings(offset), findings(drum)
    last = [[value for value in found.pit if not isnan(value)][-1] for found in (told, other)]
    assert last[1] < 107 < last[0]
    page = kept_report(records, row.id, "drum").decode()
    assert "Drum, " in page and "Chuck roll" not in page.partition("<h2")[0]
    with pytest.raises(UnknownPit, match="no pit of this cook is called kiln; there is: offset, drum"):
        kept_report(records, row.id, "kiln")


def _events(journal: Journal) -> Iterator[tuple[str, str]]:
    for event in journal.events():
        yield event["event"], json.dumps(event, default=str)
