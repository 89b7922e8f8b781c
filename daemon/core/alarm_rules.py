"""The alarm rules as data: cause, consequence, the one action, the time to act, and whether it may wake.

An expected call for action (feed the fire) is a prompt, an abnormal one an alarm; what asks for no action is neither.
Delays, deadbands and margins are common practice, no source: no published general figure is known for any of them.
The temperature deadband of 5 °C is wider than the 1 % of range often recalled (from memory), for a log-fed pit
swings by itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from daemon.core.events import Priority

TEXT_LIMIT = 60
"""Characters a woken person reads at a glance; our own bound, common practice, no source."""

LEAD_MARGIN = 60.0
"""s added to the sleeper's lead, so that one beat, one minute median and the delivery do not eat into it."""

MINUTE = 60.0
HOUR = 3600.0
DAY = 86400.0


class WakePolicy(StrEnum):
    """May it wake a sleeper? NOW: a person must act. LEAD: only when the consequence is within the sleeper's lead.
    OPT_IN: only if the cook asked. NEVER."""

    NOW = "now"
    LEAD = "lead"
    OPT_IN = "opt-in"
    NEVER = "never"


class Unit(StrEnum):
    """What the number in an alarm's text is."""

    CELSIUS = "°C"
    SECONDS = "s"
    PERCENT = "%"


@dataclass(frozen=True, slots=True)
class AlarmRule:
    """One row of the alarm list. Delays in s. deadband in the unit of the judged value.
    guards: process conditions by name under which it is suppressed by design ("lid-open", "lighting", "piece-off").
    text: template of `alarm_text`: {name} the subject, {value} and {limit} in `unit`, {time} to the consequence.
    margin: how far beyond the band's edge the set point lies, same unit. log_only: only shown, never told."""

    id: str
    title: str
    cause: str
    consequence: str
    action: str
    time_to_act: float
    priority: Priority
    wake: WakePolicy
    prompt: bool = False
    on_delay: float = 0.0
    off_delay: float = 0.0
    deadband: float = 0.0
    latched: bool = False
    once: bool = False
    re_alarm: float | None = None
    guards: tuple[str, ...] = ()
    safety: bool = False
    """A safety alarm can be neither taken out of service nor shelved by a remote command."""
    text: str = ""
    unit: Unit = Unit.CELSIUS
    margin: float = 0.0
    log_only: bool = False


ALARM_RULES: tuple[AlarmRule, ...] = (
    AlarmRule(
        id="runaway",
        title="Pit running away",
        cause="The pit is far above its band and still rising: open damper, or fat burning.",
        consequence="Grease fire, burnt meat. Water on burning fat throws it: keep the lid shut, stand clear, "
        "call the fire service if it does not die down.",
        action="Shut every damper and keep the lid shut.",
        time_to_act=5 * MINUTE,
        priority=Priority.HIGH,
        wake=WakePolicy.NOW,
        on_delay=30.0,
        off_delay=5 * MINUTE,
        deadband=10.0,
        latched=True,
        re_alarm=10 * MINUTE,
        safety=True,
        text="Shut dampers, lid stays shut: {name} {value}",
        margin=40.0,
    ),
    AlarmRule(
        id="fire-out",
        title="Fire lost",
        cause="The pit is below its band and falling, and no open lid explains it.",
        consequence="The cook stops; the meat cools while nobody looks.",
        action="Relight the fire.",
        time_to_act=20 * MINUTE,
        priority=Priority.HIGH,
        wake=WakePolicy.NOW,
        on_delay=3 * MINUTE,
        off_delay=5 * MINUTE,
        deadband=5.0,
        re_alarm=15 * MINUTE,
        guards=("lid-open", "lighting", "piece-off"),
        text="Relight fire: {name} {value}, should be {limit}",
    ),
    AlarmRule(
        id="pit-blind",
        title="Pit blind",
        cause="Every pit probe is lost, frozen or not believable, and reconnecting by itself did not help.",
        consequence="The watch cannot see the fire: nothing it says about the pit counts.",
        action="Check the pit probes and the board.",
        time_to_act=20 * MINUTE,
        priority=Priority.HIGH,
        wake=WakePolicy.NOW,
        on_delay=5 * MINUTE,
        off_delay=30.0,
        re_alarm=15 * MINUTE,
        guards=("piece-off",),
        text="Check pit probes: {name} unseen for {value}",
        unit=Unit.SECONDS,
    ),
    AlarmRule(
        id="hold-unsafe",
        title="Time below the hot-holding floor used up",
        cause="The meat has been below the hot-holding floor for nearly all the time the chosen rule allows.",
        consequence="After the limit the rule no longer allows it to be served. "
        "The tool informs; it never certifies food as safe.",
        action="Serve it or chill it.",
        time_to_act=30 * MINUTE,
        priority=Priority.HIGH,
        wake=WakePolicy.LEAD,
        on_delay=MINUTE,
        off_delay=5 * MINUTE,
        deadband=1.0,
        re_alarm=15 * MINUTE,
        safety=True,
        text="Serve or chill {name}: {value}, limit {time}",
    ),
    AlarmRule(
        id="hold-falling",
        title="Hold falling towards the floor",
        cause="The held meat is predicted to fall below the hot-holding floor: cabinet off, door open.",
        consequence="Bacteria may grow again below the floor; from there a time limit runs.",
        action="Reheat the hold or serve.",
        time_to_act=30 * MINUTE,
        priority=Priority.HIGH,
        wake=WakePolicy.LEAD,
        on_delay=2 * MINUTE,
        off_delay=5 * MINUTE,
        deadband=1.5,
        re_alarm=15 * MINUTE,
        safety=True,
        text="Reheat or serve {name}: {value}, {limit} {time}",
    ),
    AlarmRule(
        id="cooling-slow",
        title="Leftovers cooling too slowly",
        cause="The chilling meat will miss a cooling stage of the chosen rule.",
        consequence="Bacteria may grow in the slow middle of the cooling; "
        "past the stage the rule no longer allows it to be served.",
        action="Cool it faster: cut it, spread it, ice it.",
        time_to_act=30 * MINUTE,
        priority=Priority.MEDIUM,
        wake=WakePolicy.LEAD,
        on_delay=5 * MINUTE,
        off_delay=5 * MINUTE,
        deadband=1.0,
        re_alarm=30 * MINUTE,
        safety=True,
        text="Cool {name} faster: {value}, {limit} due {time}",
    ),
    AlarmRule(
        id="pit-falling",
        title="Fire wants feeding",
        cause="The pit is predicted to leave its band at the bottom within the lead, or is already below it.",
        consequence="The fire goes out.",
        action="Add 1-2 splits.",
        time_to_act=15 * MINUTE,
        priority=Priority.MEDIUM,
        wake=WakePolicy.LEAD,
        prompt=True,
        on_delay=2 * MINUTE,
        off_delay=MINUTE,
        deadband=5.0,
        re_alarm=15 * MINUTE,
        guards=("lid-open", "lighting", "piece-off"),
        text="Add 1-2 splits: {name} {value}, low {time}",
    ),
    AlarmRule(
        id="pit-high",
        title="Pit too hot",
        cause="The pit is above its band by more than the margin and not coming back, in two or more readings.",
        consequence="The outside dries and burns; the meat is done before its time.",
        action="Close the damper.",
        time_to_act=15 * MINUTE,
        priority=Priority.MEDIUM,
        wake=WakePolicy.NOW,
        on_delay=2 * MINUTE,
        off_delay=2 * MINUTE,
        deadband=5.0,
        re_alarm=15 * MINUTE,
        guards=("lid-open", "lighting", "piece-off"),
        text="Close damper: {name} {value}, limit {limit}",
        margin=10.0,
    ),
    AlarmRule(
        id="lid-left-open",
        title="Lid left open",
        cause="The pit lost its heat at once, as with an open lid, and has not come back.",
        consequence="The pit and the meat cool, and the fire burns away with the draught.",
        action="Close the lid.",
        time_to_act=10 * MINUTE,
        priority=Priority.MEDIUM,
        wake=WakePolicy.NOW,
        on_delay=8 * MINUTE,
        off_delay=MINUTE,
        re_alarm=15 * MINUTE,
        guards=("piece-off",),
        text="Close lid: {name} open for {value}",
        unit=Unit.SECONDS,
    ),
    AlarmRule(
        id="target-reached",
        title="Target reached",
        cause="A piece that has only a target is at it.",
        consequence="It overcooks on the fire.",
        action="Take it off.",
        time_to_act=15 * MINUTE,
        priority=Priority.HIGH,
        wake=WakePolicy.NOW,
        prompt=True,
        on_delay=MINUTE,
        deadband=1.0,
        once=True,
        guards=("piece-off",),
        text="Take {name} off: core {value}",
    ),
    AlarmRule(
        id="tender-range",
        title="Time to probe for tender",
        cause="The core is about to enter the tender range, judged by the forecast's median.",
        consequence="It goes past tender; feel decides, the number only says when to start feeling.",
        action="Probe it for tender.",
        time_to_act=30 * MINUTE,
        priority=Priority.MEDIUM,
        wake=WakePolicy.LEAD,
        prompt=True,
        on_delay=2 * MINUTE,
        deadband=1.0,
        once=True,
        guards=("piece-off",),
        text="Probe {name}: core {value}, tender {time}",
    ),
    AlarmRule(
        id="service-at-risk",
        title="Service at risk",
        cause="The late end of the forecast lies past the service time, and the remedy works only if used now.",
        consequence="The meat is not ready when the guests are.",
        action="Raise the pit or wrap.",
        time_to_act=15 * MINUTE,
        priority=Priority.MEDIUM,
        wake=WakePolicy.NOW,
        on_delay=10 * MINUTE,
        deadband=15 * MINUTE,
        once=True,
        guards=("piece-off",),
        text="Raise pit or wrap {name}: late by {value}",
        unit=Unit.SECONDS,
    ),
    AlarmRule(
        id="wrap-target",
        title="Wrap target reached",
        cause="The core is at the temperature chosen for wrapping.",
        consequence="A longer cook; colour is the cook's call.",
        action="Wrap it if the colour is right.",
        time_to_act=30 * MINUTE,
        priority=Priority.LOW,
        wake=WakePolicy.OPT_IN,
        prompt=True,
        on_delay=MINUTE,
        deadband=1.0,
        once=True,
        guards=("piece-off",),
        text="Wrap {name}: core {value}",
    ),
    AlarmRule(
        id="finish-early",
        title="Done earlier than planned",
        cause="The forecast's median is well before the planned time.",
        consequence="The meat waits; the hold must be ready.",
        action="Warm the hold.",
        time_to_act=HOUR,
        priority=Priority.LOW,
        wake=WakePolicy.NEVER,
        prompt=True,
        on_delay=10 * MINUTE,
        deadband=15 * MINUTE,
        once=True,
        guards=("piece-off",),
        text="Warm the hold: {name} early by {value}",
        unit=Unit.SECONDS,
    ),
    AlarmRule(
        id="meat-probe-lost",
        title="Meat probe lost",
        cause="A piece's probe is silent, faulty or not in the meat. It may wake only when that piece is near "
        "its target (the time to the target is its time to the consequence).",
        consequence="The forecast of that piece stops.",
        action="Check the probe.",
        time_to_act=30 * MINUTE,
        priority=Priority.LOW,
        wake=WakePolicy.LEAD,
        on_delay=5 * MINUTE,
        off_delay=MINUTE,
        guards=("piece-off",),
        text="Check probe in {name}: lost for {value}",
        unit=Unit.SECONDS,
    ),
    AlarmRule(
        id="watch-channel-down",
        title="Wake channel down",
        cause="A channel that wakes gave up. It may wake only when no other one is left "
        "(otherwise its consequence is far off), and then by the sounder.",
        consequence="The watch cannot wake anybody.",
        action="Check the phone and the network.",
        time_to_act=10 * MINUTE,
        priority=Priority.HIGH,
        wake=WakePolicy.LEAD,
        on_delay=MINUTE,
        off_delay=MINUTE,
        re_alarm=30 * MINUTE,
        text="Check {name}: no delivery for {value}",
        unit=Unit.SECONDS,
    ),
    AlarmRule(
        id="device-lost",
        title="Device lost",
        cause="A board, probe or adapter does not answer. When the pit goes blind by it, that alarm is its own.",
        consequence="Its channels are missing.",
        action="Check its plug and power.",
        time_to_act=30 * MINUTE,
        priority=Priority.LOW,
        wake=WakePolicy.NEVER,
        on_delay=MINUTE,
        off_delay=MINUTE,
        text="Check plug of {name}: silent for {value}",
        unit=Unit.SECONDS,
    ),
    AlarmRule(
        id="battery-low",
        title="Battery low",
        cause="A probe's battery runs down. It may wake only when it will not last the lead.",
        consequence="The probe goes silent.",
        action="Change or charge the battery.",
        time_to_act=HOUR,
        priority=Priority.LOW,
        wake=WakePolicy.LEAD,
        on_delay=5 * MINUTE,
        deadband=5.0,
        once=True,
        text="Charge {name}: battery at {value}",
        unit=Unit.PERCENT,
    ),
    AlarmRule(
        id="stage-question",
        title="The cook's word and the probes differ",
        cause="A mark says one stage, the temperatures another.",
        consequence="The forecast of that piece may be wrong.",
        action="Say which is right.",
        time_to_act=HOUR,
        priority=Priority.LOW,
        wake=WakePolicy.NEVER,
        prompt=True,
        on_delay=2 * MINUTE,
        text="Confirm stage of {name}: core {value}",
    ),
    AlarmRule(
        id="watch-disk",
        title="Disk nearly full",
        cause="The disk of the watch is full or read-only. Alarms go on from memory.",
        consequence="The record of the cook stops.",
        action="Free disk space.",
        time_to_act=HOUR,
        priority=Priority.LOW,
        wake=WakePolicy.NEVER,
        on_delay=MINUTE,
        off_delay=10.0,
        text="Free disk space on {name}: {value} left",
        unit=Unit.PERCENT,
    ),
    AlarmRule(
        id="watch-broker",
        title="Broker unreachable",
        cause="The message broker does not answer.",
        consequence="The hub shows nothing; local alarms go on.",
        action="Check the broker.",
        time_to_act=HOUR,
        priority=Priority.LOW,
        wake=WakePolicy.NEVER,
        on_delay=5 * MINUTE,
        off_delay=MINUTE,
        text="Check broker {name}: down for {value}",
        unit=Unit.SECONDS,
    ),
    AlarmRule(
        id="watch-clock",
        title="Clock not set",
        cause="Nothing from outside has set the board's clock since it started.",
        consequence="Times shown are wrong and every hour counts as night; delays and alarms are right.",
        action="Set the clock or give it a network.",
        time_to_act=HOUR,
        priority=Priority.LOW,
        wake=WakePolicy.NEVER,
        on_delay=5 * MINUTE,
        text="Set clock of {name}: unset for {value}",
        unit=Unit.SECONDS,
    ),
    AlarmRule(
        id="calibration-old",
        title="Calibration old",
        cause="The probe was last checked in ice or boiling water too long ago.",
        consequence="Its numbers may be off by more than its tolerance.",
        action="Check it in ice water.",
        time_to_act=DAY,
        priority=Priority.LOW,
        wake=WakePolicy.NEVER,
        once=True,
        text="Check {name} in ice water: last done {value} ago",
        unit=Unit.SECONDS,
        log_only=True,
    ),
)


@dataclass(frozen=True, slots=True)
class Condition:
    """What the judges say of one rule for one subject at one time. active: beyond the set point now.
    within: back by more than the deadband (only then may an active alarm return); value/limit: the numbers;
    consequence_in: s until the consequence, if known (None = unknown: treat as now);
    suppressed_by: guard names that hold; severity: grows when worse (a worse alarm re-alarms);
    improving: still beyond the set point but on its way back (the acknowledged alarm is then left alone)."""

    rule: str
    subject: str
    active: bool
    within: bool
    text: str
    because: str
    value: float | None = None
    consequence_in: float | None = None
    suppressed_by: tuple[str, ...] = ()
    severity: int = 0
    improving: bool = False


def rule_by_id(rule_id: str) -> AlarmRule:
    """The row of ALARM_RULES. Raises KeyError for an unknown id."""
    return _BY_ID[rule_id]


def wake_within(rule: AlarmRule, lead: float) -> float:
    """How long before its consequence a LEAD rule wakes, s: the sleeper's lead or the rule's own time to act."""
    return max(lead, rule.time_to_act) + LEAD_MARGIN


def warn_within(rule: AlarmRule, lead: float) -> float:
    """How long before its consequence a LEAD rule's condition should become active, s, so that after the
    on-delay the whole of `wake_within` is left (22 + 1 + 2 min on-delay = 25 min for the feed prompt)."""
    return wake_within(rule, lead) + rule.on_delay


def alarm_text(
    rule: AlarmRule,
    value: float | None,
    limit: float | None,
    name: str,
    fahrenheit: bool = False,
    consequence_in: float | None = None,
) -> str:
    """The one line a person reads: verb first, numbers with units, at most 60 characters (the name gives way).

    value and limit are in the rule's unit: °C, s or %. consequence_in: s until it is too late; None reads "now".
    """
    words = {
        "value": _measure(value, rule.unit, fahrenheit),
        "limit": _measure(limit, rule.unit, fahrenheit),
        "time": "now" if consequence_in is None or consequence_in < MINUTE else f"in {_duration(consequence_in)}",
    }
    room = TEXT_LIMIT - len(rule.text.format(name="", **words))
    return rule.text.format(name=shorten(name, room), **words)


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


def rules_markdown(rules: tuple[AlarmRule, ...] = ALARM_RULES) -> str:
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


PRIORITY_ORDER: dict[Priority, int] = {Priority.HIGH: 0, Priority.MEDIUM: 1, Priority.LOW: 2}
"""For sorting, worst first."""

_BY_ID: dict[str, AlarmRule] = {rule.id: rule for rule in ALARM_RULES}
