"""Every scenario of this folder says today what was read and found right; a change is made by `python -m tests.golden.rewrite`
and reviewed as a diff."""

from __future__ import annotations

import re

import pytest

from daemon.core.alarms.rules import ALARM_RULES
from tests.golden import messages
from tests.golden.play import FOLDER, Scenario, played, scenarios

FILES = sorted(FOLDER.glob("*.txt"))
ALL = [(file.stem, scenario) for file in FILES for scenario in scenarios(file)]


@pytest.mark.parametrize("scenario", [s for _, s in ALL], ids=[f"{stem}: {s.title}" for stem, s in ALL])
def test_the_watch_says_what_was_reviewed(scenario: Scenario) -> None:
    assert played(scenario) == scenario.written


def test_every_rule_is_raised_and_returns_in_some_scenario() -> None:
    told = [line for _, scenario in ALL for line in scenario.written if line.startswith("  > ")]
    raised = {m[1] for line in told if (m := re.search(r"alarm ([\w-]+)/\S+ #\d+ \w+: normal -> unack", line))}
    assert raised >= {rule.id for rule in ALARM_RULES if not rule.log_only}


def test_people_are_told_what_was_reviewed() -> None:
    assert messages.FILE.read_text(encoding="utf-8") == messages.whole_page()
    assert {rule.id for rule in ALARM_RULES} == set(messages.CASES)
