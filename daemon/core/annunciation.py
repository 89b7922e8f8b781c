"""STUB, being written: who is told, how loud, when, and when again. Reads alarm changes; never evaluates a condition."""

from __future__ import annotations

from dataclasses import dataclass

from daemon.core.alarm import AlarmView
from daemon.core.alarm_rules import AlarmRule
from daemon.core.events import AlarmChanged, CommandRefused, MorningTold, Notification
from daemon.core.inputs import Delivered, GoodMorning, PauseSound, TestWake
from daemon.core.settings import AnnouncingSettings


@dataclass(frozen=True, slots=True)
class SleepView:
    """For the page: is it night, is somebody napping, is a pause running, was the test wake delivered and acknowledged."""

    night: bool
    asleep: bool
    paused_until: float | None
    test_wake: str
    """"never", "sent", "delivered", "acknowledged" """


class Annunciator:
    def __init__(self, rules: tuple[AlarmRule, ...], settings: AnnouncingSettings) -> None:
        raise NotImplementedError

    def changed(self, change: AlarmChanged, view: AlarmView | None, now: float, wall: float) -> list[Notification]:
        """An alarm changed state. wall: UTC seconds, for quiet hours only."""
        raise NotImplementedError

    def command(
        self, command: PauseSound | TestWake | GoodMorning, now: float, wall: float
    ) -> list[Notification | MorningTold | CommandRefused]:
        raise NotImplementedError

    def delivered(self, report: Delivered, now: float) -> list[Notification]:
        """A delivery channel succeeded or gave up: fall over to the next audience where that leaves nobody told."""
        raise NotImplementedError

    def next_deadline(self) -> float | None:
        raise NotImplementedError

    def handle_timer(self, views: tuple[AlarmView, ...], now: float, wall: float) -> list[Notification]:
        """Escalation, re-announcement, the end of quiet hours, the end of a merge window."""
        raise NotImplementedError

    def sleep(self, asleep: bool, now: float) -> None:
        raise NotImplementedError

    def view(self, now: float, wall: float) -> SleepView:
        raise NotImplementedError

    def dump(self) -> dict[str, object]:
        raise NotImplementedError

    def load(self, dumped: dict[str, object]) -> None:
        raise NotImplementedError
