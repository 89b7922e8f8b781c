"""The meat as a witness of its cabinet: no air makes a core colder than itself.

A cabinet's probe that goes on telling of warm air after the heater has tripped (it stuck, or touches something warm) shows itself
by no stillness while its noise lives on. But a core that is held there, colder than that air and falling on, is not in air so
warm, or dries in it; either way the air tells nothing of the meat that has no probe. What was found lasts until meat and air have
agreed for as long: a fall that slows down, because the meat is nearly cold, is no acquittal.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from itertools import pairwise
from math import isnan, nan
from statistics import median
from typing import Any

from daemon.core.events import ProbeFault
from daemon.core.readings.findings import Finding
from daemon.core.said import Text, plain, said, say

MINUTE = 60.0

# Every number below: our choices, no source.
COLDER = 1.0
"""°C by which the core is colder than the air all the while, so that air which reads a little too warm is not blamed: a core
still nears the true air from above by less than `FALLEN` then."""
FALLS_FOR = 40
"""Minutes of it, and of what ends it."""
FALLEN, EACH = 1.5, 0.2
"""°C in them, and in each third of them: a fall and no step."""
SMOOTHED = 5
"""Minutes whose median is one temperature."""
SETTLES_IN = 60.0 * MINUTE
"""s in the cabinet after which a core is heard: meat that rested in a cold room falls on for a while in any warm air."""
MADE_UP = FALLS_FOR / (24 * 60)
"""Share of what it is colder that warm air makes up in `FALLS_FOR` even where a core needs a day."""


class CabinetWitness:
    """One per watch. since: engine time from which on the air was not what it read, None while nothing is held against it; air:
    °C that it read then."""

    def __init__(self) -> None:
        self.since: float | None = None
        self.air = nan
        self._evidence: Text = ""

    def minute(
        self, now: float, air: Sequence[float], cores: Collection[Sequence[float]], held: bool
    ) -> tuple[Finding, ...]:
        """air, cores: of the cabinet and of what has settled in it, °C a minute, newest last, NaN = unknown. held: anything is.
        Where no core tells, it stays as it was."""
        if not held:
            self.since, self.air, self._evidence = None, nan, ""
        elif self.since is None:
            fallen = max((_fallen(air, core) for core in cores), default=0.0)
            if fallen >= FALLEN:
                self.since, self.air = now - FALLS_FOR * MINUTE, _level(air, 0)
                self._evidence = say("probe.warmer-than-meat", air=self.air, fallen=fallen)
        elif (telling := [core for core in cores if not isnan(_level(core, 0))]) and all(
            _agrees(air, core) for core in telling
        ):
            self.since, self.air, self._evidence = None, nan, ""
        if self.since is None:
            return ()
        return (Finding(ProbeFault.DISAGREES, suspect=True, evidence=self._evidence),)

    def dump(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "since": self.since,
            "air": None if isnan(self.air) else self.air,
            "evidence": plain(self._evidence),
        }

    def load(self, dumped: dict[str, Any]) -> None:
        """The inverse of `dump`."""
        self.since, self._evidence = dumped["since"], said(dumped["evidence"])
        self.air = nan if dumped["air"] is None else dumped["air"]


def _fallen(air: Sequence[float], core: Sequence[float]) -> float:
    """°C that the core fell, on and on, in air that was said to be warmer all the while; 0 where it did not or cannot be told."""
    warm, steps = _known(air), _steps(core)
    if not warm or not steps or min(steps) < EACH or max(_known(core)) > min(warm) - COLDER:
        return 0.0
    return 0.0 if isnan(_level(air, 0)) else sum(steps)


def _agrees(air: Sequence[float], core: Sequence[float]) -> bool:
    """The core has been as warm as the air all the while, or warmed as it does in such air."""
    warm, steps = _known(air), _steps(core)
    if not warm or not steps:
        return False
    colder = median(warm) - min(_known(core))
    return colder <= COLDER or (max(steps) <= 0.0 and -sum(steps) >= MADE_UP * colder)


def _steps(core: Sequence[float]) -> list[float]:
    """°C that it fell in each third of the time; empty where one of them is unknown."""
    marks = [_level(core, back) for back in (FALLS_FOR, 2 * FALLS_FOR // 3, FALLS_FOR // 3, 0)]
    steps = [before - after for before, after in pairwise(marks)]
    return [] if any(map(isnan, steps)) else steps


def _known(values: Sequence[float]) -> list[float]:
    return [value for value in values[-FALLS_FOR:] if not isnan(value)]


def _level(values: Sequence[float], back: int) -> float:
    """°C so many minutes ago; NaN if any of these minutes is."""
    end = len(values) - back
    window = values[max(0, end - SMOOTHED) : end]
    return median(window) if len(window) == SMOOTHED and not any(map(isnan, window)) else nan
