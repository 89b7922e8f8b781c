"""One row of the alarm list, and what the judges say of it: the shape of both, no rule yet."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from daemon.core.events import Priority
from daemon.core.said import Text
from daemon.core.settings import SleeperSettings

LEAD_MARGIN = 60.0
"""s added to the sleeper's lead, so that one beat, one minute median and the delivery do not eat into it."""

PRIORITY_ORDER: dict[Priority, int] = {Priority.HIGH: 0, Priority.MEDIUM: 1, Priority.LOW: 2}
"""For sorting, worst first."""


class WakePolicy(StrEnum):
    """May it wake a sleeper? NOW: a person must act. LEAD: only when the consequence is within the sleeper's lead.
    OPT_IN: only if the cook asked. NEVER."""

    NOW = "now"
    LEAD = "lead"
    OPT_IN = "opt-in"
    NEVER = "never"


class Unit(StrEnum):
    """What an alarm's value and deadband are."""

    CELSIUS = "°C"
    SECONDS = "s"
    PERCENT = "%"


@dataclass(frozen=True, slots=True)
class AlarmRule:
    """One row of the alarm list. Delays in s. deadband in the unit of the judged value.
    guards: process conditions by name under which it is suppressed by design ("lid-open", "lighting", "piece-off").
    margin: how far beyond the band's edge the set point lies, in `unit`. log_only: only shown, never told.
    may_lack_value, recovers, tells_last: it has other words for when there is no value, for when it is beyond the set point
    but on its way back, and for what was seen last and is not seen now. All words are in the catalogue under "alarm.ID"."""

    id: str
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
    shows_in: float | None = None
    """s in which what was done about it shows; None: longer than who goes to bed lies awake."""
    guards: tuple[str, ...] = ()
    safety: bool = False
    """A safety alarm can be neither taken out of service nor shelved by a remote command."""
    covers: tuple[str, ...] = ()
    """Lesser rules of the same subject that this one contains: one thing, said and counted once."""
    insists: bool = False
    """While nobody answers it is called again, at growing intervals, and never given up, unless its consequence is far off."""
    worsens: float = 0.0
    """So far its value must move for a call that was given up to be made again, in `unit`; negative: downwards; 0: never."""
    own: bool = False
    """The cook's own alarm clock: whatever it takes to wake the cook, no second person is called for it."""
    recovers: bool = False
    may_lack_value: bool = False
    tells_last: bool = False
    unit: Unit = Unit.CELSIUS
    margin: float = 0.0
    log_only: bool = False

    @property
    def waits_for_nothing(self) -> bool:
        """A matter of safety now and not in time, a runaway pit: no spacing holds it up, and no other takes the words from it."""
        return self.safety and self.wake is WakePolicy.NOW


@dataclass(frozen=True, slots=True)
class Condition:
    """What the judges say of one rule for one subject at one time. active: beyond the set point now.
    within: back by more than the deadband (only then may an active alarm return); value/limit: the numbers;
    consequence_in: s until the consequence, if known (None = unknown: treat as now);
    suppressed_by: guard names that hold; severity: grows when worse (a worse alarm re-alarms);
    improving: still beyond the set point but on its way back (the acknowledged alarm is then left alone);
    known: False where it cannot be judged now: then the words alone are new, for those that stand told of what was seen;
    held: s for which it had held when it could first be told: its on-delay counts from then."""

    rule: str
    subject: str
    active: bool
    within: bool
    text: Text
    because: Text
    value: float | None = None
    consequence_in: float | None = None
    suppressed_by: tuple[str, ...] = ()
    severity: int = 0
    improving: bool = False
    known: bool = True
    held: float = 0.0


@dataclass(frozen=True, slots=True)
class NotKnown:
    """A rule that cannot be judged now of a subject: nothing is raised, and what stands goes on standing."""

    rule: str
    subject: str


def wake_within(rule: AlarmRule, lead: float) -> float:
    """How long before its consequence a LEAD rule wakes, s: the sleeper's lead or the rule's own time to act."""
    return max(lead, rule.time_to_act) + LEAD_MARGIN


def act_before(
    rule: AlarmRule, sleeper: SleeperSettings, since: float, consequence_at: float | None, is_up: bool
) -> float:
    """Engine time by which a person must be called who is to act in time.

    The consequence less the sleeper's lead, where it is foreseen and can still be met when the alarm comes up (`since`);
    else the rule's time to act from then on, less the way to the pit and the deed. Who is up needs no waking, dressing
    and walk."""
    at_work = sleeper.act if is_up else sleeper.notice + sleeper.dress_and_walk + sleeper.act
    foreseen = since if consequence_at is None else consequence_at - at_work - sleeper.log_catches
    return foreseen if foreseen > since else since + rule.time_to_act - at_work


def warn_within(rule: AlarmRule, lead: float) -> float:
    """How long before its consequence a LEAD rule's condition should become active, s, so that after the
    on-delay the whole of `wake_within` is left (22 + 1 + 2 min on-delay and 5 s: 25 min for the feed prompt)."""
    return wake_within(rule, lead) + rule.on_delay
