"""How long the wood lasts: splits that were at hand, less the logs that went on, at the pace of this cook. Engine times, s."""

from __future__ import annotations

from statistics import median
from typing import Any, Final

from daemon.core.planned import WoodSettings

KINDLING: Final = 3
"""Splits that a fire takes to be lit; common practice, no source."""
USUAL_PACE: Final = 40 * 60.0
"""s from one log to the next while nothing tells; common practice, no source."""
GAPS: Final = 8
"""Newest gaps between logs whose median is the pace."""
GAPS_TELL: Final = 3
LONGEST_GAP: Final = 3 * 3600.0
"""s: two logs further apart were two fires."""


class WoodWatch:
    """Counts what is marked or noticed. Without a count of the stock it says nothing."""

    def __init__(self) -> None:
        self.begin(WoodSettings(), None)

    def begin(self, wood: WoodSettings, pace: float | None) -> None:
        """A new cook. pace: s between logs that the plan reckons with."""
        self.stock: int | None = wood.stock
        self.used = 0
        self.last_log: float | None = None
        self._planned_pace = pace
        self._gaps: list[float] = []

    def planned(self, pace: float | None) -> None:
        self._planned_pace = pace

    def count(self, splits: int) -> None:
        """So many are at hand now."""
        self.stock, self.used = splits, 0

    def lit(self, now: float) -> None:
        self.used += KINDLING
        self.last_log = now

    def log(self, now: float) -> None:
        """One split went on."""
        self.used += 1
        if self.last_log is not None and 0.0 < now - self.last_log < LONGEST_GAP:
            self._gaps = [*self._gaps, now - self.last_log][-GAPS:]
        self.last_log = now

    def take_back(self, splits: int, done: float, last_log: float | None) -> None:
        """So many did not go on at `done` after all. last_log: engine time of the newest that did."""
        self.used = max(0, self.used - splits)
        if self.last_log == done:
            self._gaps, self.last_log = self._gaps[:-1] if splits == 1 else self._gaps, last_log

    @property
    def left(self) -> int | None:
        """Splits, None = nobody counted."""
        return None if self.stock is None else max(0, self.stock - self.used)

    @property
    def pace(self) -> float:
        """s from one log to the next."""
        if len(self._gaps) >= GAPS_TELL:
            return median(self._gaps)
        return USUAL_PACE if self._planned_pace is None else self._planned_pace

    def runs_out(self, now: float, ready_at: float | None = None) -> float | None:
        """When the last split has burnt; None: nobody counted, or no fire. ready_at: when the pit of a plan takes its first log,
        for a fire that is yet to be lit."""
        if self.left is None:
            return None
        if self.last_log is not None:
            return max(now, self.last_log + (self.left + 1) * self.pace)
        return None if ready_at is None else max(now, ready_at + max(0, self.left - KINDLING) * self.pace)

    def dump(self) -> dict[str, Any]:
        """As JSON-able values."""
        return {
            "stock": self.stock, "used": self.used, "last_log": self.last_log, "pace": self._planned_pace,
            "gaps": list(self._gaps),
        }  # fmt: skip

    def load(self, dumped: dict[str, Any]) -> None:
        """The inverse of `dump`."""
        self.stock, self.used, self.last_log = dumped["stock"], dumped["used"], dumped["last_log"]
        self._planned_pace, self._gaps = dumped["pace"], list(dumped["gaps"])
