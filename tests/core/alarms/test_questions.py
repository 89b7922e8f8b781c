"""What a question to the cook is told as, and what an alarm that does not sound is held back by."""

from __future__ import annotations

import json

import pytest

from daemon.core.alarms.conditions.process import ASKED_AS, asked_as
from daemon.core.alarms.rules import RULES_BY_ID, Condition
from daemon.core.alarms.table import AlarmTable
from daemon.core.said import say
from daemon.texts.catalogue import catalogue
from daemon.texts.composer import GLANCE, PLAIN
from tests.golden.messages import LONG_NAME


@pytest.mark.parametrize(
    ("question", "message"),
    [
        ("question.pit-hot", "Say if The long pit is lit: it is warm, no fire was marked"),
        ("question.not-caught", "Say if The long pit burns: marked lit, but does not warm"),
        ("question.no-answer", "Check The long pit and its probe: it stays at 8 °C"),
        ("question.fire-out", "Say if the fire is out: The long pit"),
        ("question.wrap-unsaid", "Say if The long pit is wrapped: core 8 °C"),
        ("question.climbs-again", "Say if The long pit is wrapped: core 8 °C"),
        ("question.still-heats", "Say if The long pit is off: marked so, but still hot"),
    ],
)
def test_a_message_says_what_is_asked(question: str, message: str) -> None:
    told = asked_as(say(question), name="The long pit", value=8.0)
    assert told is not None and PLAIN.say(told) == message


@pytest.mark.parametrize("question", sorted(ASKED_AS))
def test_it_says_so_of_the_longest_name_too(question: str) -> None:
    told = asked_as(say(question), name=LONG_NAME, value=8.0)
    assert told is not None and len(PLAIN.say(told)) <= GLANCE


def test_every_question_has_a_message_and_no_question_none() -> None:
    assert set(ASKED_AS) == {key for key in catalogue().texts if key.startswith("question.")}
    assert asked_as("", name="Pit") is None


def test_what_holds_an_alarm_back_is_named_and_survives_a_restart() -> None:
    table = AlarmTable((RULES_BY_ID["pit-high"],), 3600.0)
    held = Condition("pit-high", "pit", True, False, "Close damper", "150 °C", suppressed_by=("lid-open", "lighting"))
    table.judge(held, 0.0)
    (view,) = table.views()
    assert view.suppressed_by == ("lid-open", "lighting")
    other = AlarmTable((RULES_BY_ID["pit-high"],), 3600.0)
    other.load(json.loads(json.dumps(table.dump())))
    assert other.views() == table.views()
