"""Stall onset and end of one piece, from its minute trace.

The state is a gated CUSUM (cumulative sum of log likelihood ratios: Page, Biometrika 41, 1954) of ten-minute
core slopes between a climbing and a stalled core. The published probability is a two-state Bayesian filter over
the same slopes. Both stand still while the pit is, or lately was, below its band: a core that pauses because the
fire is low is no stall.
"""

from __future__ import annotations

from math import exp, isnan, log, nan
from typing import Any

from daemon.core.settings import Band

SPAN = 10
"""Minutes over which one core slope is taken."""
CLIMBING, STALLED, SPREAD = 11.0, 4.0, 2.5
"""Core slope, °C/h, of a climbing and of a stalled piece, and the standard deviation of one ten-minute slope."""
DECIDED = 2.0
"""CUSUM decision limit, natural log units."""
WARM, DONE = 50.0, 88.0
"""Core °C between which a stall is looked for."""
GATE_MEAN, GATE_MEMORY, GATE_DEPTH = 12, 30, 8.0
"""The gate is shut while a mean over GATE_MEAN minutes within GATE_MEMORY minutes lay GATE_DEPTH °C under the band."""
ENTER, LEAVE = 1 / 300, 1 / 150
"""Chance a minute that a stall begins or ends, for the published probability."""


class StallWatch:
    """One per piece. `probability` (0..1) is for showing, `stalled` is the decision."""

    probability: float = 0.0
    stalled: bool = False

    def __init__(self) -> None:
        self._core: list[float] = []
        self._pit: list[float] = []
        self._sum = 0.0
        self._log_odds = -6.0

    def minute(self, now: float, core: float, pit: float, band: Band, wrapped: bool) -> bool:
        """Take one minute's medians (°C, NaN = unknown). True when `stalled` changed."""
        self._core = [*self._core[-SPAN:], core]
        self._pit = [*self._pit[-(GATE_MEMORY + GATE_MEAN - 2) :], pit]
        if wrapped or core > DONE:
            return self._clear()
        slope = self._slope()
        if isnan(slope) or self._gate_shut(band) or core < WARM:
            return False
        ratio = (CLIMBING - STALLED) * ((CLIMBING + STALLED) / 2 - slope) / SPREAD**2 / SPAN
        ratio = max(-1.0, min(1.0, ratio))
        self._filter(ratio)
        self._sum = max(0.0, self._sum + (-ratio if self.stalled else ratio))
        if self._sum < DECIDED:
            return False
        self.stalled, self._sum = not self.stalled, 0.0
        return True

    def _clear(self) -> bool:
        changed, self.stalled = self.stalled, False
        self._sum, self.probability, self._log_odds = 0.0, 0.0, -6.0
        return changed

    def _slope(self) -> float:
        """°C/h over the last SPAN minutes."""
        if len(self._core) <= SPAN:
            return nan
        return (self._core[-1] - self._core[0]) * 60.0 / SPAN

    def _gate_shut(self, band: Band) -> bool:
        known = [v for v in self._pit if not isnan(v)]
        if len(known) < GATE_MEAN:
            return True
        lowest = min(sum(known[i : i + GATE_MEAN]) for i in range(len(known) - GATE_MEAN + 1)) / GATE_MEAN
        return lowest < band.low - GATE_DEPTH

    def _filter(self, ratio: float) -> None:
        before = 1 / (1 + exp(-self._log_odds))
        prior = before * (1 - LEAVE) + (1 - before) * ENTER
        weight = exp(ratio)
        self.probability = prior * weight / (prior * weight + 1 - prior)
        self._log_odds = _logit(self.probability)

    def dump(self) -> dict[str, object]:
        return {
            "probability": self.probability,
            "stalled": self.stalled,
            "core": [None if isnan(v) else v for v in self._core],
            "pit": [None if isnan(v) else v for v in self._pit],
            "sum": self._sum,
            "log_odds": self._log_odds,
        }

    def load(self, dumped: dict[str, object]) -> None:
        state: Any = dumped
        self.probability, self.stalled = state["probability"], state["stalled"]
        self._core = [nan if v is None else v for v in state["core"]]
        self._pit = [nan if v is None else v for v in state["pit"]]
        self._sum, self._log_odds = state["sum"], state["log_odds"]


def _logit(probability: float) -> float:
    p = min(1 - 1e-6, max(1e-6, probability))
    return log(p / (1 - p))
