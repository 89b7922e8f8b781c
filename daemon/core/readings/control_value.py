"""The control value: what the pit is said to have, from all good pit channels together.

The places of a pit differ by many degrees, so the plain median of the good channels jumps when one of them drops out or
comes back, and a jump looks like a fire that falls. Here each channel's habitual offset to the control value is learned, and
the value is the median of the channels with their offsets taken off: a change of the set makes no jump. Over
hours the value moves to the plain median of the channels that are left, so that the band keeps its plain meaning.

A probe may lie for a while before it is found out, and every minute of it would move the offsets of those that read true. So
a second set of habits is learned LIES_FOR later: once a probe is found to lie, the habits go on from there without it.

Of two channels neither outvotes the other, so the swing of each counts: one by the firebox, which leaps with every log, counts
for less beside one that hangs where the meat lies. A fire that fails shows in both.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from math import isnan, nan
from statistics import median
from typing import Any

from daemon.core.readings.swings import Swings

# Every number below: common practice, no source; tried on simulated nights.
PROVEN_AFTER = 10
"""Minutes a new channel must have been good before its offset counts: it may still be in the cook's hand."""
HABIT = 30
"""Minutes over which an offset is learned: longer than a log burns up, shorter than the fire's place lasts."""
RETURNS_IN = 240.0
"""Minutes in which the value comes home to the plain median of the channels that are left (time constant)."""
AWAY = 10
"""Minutes without a good value, while others were good, after which a channel must prove itself anew: it may hang elsewhere."""
LIES_FOR = 30
"""Minutes for which a probe may have lied before it is refused: the slowest of the doubts takes so long to be found."""
NO_PLACE = 40.0
"""°C from the control value at which no probe hangs that reads the pit: one that is found to lie did so all along."""
CALM, WILD = 1.3, 2.0
"""Times the calmer one's swing up to which a second channel counts in full, and from which it counts for nothing."""


class ControlValue:
    """One per pit. Channel values come as a mapping of the good ones only, °C."""

    def __init__(self) -> None:
        self._habits, self._before = _Habits(), _Habits()
        """As learned until now, and until LIES_FOR ago."""
        self._since: list[dict[str, float]] = []
        """The minutes between the two."""
        self._liars: frozenset[str] = frozenset()

    def of(self, good: Mapping[str, float]) -> float:
        """The control value of these channel values, °C; NaN when there are none."""
        return self._habits.of(good)

    def offset(self, channel: str) -> float:
        """°C by which this channel usually reads more than the control value; 0 until that is proven."""
        return self._habits.offset(channel)

    def minute(self, good: Mapping[str, float]) -> None:
        """Learn from one minute's medians of the good channels."""
        self._habits.minute(good)
        self._since.append(dict(good))
        if len(self._since) > LIES_FOR:
            self._before.minute(self._since.pop(0))

    def lying(self, channels: Collection[str]) -> list[float]:
        """These are now found to have read something else than the pit for a while: what was learned with them meanwhile is
        forgotten. What they read when they return is held against what they read before. The last minutes as the others have
        them, °C; none if nothing new was found."""
        found, self._liars = frozenset(channels) - self._liars, frozenset(channels)
        if not found:
            return []
        self._since = [{c: v for c, v in good.items() if c not in found} for good in self._since]
        if any(abs(self._before.offset(channel)) > NO_PLACE for channel in found):
            self._before = _Habits()
        learned = _Habits()
        learned.load(self._before.dump())
        for good in self._since:
            learned.minute(good)
        learned.keep_proven(found, self._before)
        self._habits = learned
        return [learned.of(good) for good in self._since]

    def dump(self) -> dict[str, Any]:
        """As JSON-able values."""
        since, liars = [dict(good) for good in self._since], sorted(self._liars)
        return self._habits.dump() | {"before": self._before.dump(), "since": since, "liars": liars}

    def load(self, dumped: dict[str, Any]) -> None:
        """The inverse of `dump`."""
        self._habits.load(dumped)
        self._before.load(dumped.get("before", dumped))  # not in the checkpoints of earlier versions
        self._since = [dict(good) for good in dumped.get("since", ())]
        self._liars = frozenset(dumped.get("liars", ()))


class _Habits:
    """What was learned of the channels until one minute."""

    def __init__(self) -> None:
        self._offsets: dict[str, float] = {}
        """°C above the control value, by channel."""
        self._minutes: dict[str, int] = {}
        """Good minutes seen, at most HABIT."""
        self._away: dict[str, int] = {}
        """Minutes since a channel was last good."""
        self._swings = Swings()
        self._weights: dict[tuple[str, ...], dict[str, float]] = {}
        """How much each of two channels counts, until the next minute is learned from."""

    def of(self, good: Mapping[str, float]) -> float:
        """The control value of these channel values, °C; NaN when there are none."""
        known = {c: v - self._offsets[c] for c, v in good.items() if self._minutes.get(c, 0) >= PROVEN_AFTER}
        if known:
            return self._middle(known)
        return median(good.values()) if good else nan

    def offset(self, channel: str) -> float:
        """°C by which this channel usually reads more than the control value; 0 until that is proven."""
        return self._offsets[channel] if self._minutes.get(channel, 0) >= PROVEN_AFTER else 0.0

    def _middle(self, values: Mapping[str, float]) -> float:
        """Their median; of two each counts by its swing."""
        if len(values) != 2:
            return median(values.values())
        both = tuple(values)
        weights = self._weights.get(both)
        if weights is None:
            swings = self._swings.beside(values)
            weights = {c: min(1.0, max(0.0, (WILD - swings[c]) / (WILD - CALM))) for c in values}
            self._weights[both] = weights
        return sum(weights[c] * v for c, v in values.items()) / sum(weights.values())  # the calmest has 1

    def minute(self, good: Mapping[str, float]) -> None:
        """Learn from one minute's medians of the good channels."""
        value = self.of(good)
        if isnan(value):
            return
        self._weights = {}
        self._swings.minute({**dict.fromkeys(self._minutes, nan), **good})
        self._away = {channel: 0 if channel in good else self._away.get(channel, 0) + 1 for channel in self._minutes}
        for channel, away in self._away.items():
            if away >= AWAY:
                self._minutes[channel] = 0
        for channel, celsius in good.items():
            seen = self._minutes[channel] = min(HABIT, self._minutes.get(channel, 0) + 1)
            offset = self._offsets.get(channel, 0.0)
            self._offsets[channel] = offset + (celsius - value - offset) / seen
        home = (self._middle(good) - value) / RETURNS_IN
        self._offsets = {channel: offset - home for channel, offset in self._offsets.items()}

    def keep_proven(self, channels: Collection[str], before: _Habits) -> None:
        """These have not been away yet, however long ago they were last believed."""
        for channel in before._minutes.keys() & set(channels):
            self._minutes[channel], self._away[channel] = before._minutes[channel], 0

    def dump(self) -> dict[str, Any]:
        """As JSON-able values."""
        return {
            "offsets": dict(self._offsets),
            "minutes": dict(self._minutes),
            "away": dict(self._away),
            "swings": self._swings.dump(),
        }

    def load(self, dumped: dict[str, Any]) -> None:
        """The inverse of `dump`."""
        self._offsets, self._minutes = dict(dumped["offsets"]), dict(dumped["minutes"])
        if "swings" in dumped:  # not in the checkpoints of earlier versions
            self._away = dict(dumped["away"])
            self._swings.load(dumped["swings"])
            self._weights = {}
