"""`pitvigil report` and `pitvigil demo-report`, and the night the latter simulates."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import pytest

from config.loader import load_both
from daemon.cli import main
from daemon.commands.demo.files import START
from daemon.core.inputs import WallClock
from daemon.shell.journal.journal import Journal
from daemon.shell.library.records import CookRecords
from daemon.shell.report.of_kept import kept_report
from daemon.shell.report.picture import drawer
from drivers.simulated.cook import Act
from drivers.simulated.scenarios import demo_scenario
from tests.golden import night
from tests.shell.kept_cooks import FIRST, SECOND, make_journal


def test_the_newest_cook_unless_one_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    make_journal(tmp_path)
    html, png = tmp_path / "report.html", tmp_path / "curves.png"
    assert main(["report", "--state", str(tmp_path), "--html", str(html), "--png", str(png)]) == 0
    assert b"<h1>Choir supper</h1>" in html.read_bytes()
    assert png.read_bytes().startswith(b"\x89PNG\r\n\x1a\n")
    assert capsys.readouterr().out.count(SECOND) == 2
    assert main(["report", FIRST, "--state", str(tmp_path), "--html", str(html)]) == 0
    assert html.read_bytes() == kept_report(CookRecords(tmp_path / "journal.sqlite"), FIRST)


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["lunch", "--html", "r.html"], 1, f'no cook "lunch" is kept in {{state}}; the newest are: {SECOND}, {FIRST}'),
        ([], 2, "--html FILE"),
        (
            ["--html", "no/such/directory/r.html"],
            1,
            "no/such/directory/r.html: error: there is no directory no/such/directory; make it",
        ),
    ],
)
def test_what_cannot_be_done_is_said_with_a_remedy(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], code: int, words: str
) -> None:
    make_journal(tmp_path)
    assert main(["report", "--state", str(tmp_path), *arguments]) == code
    assert words.format(state=tmp_path) in capsys.readouterr().err


def test_a_directory_without_a_journal_or_without_a_cook(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    asked = ["report", "--state", str(tmp_path), "--html", str(tmp_path / "r.html")]
    assert main(asked) == 1
    assert "no cook is kept here; --state is" in capsys.readouterr().err
    Journal(tmp_path / "journal.sqlite").close()
    assert main(asked) == 1
    assert "no cook is kept here yet" in capsys.readouterr().err


def test_without_the_drawing_library_the_extra_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    make_journal(tmp_path)
    monkeypatch.setattr(drawer, "find_spec", lambda name: None)
    assert main(["report", "--state", str(tmp_path), "--png", str(tmp_path / "c.png")]) == 1
    assert "pip install 'pitvigil[report]'" in capsys.readouterr().err
    assert main(["report", "--state", str(tmp_path), "--html", str(tmp_path / "r.html")]) == 0


def test_the_demo_report_is_a_whole_night_whose_messages_were_reviewed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """It needs nothing but a directory. `tests/golden/night.md` has the messages, to be read in one go."""
    made = tmp_path / "demo"
    assert main(["demo-report", str(made), "--hours", str(night.HOURS)]) == 0
    text = (made / "report.html").read_text(encoding="utf-8")
    assert "<h1>Village-hall lunch</h1>" in text and "Simulated: nobody ate it." in text
    assert (made / "curves.png").read_bytes().startswith(b"\x89PNG\r\n\x1a\n")
    assert main(["report", "--state", str(made / "state"), "--html", str(tmp_path / "again.html")]) == 0
    assert (tmp_path / "again.html").read_text(encoding="utf-8") == text
    capsys.readouterr()
    assert main(["demo-report", str(made)]) == 1
    assert "made here before" in capsys.readouterr().err

    with closing(Journal(made / "state" / "journal.sqlite")) as journal:
        inputs = [type(item).__name__ for _, item in journal.inputs()]
    kept = CookRecords(made / "state" / "journal.sqlite").kept("2026-11-27-village-hall")
    assert (kept.started, kept.ended) == (START, START + night.HOURS * 3600)
    assert inputs.count("EndCook") == 1 and inputs.count("Readings") == night.HOURS * 3600 / 15
    assert WallClock.__name__ not in inputs  # engine time is UTC here
    scripted = [s.amount for s in demo_scenario().script if s.act is Act.LOG]
    assert kept.wood is not None and kept.wood > sum(scripted)  # the cook was called and fed the fire
    pit = [v for v in kept.series["pit-left"] if v == v]
    rig, _ = load_both(made / "rig.toml", None)
    assert rig.pit.band.low < max(pit) < rig.pit.band.high + 15 and min(pit) < 30
    marks = [e["kind"] for e in kept.events if e["event"] == "mark"]
    assert marks.count("log") > len(scripted) and marks.count("meat-on") == 2
    assert night.page_of(made, made / "state" / "journal.sqlite") == night.FILE.read_text(encoding="utf-8")
