"""One mistake hides neither another nor a question. No outside source: what is asked is checked in test_doubts."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

import config
from config.cook import Cook
from config.doubts import doubts
from config.kinds import KINDS, kind_meant
from config.loader import read_both
from config.parts import ANY_BAND, ANY_CHANNEL, ANY_DEVICE, ANY_NAME, ANY_PIECE
from config.problems import Problem
from config.rig import Rig

EXAMPLES = Path(config.__file__).parent / "examples"
NOW = 1_795_910_000.0
"""Half a day before the example's serving time."""
RIG = """
[pit]
band = { low = 225, high = 275 }
altitude = 5280
grease_tray = "a lot"
[people]
unit = "F"
zone = "Europe/London"
quiet_from = "25:00"
[wood]
split = 5
[[devices]]
id = "board"
kind = "serial"
port = "/dev/null"
baud = "fast"
[[channels]]
id = "grate"
role = "pit"
device = "board"
source = "1"
[[delivery]]
name = "Mail"
kind = "post"
host = "mail.example.org"
sender = "pit@example.org"
audience = ["phone"]
"""
COOK = """
name = "Lunch"
serve_at = 2026-11-19T12:30:00
rest_minutes = "long"
[[pieces]]
name = "Whale"
cut = "whale"
weight = 2
[[pieces]]
name = "Chuck roll"
cut = "beef-chuck-roll"
weight = 15
channel = 3
[[reminders]]
text = "Turn"
[[reminders]]
text = "Spritz"
at = 2026-11-18T12:30:00
"""


def read(home: Path, rig: str = RIG, cook: str = COOK) -> tuple[set[str], dict[str, Problem]]:
    """Keys of what is wrong, and what is asked, by key."""
    (home / "rig.toml").write_text(rig)
    (home / "cook.toml").write_text(cook)
    found = read_both(home / "rig.toml", home / "cook.toml")
    return {problem.key for problem in found.problems}, {doubt.key: doubt for doubt in found.doubts(NOW)}


def test_mistakes_everywhere_hide_no_other_and_no_question(tmp_path: Path) -> None:
    wrong, asked = read(tmp_path)
    assert wrong == {
        "pit.grease_tray", "people.quiet_from", "devices.0.kind", "devices.0.baud", "devices.0.line",
        "delivery.0.kind", "delivery.0.name", "delivery.0.to", "rest_minutes", "pieces.0.cut", "pieces.1.channel",
        "reminders.0",
    }  # fmt: skip
    assert set(asked) == {"pit.band", "pit.altitude", "wood.split", "serve_at", "pieces.1.weight", "reminders.1.at"}
    assert asked["pieces.1.weight"].name == "Chuck roll"
    read_files = read_both(tmp_path / "rig.toml", None)
    assert read_files.people is not None and read_files.people.unit == "F", "who reads it is told in their unit"


@pytest.mark.parametrize(
    ("old", "new", "not_asked"),
    [
        ('zone = "Europe/London"', 'zone = "Mars"', {"serve_at", "reminders.1.at"}),
        ("low = 225", 'low = "hot"', {"pit.band"}),
        ("split = 5", 'split = "big"', {"wood.split"}),
        ("[pit]", "[pit", {"pit.band", "pit.altitude", "wood.split", "serve_at", "reminders.1.at"}),
    ],
)
def test_what_cannot_be_judged_before_a_mistake_is_mended_is_not_asked(
    tmp_path: Path, old: str, new: str, not_asked: set[str]
) -> None:
    _, before = read(tmp_path)
    _, asked = read(tmp_path, RIG.replace(old, new))
    assert before.keys() - asked.keys() == not_asked and not asked.keys() - before.keys()


def test_a_place_is_asked_about_only_where_all_channels_can_be_read(tmp_path: Path) -> None:
    rig = (EXAMPLES / "rig.toml").read_text()
    cook = (
        (EXAMPLES / "cook.toml").read_text().replace('cut = "lamb-shoulder"', 'cut = "lamb-shoulder"\nplace = "rigth"')
    )
    assert set(read(tmp_path, rig, cook)[1]) == {"pieces.1.place"}
    assert set(read(tmp_path, rig.replace('name = "The long pit"', "name = 3"), cook)[1]) == {"pieces.1.place"}
    assert not read(tmp_path, rig.replace('place = "right"', "place = 3"), cook)[1]


def test_files_without_a_mistake_are_asked_about_as_a_whole(tmp_path: Path) -> None:
    rig = (EXAMPLES / "rig.toml").read_text().replace("low = 107", "low = 200").replace("high = 135", "high = 250")
    cook = (EXAMPLES / "cook.toml").read_text().replace("weight = 7.0 ", "weight = 15 ")
    (tmp_path / "rig.toml").write_text(rig)
    (tmp_path / "cook.toml").write_text(cook)
    found = read_both(tmp_path / "rig.toml", tmp_path / "cook.toml")
    assert found.rig is not None and found.cook is not None
    whole = [*doubts(found.rig, found.cook, str(tmp_path / "rig.toml"), str(tmp_path / "cook.toml"), NOW)]
    assert [(p.key, p.remedy) for p in found.doubts(NOW)] == [(p.key, p.remedy) for p in whole] and len(whole) == 2


def test_nothing_is_asked_about_what_stands_in_for_a_part() -> None:
    rig = Rig.model_validate(
        {"pit": ANY_BAND, "devices": [ANY_DEVICE], "channels": [ANY_CHANNEL], "people": {"zone": "UTC"}}
    )
    cook = Cook.model_validate({**ANY_NAME, "pieces": [ANY_PIECE]})
    assert not [*doubts(rig, cook, "rig.toml", "cook.toml", NOW)]


@pytest.mark.parametrize(
    ("listed", "table", "meant"),
    [
        ("delivery", {"kind": "email", "host": "a", "to": ["b"]}, "smtp"),
        ("delivery", {"kind": "hook", "url": "https://a"}, "webhook"),
        ("delivery", {"kind": "buzzer", "chip": "a", "line": 3}, "gpio"),
        ("delivery", {"kind": "x", "name": "a", "audience": ["phone"]}, None),
        ("devices", {"kind": "serial_line"}, "serial-line"),
        ("devices", {"kind": 3, "channel_list": [1]}, "scpi"),
        ("devices", {"kind": "x", "port": "a", "baud": 9600}, None),
        ("devices", {}, None),
    ],
)  # fmt: skip
def test_a_kind_is_meant_by_its_spelling_or_by_the_keys_beside_it(
    listed: str, table: dict[str, object], meant: str | None
) -> None:
    assert kind_meant(listed, table) == meant


def test_each_kind_is_told_by_its_own_example() -> None:
    rig = tomllib.loads((EXAMPLES / "rig.toml").read_text())
    for listed in KINDS:
        for table in rig[listed]:
            assert table["kind"] in KINDS[listed]
