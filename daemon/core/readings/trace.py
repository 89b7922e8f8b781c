"""The minute-by-minute memory of a cook: one median per channel per engine minute.

All detectors slower than a minute read this and nothing else, so what they see is the same live, after a
restart and in a replay. 16 h x 8 channels is 61 kB.
"""

from __future__ import annotations

from array import array
from math import isnan, nan
from statistics import median
from typing import Any

from daemon.core.events import Sample
from daemon.core.readings.channel_judge import GOOD

MINUTE = 60.0
CONTROL = ""
"""In the place of a channel's id: the first pit's control value, as it was said when each minute closed."""


def control(pit: str) -> str:
    """The same of any pit: no channel has a slash in its id."""
    return f"/{pit}" if pit else CONTROL


def is_control(name: str) -> bool:
    return name == CONTROL or name.startswith("/")


class Trace:
    """Minute medians of good samples per channel. A minute without a good sample is NaN."""

    def __init__(self) -> None:
        self._open: dict[str, list[float]] = {}
        self._first_minute: dict[str, int] = {}
        self._medians: dict[str, array[float]] = {}

    def add(self, sample: Sample) -> None:
        """Take one sample into the running minute; anything but a good value leaves no trace."""
        channel, celsius, quality = sample[:3]
        if quality is GOOD and celsius is not None:
            running = self._open.get(channel)
            if running is None:
                running = self._open[channel] = []
            running.append(celsius)

    def drop_running(self, channel: str) -> None:
        """What the running minute has so far of a channel was no temperature."""
        self._open.pop(channel, None)

    def close_minute(self, minute: int) -> None:
        """Write the median of the running minute as engine minute number `minute` (= time // 60)."""
        for channel in self._open.keys() | {known for known in self._medians if not is_control(known)}:
            values = self._open.get(channel)
            self.put(channel, minute, median(values) if values else nan)
        self._open = {}

    def put(self, channel: str, minute: int, value: float) -> None:
        """Write one minute, once; those that were left out since the last are unknown."""
        medians = self._medians.setdefault(channel, array("d"))
        first = self._first_minute.setdefault(channel, minute)
        missing = minute - first - len(medians)
        if missing > 0:
            medians.extend([nan] * missing)
        if missing >= 0:
            medians.append(value)

    def latest(self, channel: str) -> float:
        """The last closed minute of a channel, °C, or NaN."""
        medians = self._medians.get(channel)
        return medians[-1] if medians else nan

    def window(self, channel: str, last_minute: int, count: int) -> list[float]:
        """`count` minutes ending with and including `last_minute`, oldest first, NaN where unknown."""
        medians = self._medians.get(channel)
        if medians is None:
            return [nan] * count
        end = last_minute + 1 - self._first_minute[channel]
        begin = end - count
        known = medians[max(begin, 0) : max(end, 0)].tolist()
        before = [nan] * min(count, max(-begin, 0))
        return before + known + [nan] * (count - len(before) - len(known))

    def since(self, channel: str, first_minute: int, last_minute: int) -> list[float]:
        """All minutes from first to last, both included."""
        return self.window(channel, last_minute, max(0, last_minute - first_minute + 1))

    def forget_before(self, minute: int) -> None:
        """Drop what is older, so that a watch that runs for years stays small."""
        for channel, medians in list(self._medians.items()):
            excess = minute - self._first_minute[channel]
            if excess >= len(medians):
                del self._medians[channel], self._first_minute[channel]
            elif excess > 0:
                del medians[:excess]
                self._first_minute[channel] = minute

    def dump(self) -> dict[str, Any]:
        """For a checkpoint: channel -> (first minute, medians with None for NaN), and the values of the running minute."""
        closed = {c: (self._first_minute[c], [None if isnan(v) else v for v in m]) for c, m in self._medians.items()}
        return {"closed": closed, "running": {c: list(values) for c, values in self._open.items()}}

    def load(self, dumped: dict[str, Any]) -> None:
        """The inverse of `dump`."""
        closed = dumped["closed"]
        self._open = {c: list(values) for c, values in dumped["running"].items()}
        self._first_minute = {c: first for c, (first, _) in closed.items()}
        self._medians = {c: array("d", (nan if v is None else v for v in m)) for c, (_, m) in closed.items()}
