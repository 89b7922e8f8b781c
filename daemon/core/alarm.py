"""STUB, being written: the alarm table after ISA-18.2 / IEC 62682. States and transitions only: no rules, nobody is told."""

from __future__ import annotations

from dataclasses import dataclass

from daemon.core.alarm_rules import AlarmRule, Condition
from daemon.core.events import AlarmChanged, AlarmState, CommandRefused
from daemon.core.inputs import Acknowledge, OutOfService, Shelve, Unshelve


@dataclass(frozen=True, slots=True)
class AlarmView:
    """One alarm as it stands. key: "rule" or "rule/subject"."""

    key: str
    rule: str
    subject: str
    state: AlarmState
    active: bool
    occurrence: int
    raised_at: float
    changed_at: float
    priority: str
    prompt: bool
    text: str
    because: str
    value: float | None = None
    consequence_in: float | None = None
    shelved_until: float | None = None
    shelved_reason: str = ""


class AlarmTable:
    def __init__(self, rules: tuple[AlarmRule, ...], shelve_limit: float) -> None:
        raise NotImplementedError

    def judge(self, condition: Condition, now: float) -> list[AlarmChanged]:
        raise NotImplementedError

    def command(
        self, command: Acknowledge | Shelve | Unshelve | OutOfService, now: float
    ) -> list[AlarmChanged | CommandRefused]:
        raise NotImplementedError

    def next_deadline(self) -> float | None:
        """When an on-delay, off-delay, shelving or re-alarm time runs out."""
        raise NotImplementedError

    def handle_timer(self, now: float) -> list[AlarmChanged]:
        raise NotImplementedError

    def views(self) -> tuple[AlarmView, ...]:
        """Every alarm that is not plainly normal, worst first."""
        raise NotImplementedError

    def retire(self, subject: str, now: float) -> list[AlarmChanged]:
        """The subject is gone (piece done, cook ended): its alarms end."""
        raise NotImplementedError

    def dump(self) -> dict[str, object]:
        raise NotImplementedError

    def load(self, dumped: dict[str, object]) -> None:
        raise NotImplementedError
