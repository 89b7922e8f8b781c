"""Since when a pit is blind, what it read last, and since when its lid is open. Engine times, s.

A loose contact shows the pit for seconds in minutes. What was unseen is made good only by as much that is seen: a pit lost
again before that was seen only now and then, and is blind as long as that goes on.
"""

from __future__ import annotations

from dataclasses import astuple, dataclass
from math import isnan
from typing import Any

OWED_AT_MOST = 300.0
"""s that a pit must be seen to count as seen again, however long it was not. Ours, no source."""
ONE_SCAN = 10.0
"""s between two scans; where it was longer nobody watched."""


@dataclass(frozen=True, slots=True)
class LastSeen:
    """The newest value of a pit that could be believed. at: engine time at which it was read; channels: whose readings it was
    made of."""

    at: float
    celsius: float
    channels: tuple[str, ...]


class Since:
    """One per pit."""

    def __init__(self) -> None:
        self.blind: float | None = None
        self.glimpsed: float | None = None
        """Since when it has been seen only now and then, in sum by `OWED_AT_MOST` less than not; else None."""
        self.owed = 0.0
        """s for which it must be seen until what was unseen is made good."""
        self.carried = 0.0
        """The same when it was last lost from sight."""
        self._first: float | None = None
        """When that began."""
        self._again = False
        """It was lost again before that."""
        self._at: float | None = None
        self.seen: LastSeen | None = None
        """None: never, or what was read then is no longer believed."""
        self.lid: float | None = None

    def scan(self, now: float, pit: float, lid_open: bool, seen: LastSeen | None) -> None:
        """pit: control value, °C, NaN = nothing to believe. seen: the newest that is still believed."""
        self.seen = seen
        passed = 0.0 if self._at is None else min(ONE_SCAN, now - self._at)
        self._at = now
        if not isnan(pit):
            self.blind = None
            self.owed = max(0.0, self.owed - passed)
            if not self.owed:
                self._first, self._again, self.glimpsed = None, False, None
        else:
            if self.blind is None:
                self.blind, self.carried = now, self.owed
                self._again = self._first is not None
                self._first = now if self._first is None else self._first
            self.owed = min(OWED_AT_MOST, self.owed + passed)
            if self._again and self.owed >= OWED_AT_MOST:
                self.glimpsed = self._first
        self.lid = None if not lid_open else self.lid or now

    def resumed(self, now: float) -> None:
        """Nobody watched until now: blindness counts from here."""
        if self.blind is not None:
            self.blind, self.carried = max(self.blind, now), 0.0
        self._at = now

    def dump(self) -> dict[str, Any]:
        """As JSON-able values."""
        return {
            "blind": self.blind,
            "lid": self.lid,
            "seen": None if self.seen is None else astuple(self.seen),
            "glimpsed": [self.glimpsed, self.owed, self.carried, self._first, self._again, self._at],
        }

    def load(self, dumped: dict[str, Any]) -> None:
        """The inverse of `dump`."""
        self.blind, self.lid = dumped["blind"], dumped["lid"]
        if "glimpsed" in dumped:  # not in the checkpoints of earlier versions
            self.glimpsed, self.owed, self.carried, self._first, self._again, self._at = dumped["glimpsed"]
        seen = dumped.get("seen")  # not in the checkpoints of earlier versions
        self.seen = None if seen is None else LastSeen(seen[0], seen[1], tuple(seen[2]))
