"""A pit probe that leaps while the others of its pit stand still: it was moved, or fell on the coals.

Air that burns heats within seconds what it touches, but a pit is one room: within a minute the other probes show it. So a leap is
doubted at once, before anybody is called for a pit that runs away, and for some minutes it is watched whether the others follow
or it climbs on, as burning fat does: then it is believed after all, and the call is made.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

# Every number below: our choices, tried on simulated nights.
LEAP, LEAP_IN = 60.0, 30.0
"""°C that no air of a fed pit gains within so many s at one place only."""
STILL = 0.1
"""Share of the leap that the others may show meanwhile."""
WARM = 80.0
"""°C that the others read at least: while a fire is lit, its places rightly differ."""


class PitLeaps:
    """One per pit."""

    def __init__(self) -> None:
        self._recent: dict[str, list[tuple[float, float]]] = {}
        """(engine time, °C) of the last LEAP_IN, by channel."""

    def scan(self, now: float, celsius: Mapping[str, float]) -> dict[str, tuple[float, float]]:
        """Every 5 s with the newest believed values of the pit's probes: °C (before, after) of those that have leapt."""
        kept = {name: [one for one in self._recent.get(name, ()) if one[0] >= now - LEAP_IN] for name in celsius}
        self._recent = {name: [*kept[name], (now, value)] for name, value in celsius.items()}
        leapt = {}
        for name, value in celsius.items():
            before = min(v for _, v in self._recent[name])
            others = [self._recent[other] for other in celsius if other != name]
            if value - before < LEAP or not others:
                continue
            still = all(max(map(_celsius, o)) - min(map(_celsius, o)) <= STILL * (value - before) for o in others)
            now_there = [o[-1][1] for o in others]
            if still and min(now_there) >= WARM and value - max(now_there) >= LEAP:
                leapt[name] = before, value
        return leapt

    def dump(self) -> dict[str, Any]:
        """As JSON-able values."""
        return {name: [list(one) for one in recent] for name, recent in self._recent.items()}

    def load(self, dumped: dict[str, Any]) -> None:
        """The inverse of `dump`."""
        self._recent = {name: [(at, celsius) for at, celsius in recent] for name, recent in dumped.items()}


def _celsius(one: tuple[float, float]) -> float:
    return one[1]
