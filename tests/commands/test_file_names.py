"""Every command that takes a file, given one that is not there, is a directory, is empty or lies nowhere, and some that take a
number, given one that cannot be: one line with what is wrong and what to do, and no word of the system's or a library's. No
outside source: the promise is ours."""

from __future__ import annotations

from pathlib import Path

import pytest

from config.loader import load_rig
from daemon.cli import main

ROOT = Path(__file__).parents[2]
RIG = str(ROOT / "config" / "examples" / "rig.toml")
COOK = str(ROOT / "config" / "examples" / "cook.toml")
LOG = "time,pit-left\n2026-11-28T18:00:00Z,120\n"
CALLS = {
    "a rig": ("check", "--rig", "FILE"),
    "the rig of an order": ("mark", "log", "--rig", "FILE"),
    "a cook": ("check", "--rig", RIG, "--cook", "FILE"),
    "a cook that is planned": ("plan", "--rig", RIG, "--cook", "FILE"),
    "a log": ("replay", "FILE", "--rig", RIG),
    "a log to ask": ("replay", "FILE", "--rig", RIG, "--what-if"),
    "a log to keep": ("import", "FILE", "--name", "Copy", "--pit", "Drum", "--state", "STATE"),
    "its marks": ("import", "LOG", "--marks", "FILE", "--name", "Copy", "--pit", "Drum", "--state", "STATE"),
    "a crew": ("fleet", "--tell", "FILE"),
}
MADE = ("replay", "LOG", "--rig", RIG, "--cook", COOK, "--events", "FILE")
FOREIGN = ("No such", "Is a dir", "Not a dir", "Errno", "Permission", "Traceback", "File exists")


@pytest.fixture
def named(tmp_path: Path) -> dict[str, Path]:
    (tmp_path / "folder").mkdir()
    (tmp_path / "empty").touch()
    (tmp_path / "log.csv").write_text(LOG)
    return {
        "not there": tmp_path / "nope.toml", "nowhere": tmp_path / "no" / "nope.toml", "a directory": tmp_path / "folder",
        "empty": tmp_path / "empty", "in a file": tmp_path / "empty" / "nope.toml",
    }  # fmt: skip


REMEDY = {
    "not there": "see how its name is written", "nowhere": "mend the path", "a directory": "name a file in it",
    "in a file": "mend the path",
}  # fmt: skip


def said_of(words: tuple[str, ...], file: Path, home: Path, capsys: pytest.CaptureFixture[str]) -> tuple[int, str]:
    places = {"FILE": str(file), "STATE": str(home / "state"), "LOG": str(home / "log.csv")}
    code = main([places.get(word, word) for word in words])
    return code, capsys.readouterr().err


@pytest.mark.parametrize("how", ["not there", "nowhere", "a directory", "in a file", "empty"])
@pytest.mark.parametrize("what", CALLS)
def test_a_file_that_cannot_be_read(
    what: str, how: str, named: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, said = said_of(CALLS[what], named[how], tmp_path, capsys)
    assert code == 2 and f"{named[how]}: error: " in said
    assert REMEDY.get(how, "") in said and not any(word in said for word in FOREIGN), said


@pytest.mark.parametrize("how", ["nowhere", "a directory", "in a file"])
def test_a_file_that_cannot_be_written(
    how: str, named: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, said = said_of(MADE, named[how], tmp_path, capsys)
    assert code == 2 and f"{named[how]}: error: " in said and REMEDY[how] in said
    assert not any(word in said for word in FOREIGN), said


def test_the_example_can_be_read() -> None:
    """Else the refusals above could be of the example itself."""
    assert load_rig(Path(RIG)).channels


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (
            ("plan", "--rig", RIG, "--cook", COOK, "--ambient", "500"),
            "the temperature outside (500): must be at most 60",
        ),
        (("plan", "--rig", RIG, "--cook", COOK, "--wind", "-4"), "the wind (-4): must be at least 0 m/s"),
        (("calibrate", "--rig", RIG, "--channel", "chuck", "--pressure", "3"), "give 500 to 1090 hPa"),
    ],
)
def test_a_number_that_cannot_be(
    words: tuple[str, ...],
    said: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    assert main(list(words)) == 2
    assert said in capsys.readouterr().err
