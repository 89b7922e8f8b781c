"""A kept night as the page hands it out, from a journal that the real loop wrote."""

from __future__ import annotations

import csv
import io
from math import isnan
from pathlib import Path

import pytest

from daemon.commands.replay import LogMistakes, read_log
from daemon.core.inputs import Readings
from daemon.core.orders import Mark
from daemon.shell.library.records import CookRecords
from daemon.shell.library.tables import minutes_csv
from daemon.shell.web.kept_page import kept_page
from daemon.shell.web.page import marks_before
from daemon.texts.composer import Composer
from drivers.reading import RESOLUTION_PER_C
from tests.shell.kept_cooks import FIRST, SECOND, make_journal
from tests.texts.english import in_english


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> CookRecords:
    return CookRecords(make_journal(tmp_path_factory.mktemp("kept")))


def test_the_table_is_a_log_that_replay_reads_back(records: CookRecords) -> None:
    """Every believed minute and every mark comes back, to the grid of the journal, at its own instant."""
    kept = records.kept(FIRST)
    mistakes = LogMistakes()
    back = list(read_log(io.StringIO(minutes_csv(kept)), "kept.csv", [c.id for c in kept.channels], mistakes))
    assert mistakes.count == 0
    read = {(now, r.channel): r.celsius for now, item in back if isinstance(item, Readings) for r in item.readings}
    written = {
        (minute * 60.0 + kept.wall_offset, channel): value
        for channel, values in kept.series.items()
        for minute, value in zip(kept.minutes, values, strict=True)
        if not isnan(value)
    }
    assert read.keys() == written.keys() and len(written) > 5000
    assert all(read[at] == pytest.approx(value, abs=0.5 / RESOLUTION_PER_C) for at, value in written.items())
    marks = [(item.kind.value, item.piece) for _, item in back if isinstance(item, Mark)]
    assert marks == [(e["kind"], e["piece"]) for e in kept.events if e["event"] == "mark"] and len(marks) > 10


def test_the_curve_has_the_marks_of_before_a_restart(records: CookRecords, tmp_path: Path) -> None:
    marks = marks_before(make_journal(tmp_path))
    first, second = (records.kept(cook) for cook in (FIRST, SECOND))
    told = [(e["kind"], e["piece"]) for kept in (first, second) for e in kept.events if e["event"] == "mark"]
    assert [(m.kind, m.piece) for m in marks] == told and len(told) > 20
    assert [m.time for m in marks] == sorted(m.time for m in marks)
    assert second.started <= marks[-1].time <= (second.ended or 0)


def test_the_page_of_a_kept_night_tells_its_marks_and_wakes_in_order(records: CookRecords, tmp_path: Path) -> None:
    kept = records.kept(FIRST)
    page = kept_page(kept, kept.view(), records.compare([FIRST], 300)[0], Composer())
    times = [moment.at for moment in page.moments]
    assert times == sorted(times) and times[0] >= 0 and times[-1] <= page.curve.cook.duration
    woken = [m for m in page.moments if m.kind == "woken"]
    assert [m.text for m in woken] == [
        in_english(e["text"]) for e in kept.events if e["event"] == "notification" and e["level"] == "wake"
    ]
    assert woken and {piece.id for piece in page.pieces} == {"chuck", "lamb"}
    assert (page.band.low, page.band.high) == (105, 135), "the band set an hour into the night, not the cook file's"
    assert not page.running and len(page.curve.time) <= 300
    assert next(csv.reader(io.StringIO(minutes_csv(kept)))) == ["time", *(c.id for c in kept.channels), "mark"]
