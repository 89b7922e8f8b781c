"""The logs that went in, marked or noticed, and how far apart they were."""

from __future__ import annotations

from typing import Any, NamedTuple

MINUTE = 60.0
SHORTEST_GAP = 5.0
"""Minutes between logs below which they are one feeding."""
GAPS_KEPT = 8
"""Log intervals of which the median is the usual gap."""
INTERVALS_KEPT = 200
"""Newest own log intervals kept."""
LOGS_KEPT = 40
"""Newest logs remembered, so that one of them can be taken back."""


class LaidLog(NamedTuple):
    """at: engine time, s. marked: a person said so. counts: it ended an interval that is kept."""

    at: float
    marked: bool
    counts: bool


class LaidLogs:
    """Of one pit, in the order in which they were told. A fire that is lit counts as one."""

    def __init__(self) -> None:
        self.newest: tuple[LaidLog, ...] = ()
        self.last: float | None = None
        """Engine time of the last log, s."""
        self.intervals: tuple[float, ...] = ()
        """Minutes between logs, oldest first."""

    def lay(self, at: float, *, marked: bool, burns: bool) -> None:
        """A log went in. burns: on a fire, so that the time since the one before says something of this pit."""
        counts = self.last is not None and burns and at - self.last >= SHORTEST_GAP * MINUTE
        if self.last is not None and counts:
            self.intervals = (*self.intervals, (at - self.last) / MINUTE)[-INTERVALS_KEPT:]
        self.last = at
        self.newest = (*self.newest[1 - LOGS_KEPT :], LaidLog(at, marked, counts))

    def take_back(self, done: float) -> bool:
        """Neither the marked log of then nor the intervals that it made: those beside it have one between them. False: it is not
        known, being told by an earlier version or too long ago."""
        logs = self.newest
        number = next((n for n, log in enumerate(logs) if log.marked and log.at == done), None)
        if number is None:
            return False
        before, after, intervals = logs[:number], list(logs[number + 1 :]), list(self.intervals)
        at = len(intervals) - sum(log.counts for log in after)
        if logs[number].counts and at > 0:
            del intervals[at - 1]
            at -= 1
        if after and after[0].counts and at < len(intervals):
            gap = (after[0].at - before[-1].at) / MINUTE if before else 0.0
            if gap >= SHORTEST_GAP:
                intervals[at] = gap
            else:
                del intervals[at]
                after[0] = after[0]._replace(counts=False)
        self.newest, self.intervals = (*before, *after), tuple(intervals)
        self.last = self.newest[-1].at if self.newest else None
        return True

    def dump(self) -> dict[str, object]:
        """Plain values for JSON."""
        return {"last_log": self.last, "intervals": list(self.intervals), "logs": [list(log) for log in self.newest]}

    def load(self, dumped: dict[str, Any]) -> None:
        """The inverse of `dump`. Checkpoints of earlier versions have no logs."""
        self.last, self.intervals = dumped["last_log"], tuple(dumped["intervals"])
        self.newest = tuple(LaidLog(*log) for log in dumped.get("logs", ()))
