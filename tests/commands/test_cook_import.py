"""A cook goes out as CSV or Parquet and comes back as it was; what cannot be read is named by line and column."""

from __future__ import annotations

import csv
import io
import re
import tempfile
from contextlib import closing
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pyarrow.compute as pc
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.config_error import ConfigError
from daemon.cli import main
from daemon.commands import cook_import
from daemon.commands.cook_import import import_csv, key_of
from daemon.commands.replay import LogMistakes, read_log
from daemon.core.inputs import Input, Readings
from daemon.core.orders import Mark, MarkKind
from daemon.core.settings import Band, Role
from daemon.shell.journal.journal import Journal
from daemon.shell.library.records import CookEntry, CookRecords
from daemon.shell.library.tables import (
    MissingExtra,
    kept_inputs,
    lines_of_readings,
    write_csv,
    write_marks,
    write_parquet,
)
from daemon.shell.report.findings import findings
from drivers.reading import Fault, Quality, Reading, on_grid
from tests.shell.kept_cooks import FIRST, SHORT, make_journal, write_files

UTC_OFFSET = 100.5
"""s between engine time and UTC in the generated cooks: exports speak UTC."""


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_journal(tmp_path_factory.mktemp("files"), SHORT)


def written(entry: CookEntry) -> tuple[str, str]:
    table, marks = io.StringIO(), io.StringIO()
    channels = [channel.id for channel in entry.channels]
    write_csv(channels, lines_of_readings(kept_inputs(entry), entry.wall_offset), table)
    write_marks(kept_inputs(entry), entry.wall_offset, marks)
    return table.getvalue(), marks.getvalue()


def test_out_and_in_and_out_again_is_the_same_table(journal: Path, tmp_path: Path) -> None:
    entry = CookRecords(journal).entry(FIRST)
    table, marks = written(entry)
    log, second = tmp_path / "log.csv", tmp_path / "marks.csv"
    log.write_text(table)
    second.write_text(marks)
    target = tmp_path / "elsewhere" / "journal.sqlite"
    found = import_csv(log, target, "Hall lunch, again", "Brick pit", marks_file=second)
    assert (found.mistakes.count, found.mark_mistakes.count) == (0, 0)
    assert found.id == "2026-11-27-hall-lunch-again"
    assert written(CookRecords(target).entry(found.id)) == (table, marks)
    assert found.readings == sum(len(i.readings) for _, i in kept_inputs(entry) if isinstance(i, Readings))


def test_an_imported_cook_can_be_asked_what_any_other_can(
    journal: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Judged with the same rig and cook files, it comes to the same figures as the night itself."""
    log = tmp_path / "log.csv"
    log.write_text(written(CookRecords(journal).entry(FIRST))[0])
    home = journal.parent
    target = tmp_path / "journal.sqlite"
    found = import_csv(log, target, "Copy", "The long pit", home / "rig.toml", home / "cook.toml", band=Band(1, 2))
    records, own = CookRecords(target), CookRecords(journal)
    (copy,), night = records.rows("copy", 9), own.rows("village", 9)[0]
    assert copy.pieces == night.pieces and copy.swing == pytest.approx(night.swing, abs=0.3)
    assert copy.spread == pytest.approx(night.spread, abs=0.1)
    kept = records.kept(found.id)
    stages = [(e["subject"], e["after"]) for e in kept.events if e["event"] == "stage"]
    lived = [(e["subject"], e["after"]) for e in own.kept(FIRST).events if e["event"] == "stage"]
    assert lived == [*stages, ("pit", "cooling")], "the last of it said by the end of the cook, which no table holds"
    assert main(["report", found.id, "--state", str(tmp_path), "--html", str(tmp_path / "report.html")]) == 0
    report = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "No watch ran in it" in report and "What woke you" not in report and "Times woken" not in report
    ask = ["replay", "--journal", str(tmp_path), "--cook", found.id, "--rig", str(home / "rig.toml")]
    assert main([*ask, "--set", "rule.pit-falling.wake=never"]) == 0
    told = capsys.readouterr()
    assert "no watch is known to have kept it" in " ".join(told.out.split()) and "it called" not in told.err
    assert "then woken" not in told.out
    assert main(["alarms", "--state", str(tmp_path)]) == 0
    assert "no cook is kept yet" in capsys.readouterr().out, "its alarms were nobody's to answer"
    assert main(["alarms", found.id, "--state", str(tmp_path)]) == 0
    assert "nobody was called" in capsys.readouterr().err
    twice = import_csv(log, target, "Copy", "The long pit")
    assert twice.id == f"{found.id}-2" and len(records.rows("", 9)) == 2
    assert {c.id: c.role for c in records.entry(twice.id).channels}["cabinet"] is Role.HOLD
    assert len(records.compare([found.id, twice.id], 100)) == 2


def test_a_probe_without_a_column_is_no_probe_that_failed(journal: Path, tmp_path: Path) -> None:
    """The rig has it, the table does not: nobody is advised to look after its plug, and no alarm speaks of it."""
    rows = list(csv.reader(io.StringIO(written(CookRecords(journal).entry(FIRST))[0])))
    left_out = {"pit-right", "lamb"}
    assert left_out < set(rows[0])
    kept = [place for place, title in enumerate(rows[0]) if title not in left_out]
    log = tmp_path / "log.csv"
    with log.open("w") as file:
        csv.writer(file).writerows([[row[place] for place in kept] for row in rows])
    home, target = journal.parent, tmp_path / "journal.sqlite"
    found = import_csv(log, target, "Copy", "The long pit", home / "rig.toml", home / "cook.toml")
    cook = CookRecords(target).kept(found.id)
    assert not left_out & {channel.id for channel in cook.channels}
    assert not [e for e in cook.events if e.get("subject") in left_out or e.get("channel") in left_out]
    troubles = findings(cook).probes
    names = {channel.name for channel in CookRecords(journal).entry(FIRST).channels if channel.id in left_out}
    assert not names & {trouble.channel for trouble in troubles}


def test_parquet_read_back_by_pyarrow_holds_the_same_values(journal: Path, tmp_path: Path) -> None:
    entry = CookRecords(journal).entry(FIRST)
    readings = write_parquet(entry, tmp_path / "cook.parquet")
    table = pq.read_table(tmp_path / "cook.parquet")
    assert str(table.schema.field("time").type) == "timestamp[ms, tz=UTC]"
    rows = list(csv.DictReader(io.StringIO(written(entry)[0])))
    assert table.num_rows == len(rows)
    channels = [channel.id for channel in entry.channels]
    assert readings == sum(table.num_rows - table[c].null_count for c in channels)
    for channel in channels:
        told = [None if row[channel] in ("", "open") else float(row[channel]) for row in rows]
        assert table[channel].to_pylist() == told
    assert table["mark"].to_pylist() == [row["mark"] or None for row in rows]
    assert [f"{at:%Y-%m-%dT%H:%M:%S}" for at in table["time"].to_pylist()[:50]] == [r["time"][:19] for r in rows[:50]]
    assert pc.max(table["pit-left"]).as_py() > 100


def test_without_pyarrow_the_missing_extra_is_named(
    journal: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(__import__("sys").modules, "pyarrow", None)
    with pytest.raises(MissingExtra, match=r"pip install 'pitvigil\[parquet\]'"):
        write_parquet(CookRecords(journal).entry(FIRST), tmp_path / "cook.parquet")


# --- anything a cook may hold ----------------------------------------------------------------------------

CHANNELS = ("pit-left", "chuck", "=1+1", "'quoted'")
"""The last two as a log of other origin may name them."""
one_reading = st.builds(
    lambda channel, celsius, fault, doubted: Reading(
        channel,
        None if fault else celsius,
        0.0,
        fault,
        Quality.SUSPECT if doubted and not fault else Quality.GOOD,
    ),
    channel=st.sampled_from(CHANNELS),
    celsius=st.floats(-999, 999).map(on_grid),
    fault=st.one_of(st.none(), st.sampled_from(list(Fault))),
    doubted=st.booleans(),
)
marks = st.builds(
    Mark,
    kind=st.sampled_from(list(MarkKind)),
    piece=st.sampled_from([None, "chuck", "lamb"]),
    by=st.sampled_from(["cook", "Ann, page", "@Ann"]),
    note=st.sampled_from(["", 'said "now"', "two\nlines, and ä", "=HYPERLINK(A1)", "+1", "-2", "\t=1", "'so'", "''=1"]),
)
items = st.lists(
    st.tuples(
        st.integers(0, 90_000),
        st.one_of(marks, st.lists(one_reading, min_size=1, max_size=4).map(lambda r: Readings(tuple(r)))),
    ),
    min_size=1,
    max_size=12,
)


def entry_with(home: Path, told: list[tuple[int, Input]]) -> CookEntry:
    """A journal that was told exactly this, ms apart."""
    now = 1_795_867_200.0
    file = home / "journal.sqlite"
    with closing(Journal(file)) as journal:
        for later, item in told:
            now = round(now + later / 1000, 3)
            journal.take_input(item, now)
        journal.commit(now)
    channels: Any = [SimpleNamespace(id=c) for c in CHANNELS]
    plain: Any = SimpleNamespace(journal=file, first_input=1, ended=None, wall_offset=UTC_OFFSET, channels=channels)
    return plain  # type: ignore[no-any-return]


@given(items)
def test_whatever_was_told_is_read_back_from_the_table(told: list[tuple[int, Input]]) -> None:
    with tempfile.TemporaryDirectory() as made:
        entry = entry_with(Path(made), told)
        table, second = written(entry)
        kept = [(round(now + UTC_OFFSET, 3), item) for now, item in kept_inputs(entry)]
    assert not any(would_run(cell) for text in (table, second) for row in csv.reader(io.StringIO(text)) for cell in row)
    mistakes = LogMistakes()
    inputs = list(read_log(io.StringIO(table, newline=""), "log.csv", CHANNELS, mistakes))
    fuller = list(cook_import._read_marks(io.StringIO(second, newline=""), "marks.csv", mistakes))
    assert mistakes.count == 0

    assert sorted(spoken_of(inputs), key=repr) == sorted(spoken_of(kept), key=repr)
    assert fuller == [(now, item) for now, item in kept if isinstance(item, Mark)], "every note with its name"
    assert [(now, i.kind, i.piece) for now, i in inputs if isinstance(i, Mark)] == [
        (now, i.kind, i.piece) for now, i in kept if isinstance(i, Mark)
    ]


def would_run(cell: str) -> bool:
    """Taken for a formula by a spreadsheet: the characters are those OWASP names under "CSV Injection" (CWE-1236). A number
    below zero is none."""
    return cell[:1] in ("=", "+", "-", "@", "\t", "\r") and not re.fullmatch(r"-[\d.]+\??", cell)


def spoken_of(rows: list[tuple[float, Input]]) -> list[tuple[float, str, float | None, Fault | None, Quality]]:
    return [
        (now, r.channel, r.celsius, r.fault, r.quality)
        for now, item in rows
        if isinstance(item, Readings)
        for r in item.readings
    ]


# --- tables of other origin ------------------------------------------------------------------------------


def test_bad_cells_are_named_by_line_and_column_and_the_rest_is_kept(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_bytes(
        "\ufefftime,pit,Lamb shoulder,mark\n"
        "2026-11-28T10:00:00Z,120,5.5,meat-on\n"
        "2026-11-28T10:01:00Z,hot,5.6,\n"
        "yesterday,121,5.7,\n"
        "2026-11-28T10:02:00Z,121,nan,dance\n"
        "2026-11-28T10:03:00Z,121,5.8,,extra\n"
        "2026-11-28T09:00:00Z,121,5.8,\n"
        "2026-11-28T10:04:00Z,-1024,9e9,\n"
        "2026-11-28T10:05:00Z,122.013,short,log\n".encode()
        + b"2026-11-28T10:06:00Z,12\xff1,6,\n2026-11-28T10:07:00Z,1\x000,6,\n"
    )
    found = import_csv(log, tmp_path / "journal.sqlite", "May fair", "Drum", band=Band(110, 130))
    lines = "\n".join(found.mistakes.shown)
    for words in (
        'line 3, column "pit" = "hot"', 'line 4, column "time" = "yesterday"',
        'line 5, column "Lamb shoulder" = "nan"', 'line 5, column "mark" = "dance"',
        'line 6, column "(none)" = "extra"', 'line 7, column "time"',
        'line 8, column "pit" = "-1024"', 'line 8, column "Lamb shoulder" = "9e9"',
        'line 10, column "pit"',
        "line 11",
    ):  # fmt: skip
        assert words in lines
    entry = CookRecords(tmp_path / "journal.sqlite").entry(found.id)
    told = [item for _, item in kept_inputs(entry)]
    assert [i.kind for i in told if isinstance(i, Mark)] == [MarkKind.MEAT_ON, MarkKind.LOG]
    spoken = [(r.channel, r.celsius, r.fault) for i in told if isinstance(i, Readings) for r in i.readings]
    assert spoken[:2] == [("pit", 120.0, None), ("Lamb shoulder", 5.5, None)]
    assert ("pit", on_grid(122.013), None) in spoken and ("Lamb shoulder", None, Fault.SHORT_CIRCUIT) in spoken
    assert entry.settings.band == Band(110, 130) and [p.id for p in entry.settings.pieces] == ["Lamb shoulder"]
    assert found.readings == len(spoken)


def test_the_second_file_s_bad_marks_are_named_too(tmp_path: Path) -> None:
    log, second = tmp_path / "log.csv", tmp_path / "marks.csv"
    log.write_text("time,pit,chuck\n2026-11-28T10:00:00Z,120,5\n2026-11-28T11:00:00Z,120,9\n")
    second.write_text(
        "time,mark,by,note\n2026-11-28T10:30:00Z,log,Ann,oak\nlater,log,,\n2026-11-28T10:40:00Z,dance,,\n"
    )
    found = import_csv(log, tmp_path / "journal.sqlite", "x", "y", marks_file=second)
    assert found.mark_mistakes.count == 2 and 'line 3, column "time"' in found.mark_mistakes.shown[0]
    told = [item for _, item in kept_inputs(CookRecords(tmp_path / "journal.sqlite").entry(found.id))]
    assert [i for i in told if isinstance(i, Mark)] == [Mark(MarkKind.LOG, None, "Ann", "oak")]
    assert isinstance(told[2], Mark), "in its place in time"
    second.write_text("mark,time\n")
    with pytest.raises(ConfigError, match="the columns are time, mark, by, note"):
        import_csv(log, tmp_path / "journal.sqlite", "x", "y", marks_file=second)


@pytest.mark.parametrize(
    ("text", "words"),
    [("when,pit\n", "first column must be `time`"), ("time,pit,pit\n", "twice"), ("time,pit\n", "no line of it")],
)
def test_a_table_that_cannot_be_used_leaves_nothing_behind(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "log.csv").write_text(text)
    with pytest.raises(ConfigError, match=words):
        import_csv(tmp_path / "log.csv", tmp_path / "state" / "journal.sqlite", "x", "y")
    assert list(tmp_path.rglob("*.sqlite*")) == []


@pytest.mark.parametrize(("name", "key"), [("May fair 2026!", "may-fair-2026"), ("  ", "cook"), ("Ä lunch", "lunch")])
def test_a_name_becomes_an_id(name: str, key: str) -> None:
    assert key_of(name) == key


def fahrenheit_log(to: Path, pit: float, core: float) -> Path:
    rows = "".join(f"2026-05-02T06:{m:02}:00Z,{pit + m % 5},{core + m / 10:.1f}\n" for m in range(60))
    to.write_text(f"time,pit,chuck\n{rows}")
    return to


@pytest.mark.parametrize(("pit", "core", "asked"), [(245.0, 60.0, ["pit"]), (245.0, 165.0, ["pit", "chuck"])])
def test_a_log_that_can_hardly_be_in_celsius_is_asked_about_and_not_kept(
    tmp_path: Path, pit: float, core: float, asked: list[str]
) -> None:
    """No pit of this trade is kept at 245 °C and no wet meat is 165 °C in its core: common practice, no source."""
    journal = tmp_path / "journal.sqlite"
    with pytest.raises(ConfigError) as refused:
        import_csv(fahrenheit_log(tmp_path / "f.csv", pit, core), journal, "May fair", "Drum")
    assert [problem.key for problem in refused.value.problems] == asked
    assert all(
        "--unit F" in str(problem.remedy) and "--unit C" in str(problem.remedy) for problem in refused.value.problems
    )
    assert not CookRecords(journal).rows("", 9)


@pytest.mark.parametrize(("unit", "hottest"), [("F", 120.6), ("C", 249.0)])
def test_the_unit_that_is_said_is_taken(tmp_path: Path, unit: str, hottest: float) -> None:
    """249 °F are 120.6 °C by the definition of the scale (0 °C = 32 °F, 180 °F to 100 °C)."""
    journal = tmp_path / "journal.sqlite"
    found = import_csv(fahrenheit_log(tmp_path / "f.csv", 245.0, 165.0), journal, "May fair", "Drum", unit=unit)
    read = [
        r
        for _, item in kept_inputs(CookRecords(journal).entry(found.id))
        if isinstance(item, Readings)
        for r in item.readings
    ]
    assert max(r.celsius or 0.0 for r in read if r.channel == "pit") == pytest.approx(hottest, abs=0.05)


def test_the_band_of_a_log_is_asked_for_its_unit(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """225 to 275 °F is the usual band of this trade: common practice, no source."""
    log = str(fahrenheit_log(tmp_path / "f.csv", 245.0, 165.0))
    called = ["import", log, "--state", str(tmp_path), "--name", "May", "--pit", "Drum", "--unit", "F", "--band"]
    assert main([*called, "225", "275"]) == 2
    assert "write 225F 275F" in (said := capsys.readouterr().err) and "--unit C" not in said
    called = [word for word in called if word not in ("--unit", "F")]
    assert main([*called, "225", "275"]) == 2
    assert "write its unit: 225F 275F (or --unit C" in capsys.readouterr().err
    called[-1:] = ["--unit", "F", "--band"]
    assert not CookRecords(tmp_path / "journal.sqlite").rows("", 9)
    assert main([*called, "225F", "275F"]) == 0


def test_imported_cooks_are_listed_where_no_watch_has_run_and_a_second_import_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = str(fahrenheit_log(tmp_path / "c.csv", 121.0, 66.0))
    called = ["import", log, "--state", str(tmp_path), "--name", "May", "--pit", "Drum"]
    assert main(called) == 0
    kept = CookRecords(tmp_path / "journal.sqlite").rows("", 9)[0].id
    assert main(["cooks", "--state", str(tmp_path)]) == 0 and kept in capsys.readouterr().out
    assert main(called) == 0 and f"kept already ({kept})" in capsys.readouterr().err


def test_a_log_in_usual_celsius_is_kept_without_a_question(tmp_path: Path) -> None:
    found = import_csv(fahrenheit_log(tmp_path / "c.csv", 121.0, 66.0), tmp_path / "journal.sqlite", "May", "Drum")
    assert found.readings == 120 and not found.mistakes.shown


def test_no_unit_is_guessed_without_a_word(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """By import and by replay: a log that may be in °C is told to be taken so, one that can hardly be is asked about."""
    log = fahrenheit_log(tmp_path / "f.csv", 120.0, 60.0)
    kept = ["import", str(log), "--state", str(tmp_path), "--name", "May", "--pit", "Drum"]
    assert main(kept) == 0 and "taken for °C; if they are °F, say --unit F" in capsys.readouterr().err
    assert main([*kept, "--unit", "C"]) == 0 and "taken for" not in capsys.readouterr().err
    rig, _ = write_files(tmp_path)
    log.write_text(log.read_text().replace("time,pit,chuck", "time,pit-left,chuck"))
    judged = ["replay", str(log), "--rig", str(rig), "--events", str(tmp_path / "events.jsonl")]
    assert main(judged) == 0 and "taken for °C" in capsys.readouterr().err
    fahrenheit_log(log, 245.0, 165.0)
    log.write_text(log.read_text().replace("time,pit,chuck", "time,pit-left,chuck"))
    for asked in (judged, [*judged, "--what-if"]):
        assert main(asked) == 2
        said = capsys.readouterr().err
        assert "pit-left = 247" in said and "--unit F" in said
    assert main([*judged, "--unit", "F"]) == 0 and "taken for" not in capsys.readouterr().err
