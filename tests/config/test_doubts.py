"""Values in the wrong unit are asked about, sensible ones are not. Conversions are exact by definition; the usual ranges are
common practice, no source."""

from __future__ import annotations

import copy
import tomllib
from pathlib import Path
from typing import Any

import pytest

import config
from config.cook import Cook, PieceSection, WrapSection
from config.doubts import doubts, piece_doubts
from config.loader import read_both
from config.rig import Rig
from tests.texts.english import problem_in_english

EXAMPLES = Path(config.__file__).parent / "examples"
SERVED = 1_795_955_400.0
"""2026-11-29 12:30 UTC, the serving time of the example cook."""


def asked(now: float = SERVED - 43_200.0, fahrenheit: bool = False, **changes: Any) -> list[str]:
    rig = tomllib.loads((EXAMPLES / "rig.toml").read_text(encoding="utf-8"))
    cook = tomllib.loads((EXAMPLES / "cook.toml").read_text(encoding="utf-8"))
    for key, value in changes.items():
        if key in ("band", "altitude"):
            rig["pit"][key] = value
        elif key == "cook_band":
            cook["band"] = value
        elif key in ("wood", "portion", "guests", "reminders", "plan"):
            cook[key] = value
        else:
            cook["pieces"][0][key] = value
    found = doubts(Rig.model_validate(rig), Cook.model_validate(cook), "rig.toml", "cook.toml", now)
    return [problem_in_english(problem, fahrenheit) for problem in found]


def test_the_example_is_not_asked_about() -> None:
    assert asked() == []


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"band": {"low": 235, "high": 275}}, ["pit.band", "455 to 527 °F", '"235 F"']),
        ({"cook_band": {"low": 225, "high": 250}}, ["cook.toml", "band", '"225 F"']),
        ({"plan": {"ambient": 50}}, ["plan.ambient", "50", '"50 F"']),
        ({"plan": {"wind": 15}}, ["plan.wind", "15", '"15 mph"']),
        ({"plan": {"wind": "30 mph"}}, ["plan.wind", '"30 mph"', "Is it meant"]),
        ({"band": {"low": 45, "high": 60}}, ["pit.band", "Is it meant"]),
        ({"weight": 14}, ["piece chuck, weight", "kg", 'write "14 lb"']),
        ({"weight": "31 lb"}, ["piece chuck, weight", '"31 lb"', "this is 14 kg"]),
        ({"weight": "150 lb"}, ["piece chuck, weight", '= "150 lb"', "has about 7 kg, and this is 68 kg"]),
        ({"thickness": "12 in"}, ["piece chuck, thickness", '= "12 in"', "this is 30 cm. Is it meant?"]),
        ({"wood": {"split": "10 lb"}}, ["wood.split", '= "10 lb"', "that is 4.5 kg", "Is it meant?"]),
        ({"thickness": 6}, ["piece chuck, thickness", 'If you meant inches, write "6 in"']),
        ({"thickness": 6, "weight": 15}, ["piece chuck, thickness", 'If you meant inches, write "6 in"']),
        ({"thickness": 6, "weight": 15}, ["piece chuck, weight", 'write "15 lb"']),
        ({"altitude": 5280}, ["pit.altitude", '"5280 ft"']),
        ({"wood": {"split": 5}}, ["wood.split", "kg", 'If you meant pounds, write "5 lb"']),
        ({"wood": {"kind": "Scots pine"}}, ["wood.kind", "soots"]),
        ({"guests": 40, "portion": 0.5}, ["portion", 'If you meant pounds, write "0.5 lb"']),
        ({"reminders": [{"text": "Turn", "at": "2027-11-29T06:00:00"}]}, ["reminder number 1, at", "days away"]),
        ({"reminders": [{"text": "Turn", "at": "2025-11-29T06:00:00"}]}, ["reminder number 1, at", "past"]),
    ],
)
def test_a_unit_that_can_hardly_be_meant_is_asked_about(changes: dict[str, Any], words: list[str]) -> None:
    found = asked(**changes)
    assert any(all(word in line for word in words) for line in found), found


@pytest.mark.parametrize(
    "changes",
    [
        {"wood": {"split": 0.8, "kind": "oak", "stock": 40}},
        {"guests": 40},
        {"band": {"low": "225 F", "high": "275 F"}},
        {"band": {"low": 150, "high": 180}},
        {"weight": 9.5},
        {"thickness": 12},
        {"altitude": 2240},
    ],
)
def test_what_may_well_be_meant_is_left_alone(changes: dict[str, Any]) -> None:
    assert asked(**changes) == []


@pytest.mark.parametrize(
    "changes", [{"weight": "150 lb"}, {"thickness": "2 in"}, {"wood": {"split": "5 kg"}}, {"altitude": "14000 ft"}]
)
def test_a_unit_that_is_written_is_not_offered_again(changes: dict[str, Any]) -> None:
    (line,) = asked(**changes)
    assert "Is it meant" in line and "write" not in line and "you meant" not in line


@pytest.mark.parametrize("thickness", [15, 19])
def test_a_thickness_is_left_alone_that_goes_with_a_weight_that_may_be_meant(thickness: int) -> None:
    """15 lb and 15 kg of chuck roll are about 15 and 19 cm thick."""
    (line,) = asked(weight=15, thickness=thickness)
    assert "piece chuck, weight" in line


def test_a_copy_of_a_piece_keeps_how_its_weight_was_written() -> None:
    piece = PieceSection.model_validate({"name": "A", "cut": "beef-chuck-roll", "weight": "150 lb"})
    for other in (copy.deepcopy(piece), piece.model_copy(deep=True)):
        assert other == piece and [*piece_doubts(other, "f", "A")] == [*piece_doubts(piece, "f", "A")] != []
    assert PieceSection.model_validate_json(piece.model_dump_json()) == piece, "a weight is a plain number elsewhere"


def test_a_rig_without_a_zone_is_asked_about() -> None:
    rig = tomllib.loads((EXAMPLES / "rig.toml").read_text(encoding="utf-8"))

    def found() -> list[str]:
        return [problem_in_english(p) for p in doubts(Rig.model_validate(rig), None, "rig.toml", "cook.toml", SERVED)]

    assert found() == []
    rig["people"]["zone"] = "UTC"
    assert found() == [], "said so"
    del rig["people"]["zone"]
    (line,) = found()
    assert "rig.toml: warning: people.zone" in line and "UTC" in line and 'zone = "Europe/Berlin"' in line
    del rig["people"]
    assert len(found()) == 1


def test_a_serving_time_that_is_past_or_far_off_is_asked_about() -> None:
    assert "that is past" in asked(now=SERVED + 60.0)[0]
    assert "5 days away" in asked(now=SERVED - 5 * 86_400.0)[0]
    assert asked(now=SERVED - 1.5 * 86_400.0) == []


def test_a_core_far_from_what_a_cut_is_cooked_to_is_asked_about() -> None:
    piece: dict[str, Any] = {"name": "A", "cut": "lamb-shank", "weight": 0.45}
    low = [*piece_doubts(PieceSection(**piece, target=60), "cook.toml", "A")]
    assert [doubt.key for doubt in low] == ["A.target"]
    assert "tender from 90 °C" in problem_in_english(low[0]) and "tender from 194 °F" in problem_in_english(
        low[0], True
    )
    assert not [*piece_doubts(PieceSection(**piece, target=92), "cook.toml", "piece A")]
    rare: dict[str, Any] = {"name": "B", "cut": "beef-rib-roast", "weight": 4.0}
    assert not [*piece_doubts(PieceSection(**rare, target=52), "cook.toml", "piece B")]
    wrap = [*piece_doubts(PieceSection(**piece, wrap=WrapSection(material="foil", at=45)), "cook.toml", "piece A")]
    assert [doubt.key for doubt in wrap] == ["piece A.wrap"]


def test_an_error_in_one_piece_hides_no_question_about_another(tmp_path: Path) -> None:
    cook = tmp_path / "cook.toml"
    cook.write_text(
        'name = "Supper"\nband = { low = 235, high = 275 }\n'
        '[[pieces]]\nname = "A"\ncut = "whale"\nweight = 2\n'
        '[[pieces]]\nname = "B"\ncut = "lamb-leg"\nweight = 6\n'
    )
    read = read_both(Path(config.__file__).parent / "examples" / "rig.toml", cook)
    assert read.cook is None and read.problems
    assert [(doubt.key, doubt.name) for doubt in read.doubts(SERVED)] == [("band", ""), ("pieces.1.weight", "B")]
