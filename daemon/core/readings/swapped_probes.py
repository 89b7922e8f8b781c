"""A meat probe and a pit probe that were exchanged: at the plugs, or in the hand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import isnan, nan
from statistics import median
from typing import Any

from daemon.core.events import ProbeFault
from daemon.core.readings.findings import ABOVE_BOILING, QUIET, STEP_LEAST, FaultLatches, ProbeMinutes, largest_step
from daemon.core.said import say
from daemon.core.settings import Role

SWAPPED_BY = 15.0
"""°C a meat channel must read above a pit channel to be taken for it."""
SWAPPED_MINUTES = 15
LEFT_THE_CORE = 8.0
"""°C from what it read in the meat beyond which a pit probe is no longer in it."""


class SwappedProbes:
    """The pairs that are exchanged now."""

    def __init__(self, latches: FaultLatches) -> None:
        self._latches = latches
        self._swapped: dict[str, tuple[str, float]] = {}
        """meat channel -> the pit channel that it is exchanged with, and what that one last read in the meat, °C."""

    def __contains__(self, name: str) -> bool:
        """Of a meat channel."""
        return name in self._swapped

    def names(self) -> set[str]:
        """The channels of both kinds."""
        return {*self._swapped, *(other for other, _ in self._swapped.values())}

    def minute(self, channels: Mapping[str, ProbeMinutes], boiling: float) -> None:
        """A meat channel lives like a pit probe while a pit channel lies as still and cool as meat. A meat channel hotter than
        meat gets is judged by what it read before it was handled, too: no mark makes it the piece's."""
        told: dict[str, tuple[str, str, float]] = {}
        judged: set[str] = set()
        pits = {name: _whole(pit.celsius) for name, pit in channels.items() if pit.settings.role is Role.PIT}
        for name, channel in channels.items():
            if channel.settings.role is not Role.MEAT or name in self._swapped:
                continue
            mine = _whole(channel.celsius) if channel.in_use else []
            boils = bool(mine) and min(mine) > boiling + ABOVE_BOILING
            if not mine or not (boils or self._latches.settled.get(name, 0) >= SWAPPED_MINUTES):
                continue
            judged.add(name)
            lively = boils or largest_step(mine) > STEP_LEAST
            for other, theirs in pits.items():
                if not theirs:
                    continue
                judged.add(other)
                still = max(theirs) < boiling and largest_step(theirs) <= QUIET
                if lively and still and median(map(float.__sub__, mine, theirs)) > SWAPPED_BY:
                    told[name] = told[other] = name, other, theirs[-1]
        for name in sorted(judged - self.names()):
            meat, other, core = told.get(name, ("", "", nan))
            why = (
                say("probe.swapped", name=meat, mine=channels[meat].celsius[-1], other=other, theirs=core)
                if meat
                else ""
            )
            latch = self._latches.of(name, ProbeFault.SWAPPED)
            latch.answer(ProbeFault.SWAPPED, bool(meat), why)
            if latch.active and meat == name:
                self._swapped[name] = other, core
        for name, (other, _) in list(self._swapped.items()):
            if (name in channels) != (other in channels):  # the piece lies on another pit now
                del self._swapped[name]
                self._latches.forget(name, ProbeFault.SWAPPED)
                self._latches.forget(other, ProbeFault.SWAPPED)
        for name in sorted(self._swapped.keys() & channels.keys()):
            self._exchanged(name, channels, boiling)

    def _exchanged(self, name: str, channels: Mapping[str, ProbeMinutes], boiling: float) -> None:
        """It stands until it is undone: a pit that dies passes every value that a core may have, but the other probe is still
        in the meat."""
        other, core = self._swapped[name]
        mine = channels[name]
        theirs = channels[other].celsius[-1]
        left = abs(theirs - core) > LEFT_THE_CORE
        if not (left or isnan(theirs)):
            self._swapped[name] = other, theirs
        hangs_in_the_pit = left and theirs - mine.celsius[-1] > SWAPPED_BY and mine.celsius[-1] < boiling
        undone = hangs_in_the_pit and (mine.handled or abs(mine.celsius[-1] - core) <= LEFT_THE_CORE)
        stands = None if isnan(theirs) else not (undone or (left and not mine.in_use))
        for one in (name, other):
            latch = self._latches.of(one, ProbeFault.SWAPPED)
            latch.answer(ProbeFault.SWAPPED, stands, latch.evidence)
        if not self._latches.stands(name, ProbeFault.SWAPPED):
            del self._swapped[name]
            self._latches.settled[name] = min(1, self._latches.settled.get(name, 0))

    def dump(self) -> dict[str, object]:
        """Plain values for JSON."""
        return {"swapped": {name: list(pair) for name, pair in self._swapped.items()}}

    def load(self, dumped: dict[str, Any]) -> None:
        """The inverse of `dump`. Checkpoints of earlier versions do not have it."""
        self._swapped = {name: (other, core) for name, (other, core) in dumped.get("swapped", {}).items()}


def _whole(values: Sequence[float]) -> list[float]:
    """The last `SWAPPED_MINUTES` minutes, or nothing if one is missing."""
    recent = list(values[-SWAPPED_MINUTES:])
    return recent if len(recent) == SWAPPED_MINUTES and not any(map(isnan, recent)) else []
