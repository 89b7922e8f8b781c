"""`[[pits]]`: several pits in a rig file, and every problem with them in plain words."""

from __future__ import annotations

from pathlib import Path

import pytest

import config
from config.cook import Cook
from config.loader import load_both, read_both
from config.problems import Unfit
from daemon.core.settings import Band
from daemon.texts.problems import why
from daemon.wiring.settings_from_files import cook_settings, watch_settings
from tests.texts.english import in_english, problem_in_english, remedy_in_english

EXAMPLES = Path(config.__file__).parent / "examples"
PIT = """[pit]
id = "pit"
name = "The long pit"
band = { low = 107, high = 135 }     # where the fire should stay
altitude = 85                        # metres, or "280 ft": sets the boiling point
"""
PITS = """[[pits]]
id = "offset"
name = "Offset"
band = { low = 107, high = 135 }
altitude = 85

[[pits]]
id = "drum"
name = "Drum"
band = { low = 140, high = 160 }
"""


def files(home: Path, pits: str = PITS, cook: tuple[str, str] = ("", ""), rig: tuple[str, str] = ("", "")) -> Path:
    """The examples with two pits: the left probe and the chuck roll are the offset's, the right one and the lamb the drum's."""
    text = (EXAMPLES / "rig.toml").read_text()
    assert PIT in text
    text = text.replace(PIT, pits)
    for channel, pit in (("pit-left", "offset"), ("pit-right", "drum"), ("chuck", "offset"), ("lamb", "drum")):
        text = text.replace(f'id = "{channel}"\n', f'id = "{channel}"\npit = "{pit}"\n')
    assert rig[0] in text
    (home / "rig.toml").write_text(text.replace(*rig) if rig[0] else text)
    told = (EXAMPLES / "cook.toml").read_text()
    assert cook[0] in told
    (home / "cook.toml").write_text(told.replace(*cook, 1) if cook[0] else told)
    return home


def problems(home: Path) -> list[str]:
    return [problem_in_english(p) for p in read_both(home / "rig.toml", home / "cook.toml").problems]


def test_channels_and_pieces_know_their_pit_and_each_pit_its_band(tmp_path: Path) -> None:
    rig, cook = load_both(files(tmp_path) / "rig.toml", tmp_path / "cook.toml")
    settings = watch_settings(rig, cook)
    assert settings.pit_names == {"": "Offset", "drum": "Drum"} and settings.pit_meant("offset") == ""
    assert {c.id: c.pit for c in settings.channels if c.pit} == {"pit-right": "drum", "lamb": "drum"}
    assert {p.id: p.pit for p in settings.cook.pieces} == {"chuck": "", "lamb": "drum"}
    assert (settings.band_of(""), settings.band_of("drum")) == (settings.cook.band, Band(140.0, 160.0))


def test_the_example_loads_and_has_two_pits(tmp_path: Path) -> None:
    rig, cook = load_both(EXAMPLES / "two-pits.toml", None)
    assert cook is None and [pit.id for pit in rig.pits] == ["offset", "drum"]
    assert {c.role for c in rig.channels if c.pit is None} == {"hold"}


def test_a_cook_may_name_another_pit_and_its_band(tmp_path: Path) -> None:
    rig, _ = load_both(files(tmp_path) / "rig.toml", tmp_path / "cook.toml")
    piece = {"name": "Loaf", "cut": "lamb-shoulder", "weight": 2.0, "pit": "drum"}
    cook = Cook.model_validate({"name": "Lunch", "pieces": [piece], "bands": {"drum": {"low": 150, "high": 170}}})
    settings = cook_settings(cook, rig, 0.0)
    assert settings.pieces[0].pit == "drum" and settings.bands == (("drum", Band(150.0, 170.0)),)
    with pytest.raises(Unfit) as caught:
        cook_settings(Cook.model_validate({"name": "Lunch", "pieces": [piece | {"pit": "kiln"}]}), rig, 0.0)
    assert in_english(why(caught.value)) == "no pit is called kiln; there are: offset, drum"


def test_a_list_of_one_pit_is_a_rig_with_one(tmp_path: Path) -> None:
    one = PITS.split("\n\n")[0] + "\n"
    text = (EXAMPLES / "rig.toml").read_text().replace(PIT, one)
    (tmp_path / "rig.toml").write_text(text)
    rig, _ = load_both(tmp_path / "rig.toml", None)
    assert rig.other_pits == () and rig.pit.id == "offset"
    assert watch_settings(rig, None).pit_names == {"": "Offset"}


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('pit = "drum"\nname = "Lamb shoulder"', 'name = "Lamb shoulder"', ["channel lamb, pit", "which pit", "drum"]),
        ('pit = "drum"\nname = "Lamb shoulder"', 'pit = "kiln"\nname = "Lamb shoulder"',
         ["channel lamb, pit", "kiln", "offset, drum"]),
        ('id = "cabinet"\n', 'id = "cabinet"\npit = "drum"\n', ["channel cabinet, pit", "hold", "belongs to no pit"]),
        ('pit = "drum"\nname = "Pit, right"', 'pit = "offset"\nname = "Pit, right"', ["pit drum", "nobody watches"]),
        ('source = "1"\n', 'source = "1"\npair = "pit-right"\n', ["channel pit-left, pair", "another pit"]),
        ('id = "drum"', 'id = "offset"', ["pits.id", "offset", "its own"]),
        ('id = "drum"', 'id = "pit"', ["pit pit, id", "only the first"]),
        ('id = "drum"', 'id = "offset-watch"', ["pit offset-watch, id", "the watch itself is called so"]),
        ('id = "drum"', 'id = "offset-cabinet"', ["pit offset-cabinet, id", "cabinet is called so"]),
        ('id = "drum"', 'id = "The Drum"', ["pit The Drum, id", "lower-case"]),
        ('name = "Drum"', 'name = "Offset"', ["pits.name", "Offset", "messages can be told apart"]),
        ('name = "Drum"', 'name = "The old brick pit"', ["pit drum, name", "12 letters"]),
        ("low = 140, high = 160", "low = 140, high = 141", ["pit drum, band", "at least 5 °C wide"]),
        ("low = 107, high = 135", 'low = "hot", high = 135', ["pit offset, band.low", "hot", "250 F"]),
        ('name = "Drum"', 'name = "Drum"\naltitude = 900', ["pit drum, altitude", "one altitude"]),
        ("[people]", '[pit]\nid = "x"\nband = { low = 100, high = 120 }\n[people]', ["pits", "there is a [pit] too"]),
        ("[people]", "[other_pits]\n[people]", ["other_pits", "unknown key"]),
    ],
)  # fmt: skip
def test_a_problem_with_pits_names_key_and_remedy(tmp_path: Path, old: str, new: str, words: list[str]) -> None:
    found = problems(files(tmp_path, rig=(old, new)))
    assert any(all(word in line for word in ("rig.toml", *words)) for line in found), found


def test_of_a_role_that_is_unknown_only_the_role_is_said(tmp_path: Path) -> None:
    changed = ('role = "meat"', 'role = "food"')
    found = problems(files(tmp_path, rig=changed))
    assert any("role" in line and "choose one of" in line for line in found), found
    assert not any("belongs to no pit" in line for line in found), found


def test_a_single_table_of_pits_or_devices_gives_one_problem(tmp_path: Path) -> None:
    text = (EXAMPLES / "rig.toml").read_text().replace(PIT, PITS.split("\n\n")[0].replace("[[pits]]", "[pits]") + "\n")
    (tmp_path / "rig.toml").write_text(text)
    (found,) = read_both(tmp_path / "rig.toml", None).problems
    assert found.key == "pits" and "write [[pits]], in double brackets" in remedy_in_english(found)
    two = (EXAMPLES / "two-pits.toml").read_text()
    assert two.count("[[devices]]") == 1
    (tmp_path / "rig.toml").write_text(two.replace("[[devices]]", "[devices]"))
    (found,) = read_both(tmp_path / "rig.toml", None).problems
    assert found.key == "devices" and "write [[devices]], in double brackets" in remedy_in_english(found)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('channel = "lamb"\n', "", ["piece lamb, pit", "which pit it is cooked on", "offset, drum"]),
        ('channel = "lamb"\n', 'channel = "lamb"\npit = "kiln"\n', ["piece lamb, pit", "kiln", "offset, drum"]),
        ('id = "lamb"', 'id = "drum"', ["piece drum, id", "a pit has this id"]),
        ('name = "Village-hall lunch"\n', 'name = "Village-hall lunch"\nbands = { kiln = { low = 100, high = 120 } }\n',
         ["bands.kiln", "no pit has this id"]),
        ('name = "Village-hall lunch"\n', 'name = "Village-hall lunch"\nbands = { offset = { low = 100, high = 120 } }\n',
         ["bands.offset", "band stands alone"]),
    ],
)  # fmt: skip
def test_a_problem_of_a_cook_with_pits(tmp_path: Path, old: str, new: str, words: list[str]) -> None:
    found = problems(files(tmp_path, cook=(old, new)))
    assert any(all(word in line for word in ("cook.toml", *words)) for line in found), found


def test_with_one_pit_a_channel_may_name_it_and_no_other(tmp_path: Path) -> None:
    text = (EXAMPLES / "rig.toml").read_text().replace('id = "lamb"\n', 'id = "lamb"\npit = "pit"\n')
    (tmp_path / "rig.toml").write_text(text)
    assert not read_both(tmp_path / "rig.toml", None).problems
    (tmp_path / "rig.toml").write_text(text.replace('pit = "pit"\n', 'pit = "drum"\n'))
    (found,) = read_both(tmp_path / "rig.toml", None).problems
    assert "channel lamb, pit" in problem_in_english(found) and "drum" in problem_in_english(found)
