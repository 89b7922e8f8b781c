"""The message of every alarm and prompt as people get it, in both systems of units: `messages.md`, for reading in one go.

Written anew by `python -m tests.golden.rewrite`. The numbers are examples, one ordinary case of each.
"""

from __future__ import annotations

from collections.abc import Iterator

from daemon.core.alarms.conditions.process import Finding, alarm_text
from daemon.core.alarms.rule import PRIORITY_ORDER, AlarmRule, Unit
from daemon.core.alarms.rules import ALARM_RULES
from daemon.core.annunciation.messages import merged_text, the_rest
from daemon.core.said import Text, say
from daemon.texts.catalogue import FORMS, catalogue
from daemon.texts.composer import Composer
from daemon.texts.reader import Reader
from tests.golden.play import FOLDER

FILE = FOLDER / "messages.md"
METRIC, CUSTOMARY = Composer(Reader()), Composer(Reader(fahrenheit=True))
MINUTE, HOUR = 60.0, 3600.0
PIT, MEAT = "The long pit", "Chuck roll"
Case = tuple[str, float | None, float | None, tuple[float, float] | float | None]
"""(name, value, limit, s to the consequence), as in `Finding`."""
CASES: dict[str, Case] = {
    "runaway": (PIT, 191.0, 175.0, None),
    "fire-out": (PIT, 78.0, 107.0, None),
    "pit-blind": (PIT, 6 * MINUTE, None, None),
    "pit-probes-contradict": (PIT, 71.0, 119.0, None),
    "hold-unsafe": (MEAT, 54.0, None, 25 * MINUTE),
    "hold-falling": (MEAT, 59.5, 57.2, 25 * MINUTE),
    "cooling-slow": (MEAT, 31.0, None, 25 * MINUTE),
    "pit-falling": (PIT, 112.0, 107.0, (10 * MINUTE, 25 * MINUTE)),
    "log-not-caught": (PIT, 109.0, 107.0, (4 * MINUTE, 12 * MINUTE)),
    "pit-high": (PIT, 149.0, 145.0, None),
    "lid-left-open": (PIT, 13 * MINUTE, None, None),
    "target-reached": ("Lamb shoulder", 88.0, 88.0, None),
    "tender-range": (MEAT, 91.0, 93.0, (20 * MINUTE, 55 * MINUTE)),
    "meat-cooling": (MEAT, 61.0, None, 25 * MINUTE),
    "past-tender": (MEAT, 98.5, 97.0, None),
    "service-at-risk": (MEAT, 40 * MINUTE, None, None),
    "wrap-target": (MEAT, 71.0, 70.0, None),
    "hold-unseen": (MEAT, 70 * MINUTE, None, None),
    "spot-check": (MEAT, None, None, (12 * MINUTE, 70 * MINUTE)),
    "plan-light": (PIT, 80 * MINUTE, None, None),
    "plan-prepare": (MEAT, 30 * MINUTE, None, None),
    "plan-on": (MEAT, 11 * HOUR, None, None),
    "plan-wrap": (MEAT, 6 * HOUR, None, None),
    "plan-probe": (MEAT, 11 * HOUR, None, None),
    "plan-off": (MEAT, 75 * MINUTE, None, None),
    "plan-hold": (MEAT, 3 * HOUR, None, None),
    "plan-chill": (MEAT, 95 * MINUTE, None, None),
    "wood-short": (PIT, 3 * HOUR, 5 * HOUR, None),
    "grease-tray": (PIT, 75.0, None, None),
    "reminder": ("Spritz: Chuck roll", 65 * MINUTE, None, None),
    "reminder-night": ("Turn: Lamb shoulder", 3 * HOUR, None, None),
    "finish-early": (MEAT, 3 * HOUR, None, None),
    "pit-probe-lost": ("Grate left", 45 * MINUTE, None, None),
    "meat-probe-lost": (MEAT, 6 * MINUTE, None, None),
    "watch-channel-down": ("phone", 12 * MINUTE, None, None),
    "device-lost": ("board", 12 * MINUTE, None, None),
    "battery-low": ("Grate left", 12.0, None, None),
    "stage-question": (MEAT, 64.0, None, None),
    "record-lost": ("cook", 5 * MINUTE, None, None),
    "watch-disk": ("journal", 4.0, None, None),
    "watch-broker": ("broker", 12 * MINUTE, None, None),
    "watch-clock": ("clock", 12 * MINUTE, None, None),
    "calibration-old": ("Grate left", 400 * 86400.0, None, None),
}
IN_OTHER_WORDS: dict[str, tuple[str, float | None]] = {
    "meat-probe-lost.unmoved": (MEAT, 63.6),
    "stage-question.lit": (PIT, None),
    "stage-question.caught": (PIT, None),
}
"""Name and value where words of their own speak of others than the alarm's."""
FORMS_OF_THE_SAME = ("text", "unmeasured", "unseen", "recovering")
LONG_NAME = "The big chuck roll of the butcher in the village"


def messages(rule: AlarmRule, case: Case, other_name: Text = "") -> Iterator[tuple[str, Text]]:
    """(when, message) of each of its texts."""
    name, value, limit, left = case
    between = left if isinstance(left, tuple) else None
    ahead = left if isinstance(left, float) else None
    found = Finding(True, False, "", value, limit, ahead, between=between)
    yield "", alarm_text(rule, found, other_name or name)
    if rule.may_lack_value:
        yield "without a value", alarm_text(rule, found._replace(value=None), other_name or name)
    if rule.tells_last:
        unseen = value if rule.unit is Unit.SECONDS else None
        seen_last = found._replace(value=unseen, last=(118.0 if unseen else value or 0.0, 12 * MINUTE))
        yield "not seen any more", alarm_text(rule, seen_last, other_name or name)
    if rule.recovers:
        yield "on its way back", alarm_text(rule, found._replace(mends=True), other_name or name)


def in_other_words(rule: AlarmRule, case: Case, other_name: Text = "") -> Iterator[tuple[str, Text]]:
    """(word of the text's key, message) of what it says instead where something more is known, or less."""
    name, value, limit, left = case
    for word, text in catalogue().under(f"alarm.{rule.id}.").items():
        if FORMS in text and word not in FORMS_OF_THE_SAME:
            called, told = IN_OTHER_WORDS.get(f"{rule.id}.{word}", (name, value))
            numbers = {"value": told, "limit": limit, "left": left, "last": 118.0}
            yield word.replace("-", " "), say(f"alarm.{rule.id}.{word}", name=other_name or called, **numbers)


def whole_page() -> str:
    """Markdown: a section an alarm, worst first; each message once if both readers read the same."""
    texts = catalogue()
    lines = ["# What people are told", ""]
    for rule in sorted(ALARM_RULES, key=lambda r: PRIORITY_ORDER[r.priority]):
        kind = "prompt" if rule.prompt else "safety alarm" if rule.safety else "alarm"
        lines += [f"## {texts[f'alarm.{rule.id}.title']} ({kind}, {rule.priority})", ""]
        lines += _both([*messages(rule, CASES[rule.id]), *in_other_words(rule, CASES[rule.id])])
        lines += [""]
    lines += ["## More than one at a time, a long name, what is over, a test", ""]
    first = {rule.id: next(iter(messages(rule, CASES[rule.id])))[1] for rule in ALARM_RULES}
    rules = {rule.id: rule for rule in ALARM_RULES}
    long = next(text for _, text in messages(ALARM_RULES[0], CASES["runaway"], LONG_NAME))
    also = {"others": "Drum", "rest": "", "all": ""}
    see = {"others": "Drum", "rest": the_rest(1, safety=True), "all": the_rest(2, safety=True)}
    over = say("message.over-of", what=say("alarm.fire-out.title"), name=PIT, since=9 * HOUR)
    lines += _both(
        [
            ("", merged_text(first["runaway"], [rules["pit-high"], rules["tender-range"]])),
            ("", merged_text(first["tender-range"], [rules["wrap-target"]])),
            (
                "one of them a matter of safety",
                merged_text(first["spot-check"], [rules["past-tender"], rules["cooling-slow"]]),
            ),
            ("the same at another pit", say("message.also", text=first["pit-falling"], **also)),
            ("something else at another pit", say("message.see", text=first["fire-out"], **see)),
            ("", long),
            ("", over),
            ("", say("message.test-wake")),
        ]
    )
    return "\n".join(lines) + "\n"


def _both(texts: list[tuple[str, Text]]) -> Iterator[str]:
    for when, text in texts:
        one, other = METRIC.say(text), CUSTOMARY.say(text)
        tail = f" ({when})" if when else ""
        yield f"- {one}{tail}" if one == other else f"- {one} / {other}{tail}"
