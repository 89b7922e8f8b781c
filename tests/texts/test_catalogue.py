"""The catalogue has every text that is said, with the placeholders it is given, and no other."""

from __future__ import annotations

import argparse
import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

from config.problems import ITEMS
from daemon import cli
from daemon.commands import plain_parser
from daemon.commands.arguments import parser_of
from daemon.core.alarms.rules import ALARM_RULES, AlarmRule
from daemon.core.alarms.state import NAMELESS
from daemon.core.pieces.stage import PieceSign
from daemon.core.pit.stage import PitSign
from daemon.shell.web.openapi import REFUSALS
from daemon.shell.web.routes import ROUTES
from daemon.texts.catalogue import catalogue
from daemon.texts.composer import GIVE_WAY, KINDS, LISTS, SENTENCES, is_message

KEY = re.compile(r"[a-z][a-z-]*(\.[a-z0-9-]+)+")
ROOT = Path(__file__).parents[2]
TEXTS = catalogue()
OF_EVERY_ALARM = ("title", "cause", "consequence", "action", "text")
SAYING = ("say", "words", "remedy", "Unfit", "CalibrationRefused", "DeviceUnavailable", "DeviceMisconfigured")
GIVEN_TO_MESSAGES = {"name", "value", "limit", "left", "last", "ago"}
"""What `alarm_text` gives every message of an alarm; each takes what it needs."""


@cache
def program() -> list[tuple[str, list[ast.AST]]]:
    """Every file by its name, with all that is written in it: read once, and not while tests are collected."""
    files = sorted(file for room in ("config", "drivers", "daemon") for file in (ROOT / room).rglob("*.py"))
    return [(file.name, list(ast.walk(ast.parse(file.read_text(encoding="utf-8"))))) for file in files]


def calls_of_say() -> Iterator[tuple[str, int, str, set[str]]]:
    """(file, line, key, placeholders) of every `say("key", name=...)`, `composer.words("key", name=...)` and remedy."""
    for file, nodes in program():
        for call in nodes:
            if not isinstance(call, ast.Call) or not call.args or _called(call.func) not in SAYING:
                continue
            key, given = call.args[0], {k.arg for k in call.keywords if k.arg}
            if isinstance(key, ast.Constant) and isinstance(key.value, str) and KEY.fullmatch(key.value):
                yield file, call.lineno, key.value, given


def _called(function: ast.expr) -> str:
    if isinstance(function, ast.Call):  # words_for(reader)("key", ...)
        return "words" if _called(function.func) == "words_for" else ""
    if isinstance(function, ast.Attribute):
        return function.attr
    return function.id if isinstance(function, ast.Name) else ""


def placeholders(key: str) -> set[str]:
    return {name for parts in TEXTS.forms(key) for _, name, _ in parts if name}


def test_what_is_said_has_a_text_with_just_these_placeholders() -> None:
    said = list(calls_of_say())
    assert [(file, line, key) for file, line, key, _ in said if key not in TEXTS] == []
    assert [(*one, placeholders(one[2])) for one in said if placeholders(one[2]) != one[3]] == []
    assert len(said) > 500, "the calls were not found"


@pytest.mark.parametrize("rule", ALARM_RULES, ids=lambda r: r.id)
def test_every_alarm_has_its_texts(rule: AlarmRule) -> None:
    wanted = {f"alarm.{rule.id}.{part}" for part in OF_EVERY_ALARM}
    assert wanted <= TEXTS.texts.keys()
    for part, has in (
        ("unmeasured", rule.may_lack_value),
        ("recovering", rule.recovers),
        ("unseen", rule.tells_last),
    ):
        assert (f"alarm.{rule.id}.{part}" in TEXTS) == has
    for key in (k for k in TEXTS.texts if k.startswith(f"alarm.{rule.id}.") and is_message(k)):
        assert placeholders(key) <= GIVEN_TO_MESSAGES


def test_no_text_lies_about_unused() -> None:
    of_alarms = {
        f"alarm.{rule.id}.{part}"
        for rule in ALARM_RULES
        for part in (*OF_EVERY_ALARM, "unmeasured", "recovering", "unseen")
    }
    of_stages = {sign.value for sign in (*PitSign, *PieceSign) if sign is not PitSign.MARKED_LIT}
    assert of_stages <= TEXTS.texts.keys()
    of_page = {key for key in TEXTS.texts if key.startswith("page.")}  # tests/texts/test_page_texts.py
    # tests/shell/hub/test_names.py
    of_hub = {key for key in TEXTS.texts if key.startswith("hub.") and key.count(".") > 1}
    of_help = {key for key in TEXTS.texts if key.startswith("command.help.")}  # below
    of_lists = {f"problem.item.{listed}" for listed in ITEMS}
    assert of_lists <= TEXTS.texts.keys()
    of_fields = {f"problem.called.{field.replace('_', '-')}" for field in fields_of_models()}
    of_api = {f"api.route.{route.handler.replace('_', '-')}" for route in ROUTES} | {
        f"api.refused.{n}" for n in REFUSALS
    }
    assert of_api <= TEXTS.texts.keys()
    known = written_keys() | of_api | of_alarms | of_stages | of_page | of_hub | of_help | of_lists | of_fields
    assert TEXTS.texts.keys() - known == set()


def fields_of_models() -> set[str]:
    return {
        node.target.id
        for _, nodes in program()
        for node in nodes
        if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name)
    }


def written_keys() -> set[str]:
    """Every string of the program that is a key: also of texts that are chosen from a table."""
    return {
        node.value
        for _, nodes in program()
        for node in nodes
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }


def test_help_says_nothing_of_commands_and_arguments_that_there_are_not() -> None:
    parser = parser_of(cli.ACTS)
    (commands,) = (action.choices for action in parser._actions if isinstance(action, argparse._SubParsersAction))
    every = {"any": parser, **dict(commands)}
    named = {name: {action.dest for action in sub._actions} | {"does", "example"} for name, sub in every.items()}
    named["any"] |= {dest for dests in named.values() for dest in dests}
    said = [key.removeprefix("command.help.").split(".") for key in TEXTS.texts if key.startswith("command.help.")]
    assert [(name, dest) for name, dest in said if dest not in named.get(name, ())] == []


@pytest.mark.parametrize(("pattern", "key"), plain_parser._WORDS)
def test_what_is_wrong_with_a_call_has_a_text_with_what_the_parser_told(pattern: re.Pattern[str], key: str) -> None:
    assert placeholders(key) <= set(pattern.groupindex)


def test_every_placeholder_has_a_kind_that_is_known() -> None:
    known = KINDS.keys() | {*SENTENCES, *LISTS, "code", "field", "coming"}
    for key in TEXTS.texts:
        for parts in TEXTS.forms(key):
            for _, name, kind in parts:
                assert not name or kind.partition(".")[0] in known, key
            assert sum(kind in GIVE_WAY for _, _, kind in parts) <= 1 or not is_message(key), key


def test_the_short_forms_of_an_alarm_keep_every_value() -> None:
    for key in (key for key in TEXTS.texts if key.startswith("alarm.")):
        forms = [sorted(name for _, name, _ in parts if name) for parts in TEXTS.forms(key)]
        assert forms == [forms[0]] * len(forms), key
        assert is_message(key) or len(forms) == 1, key


def test_the_rules_whose_words_need_no_name_are_those_that_name_none() -> None:
    nameless = {rule.id for rule in ALARM_RULES if "name" not in placeholders(f"alarm.{rule.id}.text")}
    assert nameless == NAMELESS
