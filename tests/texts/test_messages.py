"""Every message with whatever is told along with it: short, verb first, with its values, and no name is lost."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.core.alarms.conditions.process import Finding, alarm_text
from daemon.core.alarms.names import LEAST, called, told_by
from daemon.core.alarms.rule import AlarmRule, Unit
from daemon.core.alarms.rules import ALARM_RULES, RULES_BY_ID
from daemon.core.annunciation.messages import Messages
from daemon.core.annunciation.state import Annunciation
from daemon.core.said import Said, Text, say
from daemon.texts.catalogue import catalogue
from daemon.texts.composer import GLANCE, Composer, is_message
from daemon.texts.reader import Reader
from tests.core.alarms.test_rules import OWN_WORDS, VERBS

COMPOSERS = (Composer(Reader()), Composer(Reader(fahrenheit=True)))
MINUTE, HOUR = 60.0, 3600.0
NAMES = (
    ("Pit", "Drum"),
    ("The long pit", "The short pit"),
    ("The big chuck roll of the butcher in the village", "The big chuck roll of the farmer in the village"),
    ("Chuck roll 1", "Chuck roll 2"),
    ("Chuck roll of the east", "Chuck roll of the east, the second one"),
    ("Überseeräucherofenanlage", "Überseeräucherofenablage"),
    ("x" * 80, "x" * 79 + "y"),
)
VALUES = {Unit.CELSIUS: (-20.0, 246.0), Unit.SECONDS: (0.0, 119 * MINUTE), Unit.PERCENT: (100.0,)}
LEFT = (None, 25 * MINUTE, (10 * MINUTE, 25 * MINUTE), (100 * MINUTE, 119 * MINUTE), (50 * MINUTE, 3 * HOUR))
OTHERS: tuple[tuple[str, ...], ...] = (
    (),
    ("pit-high/left",),
    ("hold-falling/left", *(f"pit-high/{n}" for n in range(11))),
    ("SAME/right",),
    ("fire-out/right",),
    ("SAME/right", "hold-falling/left"),
    ("hold-falling/right",),
    ("runaway/right", *(f"pit-high/{n}" for n in range(11))),
)
"""Keys of what is told along with an alarm of the pit "left"; SAME: by its own rule."""
KEYS = [key for key in catalogue().texts if key.startswith("alarm.") and is_message(key)]
ALSO = "; also: "
each_key = pytest.mark.parametrize("key", KEYS)


def rule_of(key: str) -> AlarmRule:
    return RULES_BY_ID[key.split(".")[1]]


def said_by(key: str, name: Text) -> Iterator[Said]:
    """The message with every kind of values."""
    rule = rule_of(key)
    for value in VALUES[rule.unit]:
        for left in LEFT:
            yield say(key, name=name, value=value, limit=value, left=left, last=246.0, ago=119 * MINUTE)


def merged(key: str, text: Said, others: tuple[str, ...], pits: tuple[str, str]) -> tuple[Text, list[Annunciation]]:
    """As the watch sends it, this alarm being the most urgent of them."""
    rule = rule_of(key)
    messages = Messages(RULES_BY_ID)
    messages.pits = {"left": told_by(pits[0], pits), "right": told_by(pits[1], pits)}
    messages._urgency = lambda one: (0, one.text is not text, 0.0, 0.0, 0.0, one.key)  # type: ignore[method-assign,assignment]
    told = [Annunciation(f"{rule.id}/left", rule.id, 1, text, 0.0, None)]
    told += [
        Annunciation(other.replace("SAME", rule.id), other.replace("SAME", rule.id).split("/")[0], 1, "", 0.0, None)
        for other in others
    ]
    return messages.words("", told), [t for t in told[1:] if not messages._is_covered(t, told)]


def values_in(text: str) -> list[str]:
    """Numbers with their units, those of names aside."""
    return re.findall(r"-?\d+ (?:°[CF]|%|s|min|h|days)\b|\bnow\b", text)


@each_key
def test_a_message_keeps_verb_values_names_and_safety(key: str) -> None:
    rule, template = rule_of(key), catalogue()[key]
    for pits in NAMES:
        name = called(pits[0], pits)
        for text in said_by(key, name):
            alone = {
                composer: values_in(composer.say(say(key, **dict(text.values) | {"name": "N"})))
                for composer in COMPOSERS
            }
            for others in OTHERS:
                words, along = merged(key, text, others, pits)
                safety = [RULES_BY_ID[one.rule].safety for one in along]
                for composer in COMPOSERS:
                    made = composer.say(words)
                    assert len(made) <= GLANCE
                    assert made.split()[0] in VERBS or rule.id in OWN_WORDS
                    assert "{name:name}" not in template or tells(made, *pits), made
                    missing = set(alone[composer]) - set(values_in(made.replace(pits[0], "")))
                    assert not missing or ":soonest}" in template, (made, missing)
                    counted = safety[1:] if ALSO in made else safety  # the first of them is named where there is room
                    assert ALSO not in made or composer.words(f"alarm.{along[0].rule}.title") in made
                    assert made.endswith(", safety") == any(counted), made


def tells(made: str, name: str, other: str) -> bool:
    """Some part of the message is this name, or a cut of at least its letters that could not be one of the other."""
    if name in made:
        return True
    for cut in re.finditer("…", made):
        for start in range(max(0, cut.start() - len(name)), cut.start() + 1):
            for end in range(cut.end(), min(len(made), cut.end() + LEAST) + 1):
                head, _, tail = made[start:end].partition("…")
                long_enough = len(head) + len(tail) >= LEAST - 3
                if long_enough and is_cut(head, tail, name) and not is_cut(head, tail, other):
                    return True
    return False


def is_cut(head: str, tail: str, name: str) -> bool:
    """head…tail with nothing of either missing at the ends of the name, or …tail… from within it."""
    return (name.startswith(head) and name.endswith(tail)) or (not head and bool(tail) and tail in name)


@pytest.mark.parametrize("rule", ALARM_RULES, ids=lambda r: r.id)
def test_what_is_over_says_that_it_is(rule: AlarmRule) -> None:
    for pits in NAMES:
        title = say(f"alarm.{rule.id}.title")
        text = say("message.over-of", what=title, name=called(pits[0], pits), since=40000.0)
        for composer in COMPOSERS:
            made = composer.say(text)
            assert len(made) <= GLANCE and made.startswith("Over") and composer.say(title) in made
            assert tells(made, pits[0], pits[1])


@given(
    st.lists(st.text("abc ", min_size=1, max_size=14).map(str.strip).filter(bool), min_size=2, max_size=4, unique=True)
)
def test_a_cut_name_is_short_and_belongs_to_one_name_where_any_cut_does(names: list[str]) -> None:
    for name in names:
        cut = told_by(name, names)
        assert 0 < len(cut) <= LEAST
        assert cut == name or "…" in cut
        head, _, tail = cut.partition("…")
        if cut != name and not tail.endswith("…"):
            assert name.startswith(head) and name.endswith(tail)
    whole = [cut for name in names if "…" in (cut := told_by(name, names))]
    assert all(called(name, names) == name or told_by(name, names) in whole for name in names)


@pytest.mark.parametrize(
    ("name", "other", "cut"),
    [
        ("The long pit", "Drum", "The lon…"),
        ("Chuck roll 1", "Chuck roll 2", "Chuck…1"),
        ("The pit behind the hall", "The pit behind the barn", "The pi…l"),
        ("Pit of the west wing, old", "Pit of the east wing, old", "…the we…"),
        ("Drum", "Drum and all", "Drum"),
    ],
)
def test_a_name_is_cut_where_it_differs(name: str, other: str, cut: str) -> None:
    assert told_by(name, (name, other)) == cut


def test_another_pit_is_not_told_to_do_what_only_the_first_one_needs() -> None:
    falling = alarm_text(RULES_BY_ID["pit-falling"], Finding(True, False, "", 112.0, 107.0, 900.0), "Offset")
    names = ("Offset", "Drum")
    for others, end in ((("SAME/right",), "; also Drum"), (("fire-out/right",), "; see Drum")):
        words, _ = merged("alarm.pit-falling.text", falling, others, names)
        assert COMPOSERS[0].say(words) == f"Add 1-2 splits: Offset 112 °C, low in 15 min{end}"


def test_a_name_is_left_whole_where_a_shorter_form_says_as_much() -> None:
    """60 characters hold it all without one article: no "The long p…"."""
    text = say("alarm.fire-out.recovering", name="The long brick pits", value=88.0)
    made = COMPOSERS[0].say(text)
    assert made == "Look at fire: The long brick pits 88 °C, seems to recover"
    longer = say("alarm.fire-out.recovering", name="The very long brick pit in the yard", value=88.0)
    cut = COMPOSERS[0].say(longer)
    assert cut.startswith("Look at the fire: The very") and "…" in cut, "no form leaves it whole: the plainest is taken"
