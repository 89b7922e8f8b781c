"""STUB, being written: the alarm rules as data."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from daemon.core.events import Priority


class WakePolicy(StrEnum):
    """May it wake a sleeper? NOW: a person must act. LEAD: only when the consequence is within the sleeper's lead.
    OPT_IN: only if the cook asked. NEVER."""

    NOW = "now"
    LEAD = "lead"
    OPT_IN = "opt-in"
    NEVER = "never"


@dataclass(frozen=True, slots=True)
class AlarmRule:
    """One row of the alarm list. Delays in s. deadband in the unit of the judged value.
    guards: process conditions by name under which it is suppressed by design ("lid-open", "lighting", "piece-off")."""

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


ALARM_RULES: tuple[AlarmRule, ...] = ()


@dataclass(frozen=True, slots=True)
class Condition:
    """What the judges say of one rule for one subject at one time. active: beyond the set point now.
    within: back by more than the deadband (only then may an active alarm return); value/limit: the numbers;
    consequence_in: s until the consequence, if known (None = unknown: treat as now);
    suppressed_by: guard names that hold; severity: grows when worse (a worse alarm re-alarms)."""

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
