"""The alarm list as a whole: what the standard asks of every alarm, and what a woken person can read."""

from __future__ import annotations

import pytest

from daemon.core.alarms.conditions.process import Finding, alarm_text
from daemon.core.alarms.rule import PRIORITY_ORDER, AlarmRule, Unit, WakePolicy, warn_within
from daemon.core.alarms.rules import ALARM_RULES, rule_by_id
from daemon.core.events import Priority
from daemon.core.settings import SleeperSettings
from daemon.texts.alarm_list import rules_markdown
from daemon.texts.catalogue import catalogue
from daemon.texts.composer import GLANCE
from tests.golden.messages import CUSTOMARY, LONG_NAME, METRIC, in_other_words, messages

VERBS = {
    "Add", "Charge", "Check", "Chill", "Close", "Confirm", "Cool", "Do", "Feed", "Fetch", "Free", "Get", "Keep", "Light", "Look",
    "Make", "Probe", "Put", "Raise", "Read", "Reheat", "Relight", "Say", "See", "Serve", "Set", "Shut", "Take", "Turn", "Warm",
    "Wrap",
}  # fmt: skip
MUST_NOT_WAKE = {"watch-disk", "watch-broker", "watch-clock", "device-lost", "stage-question", "calibration-old"}
"""What must never wake a cook, whatever else happens: our own list, common practice, no source."""
OWN_WORDS = {"reminder", "reminder-night"}
"""Their text is what the cook wrote."""
UNITS = ("°C", "°F", "%", " s", " min", " h", " days")
each_rule = pytest.mark.parametrize("rule", ALARM_RULES, ids=lambda r: r.id)


@each_rule
def test_every_alarm_declares_what_the_standard_asks(rule: AlarmRule) -> None:
    """Cause, consequence, action and time to act: an alarm is what needs a response (ANSI/ISA-18.2, as quoted in
    chemicalprocessing.com/automation/automation-it/article/11373470)."""
    texts = {part: catalogue()[f"alarm.{rule.id}.{part}"] for part in ("title", "cause", "consequence", "action")}
    assert all(texts.values()) and rule.time_to_act > 0
    assert texts["action"].split()[0].strip(":") in VERBS | {"Change"}
    assert rule.on_delay >= 0 and rule.off_delay >= 0 and rule.deadband >= 0
    assert rule.prompt is False or rule.safety is False


@each_rule
def test_text_is_short_begins_with_a_verb_and_has_a_number_with_its_unit(rule: AlarmRule) -> None:
    numbers = {
        Unit.CELSIUS: (-20.0, 57.2, 121.1, 250.0),
        Unit.SECONDS: (0.0, 59.0, 600.0, 7200.0, 864000.0),
        Unit.PERCENT: (0.0, 7.0, 100.0),
    }
    for value in numbers[rule.unit]:
        for left in (None, 0.0, 1300.0, 90000.0, (10.0, 1500.0), (3000.0, 9000.0), (50000.0, 90000.0)):
            for name in ("pit", LONG_NAME):
                case = (name, value, value, left)
                for _, said in in_other_words(rule, case, name):
                    for text in (METRIC.say(said), CUSTOMARY.say(said)):
                        assert len(text) <= GLANCE and text.split()[0] in VERBS
                for when, said in messages(rule, case):
                    for composer in (METRIC, CUSTOMARY):
                        text = composer.say(said)
                        assert len(text) <= GLANCE
                        assert text.split()[0] in VERBS or rule.id in OWN_WORDS
                        numbered = any(c.isdigit() for c in text) or " now" in text
                        assert when == "without a value" or (
                            numbered and any(unit in text for unit in (*UNITS, " now"))
                        ), text


@each_rule
def test_what_a_rule_covers_is_lesser_and_held_back_while_it_stands(rule: AlarmRule) -> None:
    for lesser in (rule_by_id(covered) for covered in rule.covers):
        assert PRIORITY_ORDER[lesser.priority] >= PRIORITY_ORDER[rule.priority]
        assert rule.id in lesser.guards or lesser.once


def test_text_of_the_feed_prompt() -> None:
    rule = rule_by_id("pit-falling")
    soon = alarm_text(rule, Finding(True, False, "", 124.0, 121.0, 1119.0), "Pit")
    assert METRIC.say(soon) == "Add 1-2 splits: Pit 124 °C, low in 18 min"
    between = alarm_text(rule, Finding(True, False, "", 124.0, 121.0, 1119.0, between=(610.0, 1559.0)), "Pit")
    assert METRIC.say(between) == "Add 1-2 splits: Pit 124 °C, low in 10 to 25 min"
    below = alarm_text(rule, Finding(True, False, "", 124.0, 121.0, 0.0), "Pit")
    assert CUSTOMARY.say(below) == "Add 1-2 splits: Pit 255 °F, low now"


def test_no_value_is_no_invented_number() -> None:
    blind = alarm_text(rule_by_id("fire-out"), Finding(True, False, "", None, 121.0), "Pit")
    assert METRIC.say(blind) == "Relight fire: Pit was below its band, now unseen"


@pytest.mark.parametrize(
    ("rule_id", "words"),
    [
        ("watch-disk", "Look at the disk: the record of the cook is at risk"),
        ("battery-low", "Charge journal: battery low"),
        ("hold-unsafe", "Serve or chill journal: time up in 20 min"),
        ("cooling-slow", "Cool journal faster: time up in 20 min"),
        ("stage-question", "Look at journal and say how it stands"),
    ],
)
def test_what_may_have_no_value_has_words_that_need_none(rule_id: str, words: str) -> None:
    rule = rule_by_id(rule_id)
    unmeasured = Finding(True, False, "", None, None, 1200.0)
    assert METRIC.say(alarm_text(rule, unmeasured, "journal")) == words
    assert len(METRIC.say(alarm_text(rule, unmeasured, "x" * 99))) <= GLANCE
    assert "unknown" not in METRIC.say(alarm_text(rule, unmeasured._replace(value=5.0), "journal"))


def test_ids_are_unique_and_what_must_not_wake_cannot() -> None:
    assert len({r.id for r in ALARM_RULES}) == len(ALARM_RULES)
    assert {r.id for r in ALARM_RULES if r.wake is WakePolicy.NEVER} >= MUST_NOT_WAKE
    assert not [r.id for r in ALARM_RULES if r.wake in (WakePolicy.NOW, WakePolicy.LEAD) and r.id in MUST_NOT_WAKE]


def test_a_safety_alarm_is_never_held_back_by_a_lid_and_may_wake() -> None:
    for rule in (r for r in ALARM_RULES if r.safety):
        assert rule.guards == () and rule.wake in (WakePolicy.NOW, WakePolicy.LEAD)
        assert rule.re_alarm is not None, "acknowledged is not solved"


def test_runaway_states_the_usual_cautions() -> None:
    words = catalogue()["alarm.runaway.consequence"]
    assert "keep the lid shut" in words and "Water" in words and "fire service" in words


def test_the_feed_prompt_becomes_active_25_minutes_ahead() -> None:
    """22 min a sleeper needs (2 notice, 5 dress and walk, 5 act, 10 until the log catches: weakly supported, a setting),
    2 min on-delay and one scan, and 1 min margin."""
    assert warn_within(rule_by_id("pit-falling"), SleeperSettings().lead) == 25 * 60.0 + 5.0


def test_markdown_lists_every_rule_once_worst_first() -> None:
    lines = rules_markdown().splitlines()
    assert [line.count("|") for line in lines] == [9] * (len(ALARM_RULES) + 2)
    ids = [line.split("`")[1] for line in lines[2:]]
    assert sorted(ids) == sorted(r.id for r in ALARM_RULES)
    order = [rule_by_id(i).priority for i in ids]
    assert order == sorted(order, key=[Priority.HIGH, Priority.MEDIUM, Priority.LOW].index)
