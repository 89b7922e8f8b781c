"""`pitvigil cooks`, `export`, `import` and `replay --journal` as a user calls them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from daemon.cli import main
from daemon.shell.library.records import CookRecords
from daemon.shell.library.rows import CookNotes
from daemon.texts.reader import NB
from tests.shell.kept_cooks import FIRST, SECOND, SHORT, make_journal


@pytest.fixture
def state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("COLUMNS", "100")
    return make_journal(tmp_path, SHORT).parent


def call(*words: object) -> int:
    return main([str(word) for word in words])


def test_the_list_shows_figures_and_notes_and_is_searched(state: Path, capsys: pytest.CaptureFixture[str]) -> None:
    notes = CookNotes("juicy", wood=9.5, weights={"chuck": (7.0, 4.9)})
    CookRecords(state / "journal.sqlite").amend(SECOND, notes)
    assert call("cooks", "--state", state) == 0
    shown = capsys.readouterr().out.replace(NB, " ")
    assert shown.index("Choir supper") < shown.index("Village-hall lunch")
    for words in (FIRST, SECOND, "The long pit", "Chuck roll, Lamb shoulder", "juicy", "9.5 kg", "70%", f"{SHORT:.1f}"):
        assert words in shown
    assert call("cooks", "--state", state, "--search", "juicy", "2026-12") == 0
    shown = capsys.readouterr().out
    assert SECOND in shown and FIRST not in shown
    assert call("cooks", "--state", state, "--search", "ham") == 0
    assert "no such cook is kept" in capsys.readouterr().out


def test_the_alarm_figures_of_a_cook_and_of_a_season(state: Path, capsys: pytest.CaptureFixture[str]) -> None:
    raised = []
    for ids in ((FIRST,), (SECOND,), ()):
        assert call("alarms", "--state", state, *ids) == 0
        shown = capsys.readouterr().out
        for name in ("rate in 10 min", "from call to answer", "longest unacknowledged", "chattering", "stale"):
            assert name in shown
        raised.append(int(shown.split("alarms raised")[1].split(",")[0]))
    assert raised[2] == raised[0] + raised[1] > 0
    assert call("alarms", "--state", state, "no-such-cook") == 2
    assert "no such cook is kept" in capsys.readouterr().err


def test_cooks_are_printed_side_by_side_and_hour_by_hour(state: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call("cooks", "--state", state, "--compare", FIRST, SECOND) == 0
    shown = capsys.readouterr().out
    assert "A pit" in shown and "B Lamb" in shown and "swing" in shown
    hours = [line.split()[0] for line in shown.splitlines() if line.strip() and line.split()[0].isdigit()]
    assert hours == [str(hour) for hour in range(int(SHORT) + 1)]
    row = next(line for line in shown.splitlines() if line.split() and line.split()[0] == "2")
    assert row.count("°C") == 6
    for wrong, words in (((FIRST,), "two to 6"), ((FIRST, "none"), "no such cook is kept: none")):
        assert call("cooks", "--state", state, "--compare", *wrong) == 2
        assert words in capsys.readouterr().err


def test_export_and_import_by_command(state: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log, marks = state / "log.csv", state / "marks.csv"
    assert call("export", FIRST, "--state", state, "--csv", log, "--marks", marks) == 0
    assert "readings written" in capsys.readouterr().err
    assert call("import", log, "--state", state, "--name", "Copy", "--pit", "Drum", "--marks", marks) == 0
    assert "are kept as 2026-11-27-copy" in capsys.readouterr().out
    assert call("cooks", "--state", state, "--compare", FIRST, "2026-11-27-copy") == 0
    shown = capsys.readouterr().out
    assert "Drum" in shown and "The long pit" in shown, "two pits side by side"
    assert call("export", "2026-11-27-copy", "--state", state, "--parquet", state / "copy.parquet") == 0
    assert (state / "copy.parquet").stat().st_size > 1000
    log.write_text(log.read_text().replace(",log", ",dance", 1))
    assert call("import", log, "--state", state, "--name", "Copy", "--pit", "Drum") == 0
    told = capsys.readouterr()
    assert 'column "mark" = "dance"' in told.err and "1 cell or line could not be used" in told.err
    assert "kept as 2026-11-27-copy-2" in told.out


def test_what_is_not_there_is_said_in_a_line(state: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for words, said in (
        (("export", "none", "--state", state, "--csv", state / "x.csv"), "no such cook is kept: none"),
        (("export", FIRST, "--state", state, "--csv", state / "no" / "x.csv"), "there is no directory"),
        (("export", FIRST, "--state", state, "--parquet", state / "no" / "x.parquet"), f"{state / 'no'}; make it"),
        (("import", state / "none.csv", "--state", state, "--name", "a", "--pit", "b"), "there is no such file; see"),
        (("cooks", "--state", state / "nowhere"), "no journal is there"),
        (("import", state / "x", "--name", "a", "--pit", "b", "--cook", "c"), "--cook needs --rig"),
        (("import", state / "x", "--name", "a", "--pit", "b", "--band", "9", "8"), "low edge, then the high"),
    ):
        assert call(*words) == 2, words
        assert said in capsys.readouterr().err
    assert not (state / "x.csv").exists()


def test_a_journal_that_cannot_be_read_is_said_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "journal.sqlite").write_bytes(b"not a database at all" * 100)
    assert call("cooks", "--state", tmp_path) == 2
    assert "the journal cannot be read: it is no journal; call" in capsys.readouterr().err


def test_a_kept_cook_is_judged_again_to_the_same_stages(state: Path) -> None:
    events = state / "events.jsonl"
    assert call("replay", "--journal", state, "--cook", FIRST, "--events", events) == 0
    again = [json.loads(line) for line in events.read_text().splitlines()]
    kept = CookRecords(state / "journal.sqlite").kept(FIRST).events

    def stages(told: object) -> list[tuple[str, str, str]]:
        return [(e["time"], e["subject"], e["after"]) for e in told if e["event"] == "stage"]  # type: ignore[attr-defined]

    assert stages(again) == stages(kept) and len(stages(kept)) > 4
