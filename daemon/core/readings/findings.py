"""What is found of a probe slowly: minutes of one answer begin a fault, and minutes of the other end it.

Every minute each fault of each channel is asked one question with three answers: seen, not seen, cannot tell. A fault
begins after so many minutes of "seen" in a row and ends after so many of "not seen" (`PATIENCE`); "cannot tell"
leaves all as it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, isnan
from typing import Any

from daemon.core.events import ProbeFault
from daemon.core.said import Text, plain, said
from daemon.core.settings import ChannelSettings

PATIENCE: dict[ProbeFault, tuple[int, int]] = {
    ProbeFault.DRIFT: (15, 15),
    ProbeFault.NOT_IN_MEAT: (5, 15),
    ProbeFault.SWAPPED: (5, 15),
    ProbeFault.PULLED: (1, 10),
    ProbeFault.COLD_JUNCTION_HOT: (2, 10),
    ProbeFault.AMBIENT_LEAK: (10, 30),
}
"""Minutes in a row to begin and to end. Our choices, tried on simulated cooks."""

PLACE_FAULTS = (ProbeFault.PULLED, ProbeFault.NOT_IN_MEAT, ProbeFault.SWAPPED, ProbeFault.AMBIENT_LEAK)
"""What is forgotten of a probe whose piece is not on."""
NOT_SWAPPED = tuple(fault for fault in PLACE_FAULTS if fault is not ProbeFault.SWAPPED)
"""What is forgotten of one that is being handled."""

STEP_MINUTES = 3
"""Minutes over which a step is looked for."""
STEP_LEAST = 6.0
"""°C in `STEP_MINUTES` that no core does, on top of what its size allows."""
QUIET = 2.0
"""°C in `STEP_MINUTES` within which a probe is at rest."""
ABOVE_BOILING = 3.0
"""°C above the site's boiling point that wet meat cannot read."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One fault that holds now. suspect: the value is not to be believed; else it is a hint. evidence: one line."""

    fault: ProbeFault
    suspect: bool
    evidence: Text


@dataclass(frozen=True, slots=True)
class ProbeMinutes:
    """One channel as the slow judges see it, newest minute last, NaN where nothing plausible was read.

    celsius, cold_junction: °C. in_use: a piece is on that it should be in. handled: the cook is handling it now.
    thickness: thinnest dimension of its piece, m, None if it has no piece."""

    settings: ChannelSettings
    celsius: Sequence[float]
    cold_junction: Sequence[float]
    in_use: bool
    handled: bool
    thickness: float | None


@dataclass(slots=True)
class Latch:
    """One fault of one channel. minutes: how long in a row the answer was against the present state."""

    active: bool = False
    minutes: int = 0
    suspect: bool = True
    evidence: Text = ""

    def answer(self, fault: ProbeFault, seen: bool | None, evidence: Text, suspect: bool = True) -> None:
        """None: it cannot be told."""
        if seen is None:
            return
        if seen == self.active:
            self.minutes = 0
            if seen and suspect and not self.suspect:
                self.suspect, self.evidence = True, evidence
            return
        self.minutes += 1
        begin, end = PATIENCE[fault]
        if self.minutes >= (end if self.active else begin):
            self.active, self.minutes, self.suspect, self.evidence = seen, 0, suspect, evidence


class FaultLatches:
    """Every fault of every channel, and for how long each meat probe has been left alone."""

    def __init__(self) -> None:
        self._latches: dict[str, dict[ProbeFault, Latch]] = {}
        self.settled: dict[str, int] = {}
        """Minutes for which each meat probe was left alone in its piece."""

    def of(self, name: str, fault: ProbeFault) -> Latch:
        """One fault of one channel."""
        return self._latches.setdefault(name, {}).setdefault(fault, Latch())

    def stands(self, name: str, fault: ProbeFault) -> bool:
        """Whether the channel has that fault now."""
        return self.of(name, fault).active

    def found(self, name: str) -> tuple[Finding, ...]:
        """The faults of the channel that hold now."""
        latches = self._latches.get(name, {})
        return tuple(Finding(fault, one.suspect, one.evidence) for fault, one in latches.items() if one.active)

    def forget(self, name: str, *faults: ProbeFault) -> None:
        """As if they had never been asked about."""
        for fault in faults:
            self._latches.get(name, {}).pop(fault, None)

    def dump(self) -> dict[str, object]:
        """Plain values for JSON."""
        return {
            "latches": {
                name: {
                    fault: [one.active, one.minutes, one.suspect, plain(one.evidence)] for fault, one in latches.items()
                }
                for name, latches in self._latches.items()
            },
            "settled": dict(self.settled),
        }

    def load(self, dumped: dict[str, Any]) -> None:
        """The inverse of `dump`."""
        self._latches = {
            name: {
                ProbeFault(fault): Latch(active, minutes, suspect, said(why))
                for fault, (active, minutes, suspect, why) in latches.items()
            }
            for name, latches in dumped["latches"].items()
        }
        self.settled = dict(dumped["settled"])


def largest_step(values: Sequence[float]) -> float:
    """Largest change over `STEP_MINUTES`, °C; inf when nothing can be said."""
    steps = [abs(late - early) for early, late in zip(values, values[STEP_MINUTES:], strict=False)]
    known = [step for step in steps if not isnan(step)]
    return max(known, default=inf)
