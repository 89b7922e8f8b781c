"""The time after a start in which nobody is blamed for silence: devices reconnect, and the probes must first be heard.

What is heard in this life is judged at once; only what speaks of silence waits. A watch that dies again and again must
not be given this time anew with each life, or it would never say a word: grace is earned back second by second by
watching, up to GRACE.
"""

from __future__ import annotations

from typing import Any

GRACE = 60.0
"""s within which devices reconnect and probes are heard: common practice, no source."""
BRIEF = 600.0
"""s: a life that ended sooner may be one of many, so the next writes down for longer what it hears. Our choice."""
SPEAKS_OF_SILENCE = frozenset({"pit-blind", "meat-probe-lost", "pit-probe-lost"})
"""Rules whose condition is that nothing is heard."""


class Grace:
    """Engine times, s."""

    def __init__(self) -> None:
        self.resumed_at: float | None = None
        """When this life began; None: it never stopped."""
        self.until = 0.0
        self._after_brief = False
        """The life before this one was brief."""

    def resumed(self, now: float, watched_until: float | None) -> None:
        """A life begins. watched_until: when the one before it ended; None: there was none."""
        granted = GRACE
        if self.resumed_at is not None and watched_until is not None:
            watched = max(0.0, watched_until - self.resumed_at)
            self._after_brief = watched < BRIEF
            used = max(0.0, self.until - self.resumed_at)
            granted = min(GRACE, abs(watched - used))  # what is left of it, or what was watched since it ended
        self.resumed_at, self.until = now, now + granted

    def heard(self, at: float | None) -> bool:
        """Something last heard at `at` was heard in this life."""
        return at is not None and (self.resumed_at is None or at >= self.resumed_at)

    def is_young(self, now: float) -> bool:
        """This life has not yet shown that it will last: what it hears should be on disk soon."""
        return self.resumed_at is not None and now < self.resumed_at + (3 * GRACE if self._after_brief else GRACE)

    def dump(self) -> dict[str, Any]:
        """As JSON-able values."""
        return {"resumed_at": self.resumed_at, "until": self.until, "after_brief": self._after_brief}

    def load(self, dumped: dict[str, Any]) -> None:
        """The inverse of `dump`."""
        self.resumed_at, self.until = dumped["resumed_at"], dumped["until"]
        self._after_brief = dumped.get("after_brief", False)  # not in the checkpoints of earlier versions
