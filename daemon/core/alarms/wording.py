"""The words of the alarms: the one line a woken person reads, and the list of all alarms for those who judge it."""

from __future__ import annotations

from daemon.core.alarms.rule import PRIORITY_ORDER, AlarmRule, Unit, WakePolicy

TEXT_LIMIT = 60
"""Characters a woken person reads at a glance; our own bound, common practice, no source."""

MINUTE = 60.0
HOUR = 3600.0
DAY = 86400.0


def alarm_text(
    rule: AlarmRule,
    value: float | None,
    limit: float | None,
    name: str,
    fahrenheit: bool = False,
    consequence_in: float | None = None,
) -> str:
    """The one line a person reads: verb first, numbers with units, at most 60 characters (the name gives way).

    value and limit are in the rule's unit: °C, s or %. Without a value (None) the rule's words for that are taken.
    consequence_in: s until it is too late; None reads "now".
    """
    template = rule.text if value is not None or not rule.unmeasured else rule.unmeasured
    words = {
        "value": _measure(value, rule.unit, fahrenheit),
        "limit": _measure(limit, rule.unit, fahrenheit),
        "time": "now" if consequence_in is None or consequence_in < MINUTE else f"in {_duration(consequence_in)}",
    }
    room = TEXT_LIMIT - len(template.format(name="", **words))
    return template.format(name=shorten(name, room), **words)


def shorten(text: str, room: int) -> str:
    """The text in at most `room` characters, with an ellipsis where it was cut."""
    return text if len(text) <= room else text[: max(0, room - 1)].rstrip(" :,") + "…"


def _measure(value: float | None, unit: Unit, fahrenheit: bool) -> str:
    if value is None:
        return "unknown"
    if unit is Unit.SECONDS:
        return _duration(value)
    if unit is Unit.PERCENT:
        return f"{value:.0f} %"
    return f"{value * 1.8 + 32:.0f} °F" if fahrenheit else f"{value:.0f} °C"


def _duration(seconds: float) -> str:
    """Two figures at most, rounded down: nobody is promised a minute that is not there."""
    if seconds >= 2 * DAY:
        return f"{seconds // DAY:.0f} days"
    if seconds >= 2 * HOUR:
        return f"{seconds // HOUR:.0f} h"
    if seconds >= MINUTE:
        return f"{seconds // MINUTE:.0f} min"
    return f"{max(0.0, seconds):.0f} s"


_POLICY_WORDS = {
    WakePolicy.NOW: "yes",
    WakePolicy.LEAD: "within the lead",
    WakePolicy.OPT_IN: "if asked to",
    WakePolicy.NEVER: "never",
}


def rules_table(rules: tuple[AlarmRule, ...]) -> str:
    """The alarm list as a Markdown table, worst first, for people who must judge it."""
    lines = [
        "| id | kind, priority | cause | consequence | action (time to act) | wakes "
        "| on / off delay, deadband | held back while |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for rule in sorted(rules, key=lambda r: PRIORITY_ORDER[r.priority]):
        kind = "prompt" if rule.prompt else "safety alarm" if rule.safety else "alarm"
        deadband = _deadband(rule)
        lines.append(
            f"| `{rule.id}` | {kind}, {rule.priority} | {rule.cause} | {rule.consequence} "
            f"| {rule.action} ({_duration(rule.time_to_act)}) | {_POLICY_WORDS[rule.wake]} "
            f"| {_duration(rule.on_delay)} / {_duration(rule.off_delay)}, {deadband} "
            f"| {', '.join(rule.guards) or '-'} |"
        )
    return "\n".join(lines) + "\n"


def _deadband(rule: AlarmRule) -> str:
    if not rule.deadband:
        return "none"
    return _duration(rule.deadband) if rule.unit is Unit.SECONDS else f"{rule.deadband:g} {rule.unit}"
