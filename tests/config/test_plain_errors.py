"""Every wrong type in every key gives one problem a key, in plain words. No outside source: the words are ours."""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Iterator
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel, ValidationError

import config
from config.cook import Cook
from config.plain_errors import plain_problems
from config.rig import Rig
from tests.texts.english import problem_in_english, remedy_in_english

EXAMPLES = Path(config.__file__).parent / "examples"

WRONG: tuple[Any, ...] = (
    "words", "", 3, -1, 10**30, 2.5, -1e300, float("inf"), float("nan"), True, False, [], ["a", 1], [[]], {}, {"no": 1},
    date(2026, 11, 29), datetime(2026, 11, 29, 12, tzinfo=UTC), time(12),
)  # fmt: skip
"""One of each kind that TOML can say, and of each the awkward ones."""

FOREIGN = (
    "Input should", "validation", "pydantic", "instance of", "Tuple", "literal", "Literal", "Value error", "Section",
    "assertion", "field required", "Field", "dictionary", "discriminator", "unable to", "parsed", "tag", "regex", "pattern",
)  # fmt: skip
"""Words of the library, not of a cook."""

RIG_EXTRA = """
[[devices]]
kind = "modbus"
id = "meter"
port = "/dev/ttyUSB1"
sources = [{ source = "1", slave = 1, register = 0 }]
[[devices]]
kind = "ble-gatt"
id = "handheld"
address = "AA:BB:CC:DD:EE:FF"
characteristics = [{ source = "1", uuid = "2a6e" }]
[[devices]]
kind = "scpi"
id = "bench"
port = "/dev/ttyUSB2"
channel_list = [101]
[[delivery]]
kind = "webhook"
name = "hook"
audience = ["phone"]
url = "https://example.org/hook"
[[delivery]]
kind = "smtp"
name = "mail"
audience = ["notice"]
host = "mail.example"
sender = "pit@example.org"
to = ["cook@example.org"]
[dead_man]
url = "https://example.org/alive"
"""


def table(file: str) -> dict[str, Any]:
    text = (EXAMPLES / file).read_text(encoding="utf-8")
    return tomllib.loads(text + RIG_EXTRA if file == "rig.toml" else text)


def paths(node: Any, before: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    """Every key and list item of a file, and one unknown key in each table."""
    items: list[tuple[str | int, Any]] = []
    if isinstance(node, dict):
        items = [*node.items(), ("colour", None)]
    elif isinstance(node, list):
        items = list(enumerate(node))
    for key, value in items:
        yield (*before, key)
        yield from paths(value, (*before, key))


def with_value(whole: dict[str, Any], path: tuple[str | int, ...], value: Any) -> dict[str, Any]:
    changed: Any = copy.deepcopy(whole)
    here = changed
    for part in path[:-1]:
        here = here[part]
    here[path[-1]] = value
    return dict(changed)


@pytest.mark.parametrize(("file", "model"), [("rig.toml", Rig), ("cook.toml", Cook)])
def test_every_wrong_value_in_every_key_is_said_in_plain_words(file: str, model: type[BaseModel]) -> None:
    whole, tried = table(file), 0
    model.model_validate(whole)  # what is broken below is broken by us
    for path in paths(whole):
        for value in WRONG:
            changed = with_value(whole, path, value)
            try:
                model.model_validate(changed)
            except ValidationError as error:
                problems = plain_problems(file, error.errors(include_url=False), changed)
            else:
                continue
            tried += 1
            said = "\n".join(map(problem_in_english, problems))
            assert problems, (path, value)
            dotted = ".".join(map(str, path))
            assert any(p.key.startswith(dotted) or dotted.startswith(p.key) for p in problems), (path, value, said)
            assert len({p.key for p in problems}) == len(problems), said
            for problem in problems:
                assert remedy_in_english(problem), said
                remedy = remedy_in_english(problem)
                text = remedy.replace(str(value), "") if isinstance(value, str) and value else remedy
                assert not any(word in text for word in FOREIGN), (path, value, said)
    assert tried > 500


def test_a_wrong_item_is_not_said_to_shorten_its_list() -> None:
    changed = with_value(table("cook.toml"), ("pieces", 0, "weight"), "heavy")
    with pytest.raises(ValidationError) as caught:
        Cook.model_validate(changed)
    problems = plain_problems("cook.toml", caught.value.errors(include_url=False), changed)
    assert [problem_in_english(p) for p in problems] == [
        'cook.toml: error: piece number 1, weight = "heavy": '
        'write a weight as a number of kg, or in quotes with its unit: "15 lb"'
    ]


@pytest.mark.parametrize(
    ("at", "said"),
    [
        ("74 F", 'wrap.at = "74 F": must be at least 40 °C'),
        ("674 F", 'wrap.at = "674 F": must be at most 99 °C'),
        (171, 'wrap.at = 171: must be at most 99 °C; if °F is meant, write "171 F"'),
    ],
)
def test_a_number_with_its_unit_is_said_as_written_and_once(at: Any, said: str) -> None:
    changed = with_value(table("cook.toml"), ("pieces", 0, "wrap"), {"material": "paper", "at": at})
    with pytest.raises(ValidationError) as caught:
        Cook.model_validate(changed)
    problems = plain_problems("cook.toml", caught.value.errors(include_url=False), changed)
    assert [problem_in_english(p) for p in problems] == [f"cook.toml: error: piece number 1, {said}"]


@pytest.mark.parametrize(
    ("low", "high", "remedy"),
    [
        (235, "275 F", 'low = 235 is in °C; if °F is meant, write low = "235 F"'),
        ("275 F", "235 F", 'a band goes from low to high: low = "235 F", high = "275 F"'),
        (120, "230 F", 'a band goes from low to high: low = "230 F", high = 120'),
        (130, 110, "a band goes from low to high: low = 110, high = 130"),
    ],
)
def test_a_band_that_is_turned_round_is_shown_as_written(low: Any, high: Any, remedy: str) -> None:
    changed = with_value(table("rig.toml"), ("pit", "band"), {"low": low, "high": high})
    with pytest.raises(ValidationError) as caught:
        Rig.model_validate(changed)
    (problem,) = plain_problems("rig.toml", caught.value.errors(include_url=False), changed)
    assert remedy_in_english(problem) == remedy


@pytest.mark.parametrize(
    ("file", "model", "key"),
    [("rig.toml", Rig, "devices"), ("rig.toml", Rig, "channels"), ("rig.toml", Rig, "delivery"),
     ("cook.toml", Cook, "pieces"), ("cook.toml", Cook, "reminders")],
)  # fmt: skip
def test_single_brackets_for_a_list_of_tables_are_said_to_be_double(
    file: str, model: type[BaseModel], key: str
) -> None:
    changed = with_value(table(file), (key,), {"id": "one"})
    with pytest.raises(ValidationError) as caught:
        model.model_validate(changed)
    (problem,) = plain_problems(file, caught.value.errors(include_url=False), changed)
    assert f"write [[{key}]], in double brackets" in remedy_in_english(problem)


def test_one_problem_for_a_key_that_may_be_written_in_several_ways() -> None:
    changed = with_value(table("cook.toml"), ("pieces", 0, "wrap"), "paper")
    with pytest.raises(ValidationError) as caught:
        Cook.model_validate(changed)
    (problem,) = plain_problems("cook.toml", caught.value.errors(include_url=False), changed)
    assert problem.key == "pieces.0.wrap" and "or wrap = false for never" in remedy_in_english(problem)


@pytest.mark.parametrize(
    ("path", "value", "metric", "american"),
    [
        (
            ("hold", "target"),
            180,
            'at most 90 °C; if °F is meant, write "180 F"',
            "at most 90 °C (194 °F); if °F is meant",
        ),
        (("hold", "target"), 900, "at most 90 °C", "at most 90 °C (194 °F)"),
        (
            ("pieces", 0, "weight"),
            100,
            'at most 80 kg; if pounds are meant, write "100 lb"',
            "at most 80 kg (176.4 lb)",
        ),
        (
            ("pieces", 0, "weight"),
            2400,
            'at most 80 kg; if grams are meant, write "2400 g"',
            "at most 80 kg (176.4 lb); if grams",
        ),
        (
            ("pieces", 0, "thickness"),
            150,
            'at most 40 cm; if millimetres are meant, write "150 mm"',
            "(15.7 in); if millimetres",
        ),
        (("pieces", 0, "thickness"), 0.2, "more than 1 cm", "more than 1 cm (0.4 in)"),
        (("pieces", 0, "wrap"), "paper", "at = 77 }", 'at = "171 F" }'),
        (("pieces", 0, "tender"), [101, 120], "within 60 to 100 °C", "within 140 to 212 °F"),
    ],
)
def test_a_limit_is_said_in_the_file_s_unit_and_in_the_reader_s(
    path: tuple[str | int, ...], value: Any, metric: str, american: str
) -> None:
    """Conversions are exact by definition. What else may be meant is asked only where it would fit."""
    changed = with_value(table("cook.toml"), path, value)
    with pytest.raises(ValidationError) as caught:
        Cook.model_validate(changed)
    (problem,) = plain_problems("cook.toml", caught.value.errors(include_url=False), changed)
    assert metric in problem_in_english(problem) and american in problem_in_english(problem, fahrenheit=True)
    assert value != 900 or "meant" not in problem_in_english(problem)
