"""The only place where pitvigil reads a clock.

Engine time never steps: it is anchored once to the wall and then follows CLOCK_BOOTTIME, which goes on through
suspend and ignores NTP steps. UTC is engine time plus an offset that is re-measured and handed to the core as an input.
"""

from __future__ import annotations

import time
from math import inf
from pathlib import Path
from typing import Protocol

BOOT_ID_FILE = Path("/proc/sys/kernel/random/boot_id")
PLAUSIBLE_SINCE = 1_750_000_000.0
"""UTC s (June 2025): a wall clock before this was never set."""


class Clock(Protocol):
    """Engine time and wall time, both in s."""

    def now(self) -> float: ...

    def wall(self) -> float: ...


def boot_id() -> str:
    """Changes at every boot; empty where the kernel does not tell."""
    try:
        return BOOT_ID_FILE.read_text().strip()
    except OSError:
        return ""


def boot_seconds() -> float:
    """Seconds since boot, suspend included."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


def wall_seconds() -> float:
    """UTC as the system has it, which may be wrong until the clock is set."""
    return time.time()


class SystemClock:
    """The real clock. `resume_at` continues the engine time of an earlier run."""

    def __init__(self, resume_at: float | None = None) -> None:
        self._anchor = wall_seconds() if resume_at is None else resume_at
        self._boot_at_anchor = boot_seconds()

    def now(self) -> float:
        return self._anchor + boot_seconds() - self._boot_at_anchor

    def wall(self) -> float:
        return wall_seconds()


class SpedUpClock:
    """Runs `factor` times faster from `start`; for the demo only. Wall and engine agree."""

    def __init__(self, start: float, factor: float) -> None:
        self._start, self._factor, self._boot = start, factor, boot_seconds()
        self._most = inf

    def now(self) -> float:
        boot = boot_seconds()
        now = self._start + (boot - self._boot) * self._factor
        if now > self._most:
            now, self._start, self._boot = self._most, self._most, boot
        return now

    def wait_at(self, most: float) -> None:
        """It stands still there until it is told a later time: what goes by meanwhile is not made up for."""
        self.now()
        self._most = most

    def go_on_at(self, factor: float) -> None:
        """From now on so many times faster than life; the time itself does not jump."""
        now = self.now()
        self._start, self._boot, self._factor = now, boot_seconds(), factor

    def wall(self) -> float:
        return self.now()


class ManualClock:
    """Stands still until it is moved; for tests and replays."""

    def __init__(self, start: float = 0.0) -> None:
        self.time = start
        self.wall_offset = 0.0

    def now(self) -> float:
        return self.time

    def wall(self) -> float:
        return self.time + self.wall_offset
