"""The test wake: one call for practice before the night, and whether it was delivered and acknowledged."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from daemon.core.annunciation.escalation import PHONE
from daemon.core.annunciation.messages import message_id
from daemon.core.events import Level, Notification
from daemon.core.inputs import Delivered, Outcome
from daemon.core.said import say

TEST_WAKE = "test-wake"
"""Stands where an alarm's key would."""

COUNTS_FOR = 12 * 3600.0
"""s an acknowledged test wake counts for the green list: this evening's, not yesterday's."""


class TestCallState(StrEnum):
    """How far a test wake has come."""

    __test__ = False  # not a test class, whatever pytest thinks of the name

    NEVER = "never"
    SENT = "sent"
    DELIVERED = "delivered"
    ACKNOWLEDGED = "acknowledged"


@dataclass(slots=True)
class TestCall:
    """state: from one to the next; each new test begins anew. All outlives a restart."""

    count: int = 0
    state: TestCallState = TestCallState.NEVER
    at: float = 0.0
    id: str = ""
    """Of the newest one's message."""

    def send(self, fall_over: tuple[str, ...], worth: float, now: float, life: str = "") -> Notification:
        """To the phone and to everybody a wake may fall over to. worth: s after which it is not worth sending.
        life: of the watch."""
        self.count += 1
        self.id = message_id(TEST_WAKE, self.count, 0, life)
        self.state, self.at = TestCallState.SENT, now
        return Notification(
            time=now,
            id=self.id,
            level=Level.WAKE,
            alarm=TEST_WAKE,
            occurrence=self.count,
            step=0,
            text=say("message.test-wake"),
            audiences=(PHONE, *fall_over),
            not_after=now + worth,
        )

    def delivered(self, report: Delivered) -> None:
        """A channel reports."""
        if report.outcome is Outcome.SENT and report.notification == self.id and self.state is TestCallState.SENT:
            self.state = TestCallState.DELIVERED

    def acknowledged(self) -> None:
        """Somebody heard it; what was never sent cannot be acknowledged."""
        if self.state in (TestCallState.SENT, TestCallState.DELIVERED):
            self.state = TestCallState.ACKNOWLEDGED

    def counts(self, now: float) -> TestCallState:
        """The state, as far as it still says something of this evening."""
        return self.state if now - self.at <= COUNTS_FOR else TestCallState.NEVER
