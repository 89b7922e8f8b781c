"""How far each probe of a pit swings beside the calmest one: a probe by the firebox leaps with every log.

The size of a probe's moves over a few minutes is averaged in logarithms, so that the long climb of lighting weighs no more than
any other hour, and what two probes of one pit show is compared over the same minutes.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import exp, isnan, log1p
from typing import Any

# Every number below: our choices, tried on the worlds in tests/worlds.
SPAN = 10
"""Minutes of one move: half of what a log takes to its peak."""
HABIT = 60
"""Minutes over which the moves are averaged: a log or two."""
PROVEN_AFTER = 30
"""Minutes that must have been compared before anything is said."""
FAR_BELOW = 35.0
"""°C below the hottest probe from which a calm one is no measure: it may lie on the floor, or in the meat."""


class Swings:
    """Of the probes of one pit, or of several pits that are told apart by whom they are asked about."""

    def __init__(self) -> None:
        self._recent: dict[str, list[float]] = {}
        """The last minutes of each probe, °C, without a hole."""
        self._size: dict[str, float] = {}
        """Mean logarithm of 1 + its moves in °C."""
        self._level: dict[str, float] = {}
        """Mean °C."""
        self._minutes: dict[str, int] = {}

    def minute(self, celsius: Mapping[str, float]) -> None:
        """One minute of the probes of one pit, °C, NaN where nothing was read."""
        for name, c in celsius.items():
            self._recent[name] = [] if isnan(c) else [*self._recent.get(name, ()), c][-SPAN - 1 :]
        whole = {name: recent for name in celsius if len(recent := self._recent[name]) > SPAN}
        for name, recent in whole.items() if len(whole) > 1 else ():
            seen = self._minutes[name] = min(HABIT, self._minutes.get(name, 0) + 1)
            size, level = self._size.get(name, 0.0), self._level.get(name, 0.0)
            self._size[name] = size + (log1p(abs(recent[-1] - recent[0])) - size) / seen
            self._level[name] = level + (recent[-1] - level) / seen

    def beside(self, names: Mapping[str, float]) -> dict[str, float]:
        """Times that each of these probes swings as far as the calmest of them; 1 while that is not known."""
        known = {name: self._size[name] for name in names if self._minutes.get(name, 0) >= PROVEN_AFTER}
        hottest = max((self._level[name] for name in known), default=0.0)
        calmest = min((size for name, size in known.items() if self._level[name] >= hottest - FAR_BELOW), default=0.0)
        return {name: exp(max(0.0, known[name] - calmest)) if name in known else 1.0 for name in names}

    def dump(self) -> dict[str, Any]:
        """As JSON-able values."""
        recent = {name: list(values) for name, values in self._recent.items()}
        return {"recent": recent, "size": dict(self._size), "level": dict(self._level), "minutes": dict(self._minutes)}

    def load(self, dumped: dict[str, Any]) -> None:
        """The inverse of `dump`."""
        self._recent = {name: list(values) for name, values in dumped["recent"].items()}
        self._size, self._level, self._minutes = dict(dumped["size"]), dict(dumped["level"]), dict(dumped["minutes"])
