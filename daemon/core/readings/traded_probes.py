"""Two meat probes that were pulled together and pushed into each other's piece."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations
from math import nan
from typing import Any

from daemon.core.events import ProbeFault
from daemon.core.readings.findings import FaultLatches, ProbeMinutes
from daemon.core.said import say

TRADED_IN, TRADED_WITHIN = 10, 3.0
"""Minutes in which two probes are pulled and pushed in again, and °C within which each then reads what the other did."""


class TradedProbes:
    """The pairs that lie in each other's piece now."""

    def __init__(self, latches: FaultLatches) -> None:
        self._latches = latches
        self._pulled_for: dict[str, int] = {}
        """Minutes since each probe was pulled, or traded for another."""
        self._traded: dict[str, str] = {}

    def __contains__(self, name: str) -> bool:
        return name in self._traded

    def minute(self, channels: Mapping[str, ProbeMinutes], before_pull: Mapping[str, float]) -> None:
        """Two probes that were pulled together and read on from each other's core. Until they are traded back, or somebody
        says that he has moved one, neither tells of its own piece."""
        for name in list(self._traded):
            other = self._traded.get(name)
            if other is not None and not (self._is_pulled(name) and self._is_pulled(other)):
                del self._traded[name], self._traded[other]
        pulled = sorted(name for name in channels if self._is_pulled(name))
        away = {name: minutes for name, minutes in self._pulled_for.items() if name not in channels}
        self._pulled_for = away | {name: self._pulled_for.get(name, -1) + 1 for name in pulled}
        now, before = {}, {}
        for name in pulled:
            values = channels[name].celsius
            now[name] = values[-1]
            traded = len(values) > TRADED_IN and name in self._traded
            before[name] = values[-1 - TRADED_IN] if traded else before_pull.get(name, nan)
        for one, other in combinations(pulled, 2):
            ages = self._pulled_for[one], self._pulled_for[other]
            if self._traded.get(one) == other:
                together = min(ages) > TRADED_IN
            else:
                together = not {one, other} & self._traded.keys() and abs(ages[0] - ages[1]) <= TRADED_IN
            apart = abs(before[one] - before[other])
            off = max(abs(now[one] - before[other]), abs(now[other] - before[one]))
            if not (together and apart > 2 * TRADED_WITHIN and off <= TRADED_WITHIN):  # of NaN nothing is true
                continue
            if one in self._traded:
                del self._traded[one], self._traded[other]
                for name in (one, other):
                    self._latches.forget(name, ProbeFault.PULLED)
                    self._latches.settled[name] = 1
                continue
            self._traded |= {one: other, other: one}
            for name, with_ in ((one, other), (other, one)):
                self._pulled_for[name] = 0
                self._latches.of(name, ProbeFault.PULLED).evidence = say("probe.traded", mine=now[name], other=with_)

    def _is_pulled(self, name: str) -> bool:
        return self._latches.stands(name, ProbeFault.PULLED)

    def dump(self) -> dict[str, object]:
        """Plain values for JSON."""
        return {"pulled_for": dict(self._pulled_for), "traded": dict(self._traded)}

    def load(self, dumped: dict[str, Any]) -> None:
        """The inverse of `dump`. Checkpoints of earlier versions do not have it."""
        self._pulled_for, self._traded = dict(dumped.get("pulled_for", {})), dict(dumped.get("traded", {}))
