"""The meat as a witness of its cabinet: no air makes a core colder than itself.

A cabinet's probe that goes on telling of warm air after the heater has tripped (it stuck, or touches something warm) shows itself
by no stillness while its noise lives on. But a core that is held there, colder than that air and falling on, is not in air so
warm, or dries in it; either way the air tells nothing of the meat that has no probe.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise
from math import isnan, nan
from statistics import median
from typing import Any

from daemon.core.events import ProbeFault
from daemon.core.readings.probe_faults import Finding
from daemon.core.said import Text, plain, said, say

MINUTE = 60.0

# Every number below: our choices, no source.
COLDER = 1.0
"""°C by which the core is colder than the air all the while, so that air which reads a little too warm is not blamed: a core
still nears the true air from above by less than `FALLEN` then."""
FALLS_FOR = 40
"""Minutes of it."""
FALLEN, EACH = 1.5, 0.2
"""°C in them, and in each third of them: a fall and no step."""
SMOOTHED = 5
"""Minutes whose median is one temperature."""


class CabinetWitness:
    """One per watch. since: engine time from which on the air was not what it read, None while nothing is held against it; air:
    °C that it read then."""

    def __init__(self) -> None:
        self.since: float | None = None
        self.air = nan
        self._evidence: Text = ""

    def minute(
        self, now: float, air: Sequence[float], cores: Iterable[Sequence[float]], held: bool
    ) -> tuple[Finding, ...]:
        """air, cores: of the cabinet and of what is held in it, °C a minute, newest last, NaN = unknown. held: anything is."""
        seen = [_against(air, core) for core in cores] if held else []
        against = max((fallen for fallen in seen if fallen is not None), default=None)
        if against is not None and against >= FALLEN:
            self.since = now - FALLS_FOR * MINUTE if self.since is None else self.since
            self.air = _level(air, 0)
            self._evidence = say("probe.warmer-than-meat", air=self.air, fallen=against)
        elif not held or against == 0.0:  # where no core tells it stays as it was
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


def _against(air: Sequence[float], core: Sequence[float]) -> float | None:
    """°C that the core fell in `FALLS_FOR` in air that was said to be warmer all the while; 0 where it is no colder, or falls no
    more; None where that cannot be told."""
    marks = [_level(core, back) for back in (FALLS_FOR, 2 * FALLS_FOR // 3, FALLS_FOR // 3, 0)]
    if marks[-1] > _level(air, 0) - COLDER or marks[-2] - marks[-1] <= 0.0:
        return 0.0  # of NaN neither is true
    warm, cold = ([v for v in values[-FALLS_FOR:] if not isnan(v)] for values in (air, core))
    steps = [before - after for before, after in pairwise(marks)]
    if any(map(isnan, steps)) or not warm or max(cold) > min(warm) - COLDER or min(steps) < EACH:
        return None
    return marks[0] - marks[-1]


def _level(values: Sequence[float], back: int) -> float:
    """°C so many minutes ago; NaN if any of these minutes is."""
    end = len(values) - back
    window = values[max(0, end - SMOOTHED) : end]
    return median(window) if len(window) == SMOOTHED and not any(map(isnan, window)) else nan
