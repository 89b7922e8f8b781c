"""How often people may be called: the spacing of wake calls and notices, and the two reasons to break it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from daemon.core.alarms.rule import AlarmRule, act_before
from daemon.core.annunciation.state import Annunciation
from daemon.core.settings import SPACING, SleeperSettings

NOTICES_IN_SPACING = 2
"""At most so many notices within the spacing, after the 1 (at most 2) alarms per 10 min and operator of ANSI/ISA-18.2
(read in tables that cite it, not in the standard)."""


@dataclass(slots=True)
class Spacing:
    """Engine times. A runaway pit opens a call whenever it comes, but itself only once within the spacing; so does
    what could else not be acted on in time. All outlives a restart."""

    last_call: float | None = None
    last_urgent: float | None = None
    last_early: float | None = None
    answered_at: float | None = None
    """When somebody last acknowledged anything, be it an alarm that has gone by then: a person is up."""
    notices: list[float] = field(default_factory=list)

    def is_over(self, urgent: bool, now: float) -> bool:
        """May a call be opened now? urgent: for a pit that runs away."""
        last = self.last_urgent if urgent else self.last_call
        return last is None or now >= last + SPACING

    def called(self, urgent: bool, early: bool, now: float) -> None:
        """A call was opened. early: with one that waited for the spacing to end."""
        if urgent:
            self.last_urgent = now
        if early and self.last_call is not None and now < self.last_call + SPACING:
            self.last_early = now
        self.last_call = now

    def ends(self, waiting: Iterable[tuple[AlarmRule, Annunciation]], sleeper: SleeperSettings) -> float:
        """When alarms that came too soon after the last call are told: when the spacing is over, or before it when
        one of them could else not be acted on in time. Who answered the last call is up, dressed and on the way."""
        last = self.last_call or 0.0
        is_up = self.answered_at is not None and self.answered_at >= last
        early = min(act_before(rule, sleeper, t.since, t.consequence_at, is_up) for rule, t in waiting)
        if self.last_early is not None:
            early = max(early, self.last_early + SPACING)
        return min(early, last + SPACING)

    def next_notice(self) -> float:
        """When the next notice may be sent; in the past if it may be sent now."""
        return self.notices[-NOTICES_IN_SPACING] + SPACING if len(self.notices) >= NOTICES_IN_SPACING else 0.0

    def noticed(self, now: float) -> None:
        """A notice was sent."""
        self.notices = [*self.notices, now][-NOTICES_IN_SPACING:]
