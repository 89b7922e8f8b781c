"""The list of all alarms for those who must judge it."""

from __future__ import annotations

from daemon.core.alarms.rule import PRIORITY_ORDER, AlarmRule, Unit, WakePolicy
from daemon.core.alarms.rules import ALARM_RULES
from daemon.texts.catalogue import catalogue
from daemon.texts.composer import brief

_WAKES = {
    WakePolicy.NOW: "yes",
    WakePolicy.LEAD: "within the lead",
    WakePolicy.OPT_IN: "if asked to",
    WakePolicy.NEVER: "never",
}


def title(rule: str) -> str:
    """What an alarm is called in a list."""
    return catalogue()[f"alarm.{rule}.title"]


def consequence(rule: str) -> str:
    """What follows if nobody acts."""
    return catalogue()[f"alarm.{rule}.consequence"]


def rules_markdown() -> str:
    """The alarm list as a Markdown table, worst first."""
    texts = catalogue()
    lines = [
        "| id | kind, priority | cause | consequence | action (time to act) | wakes "
        "| on / off delay, deadband | held back while |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for rule in sorted(ALARM_RULES, key=lambda r: PRIORITY_ORDER[r.priority]):
        kind = "prompt" if rule.prompt else "safety alarm" if rule.safety else "alarm"
        cause, consequence, action = (texts[f"alarm.{rule.id}.{part}"] for part in ("cause", "consequence", "action"))
        lines.append(
            f"| `{rule.id}` | {kind}, {rule.priority} | {cause} | {consequence} "
            f"| {action} ({brief(rule.time_to_act)}) | {_WAKES[rule.wake]} "
            f"| {brief(rule.on_delay)} / {brief(rule.off_delay)}, {_deadband(rule)} "
            f"| {', '.join(rule.guards) or '-'} |"
        )
    return "\n".join(lines) + "\n"


def _deadband(rule: AlarmRule) -> str:
    if not rule.deadband:
        return "none"
    return brief(rule.deadband) if rule.unit is Unit.SECONDS else f"{rule.deadband:g} {rule.unit}"
