"""Stall onset and end of one piece, from its minute trace.

The state is a gated CUSUM (cumulative sum: Page, Biometrika 41, 1954) of the core's slope, with one level for the
beginning and a higher one for the end. The slope of the newest minutes alone is the early sign: it ends a stall sooner,
and a core that picks up begins none. The published probability is a two-state Bayesian filter over it. Both stand still
while the pit is far below its band, and nothing begins for some time after: a core that pauses because the fire is, or
was, low is no stall.
"""

from __future__ import annotations

from math import exp, isnan, nan
from typing import Any

from daemon.core.pit.signs import slope
from daemon.core.settings import Band

# The numbers below were chosen on simulated cooks; they have no published source.
SPAN, RECENT = 20, 10
"""Minutes over which a core slope is taken (least squares): for the state, and for the earliest sign of a change."""
ENTERS_BELOW, ENTERS_AFTER, ENTERS_AT_MOST = 6.6, 20.0, 2.0
"""A stall begins when slopes below ENTERS_BELOW (°C/h) have summed to ENTERS_AFTER (°C/h x min); one minute counts
for ENTERS_AT_MOST at most, either way, and for nothing while the newest minutes climb faster than the others."""
AGAIN_AFTER = 14.0
"""°C/h x min more for a stall to begin again: once the core has climbed, it may pause for a while."""
LEAVES_ABOVE, LEAVES_AFTER, LEAVES_AT_MOST = 9.0, 15.0, 4.0
"""The same for its end, upwards. The gap between the two levels is the hysteresis."""
WARM, LAST_BEGINS, DONE = 55.0, 84.5, 85.0
"""Core °C: a stall begins between the first two, and ends at DONE at the latest: above that the core creeps towards
boiling, which is no stall."""
GATE_MEAN, GATE_MEMORY, GATE_DEPTH = 12, 36, 20.0
"""The gate is shut while the pit's mean over GATE_MEAN minutes lies GATE_DEPTH °C under the band, and against a beginning
for GATE_MEMORY minutes from then on: that is how long a core takes to climb again behind a fire that has come back."""
EVIDENCE, EVIDENCE_AT_MOST = 0.1, 0.6
"""Log odds of a stall per minute and per °C/h under ENTERS_BELOW, and the most that one minute may say."""
BEGINS, ENDS = 1 / 100, 1 / 50
"""Chance a minute that a stall begins or ends, for the published probability; chosen on simulated cooks."""


class StallWatch:
    """One per piece. `probability` (0..1) is for showing, `stalled` is the decision."""

    probability: float = 0.0
    stalled: bool = False

    def __init__(self) -> None:
        self._core: list[float] = []
        self._pit: list[float] = []
        self._shut_for = 0
        """Minutes the gate still stays shut against a beginning; GATE_MEMORY while the pit is low."""
        self._sum = 0.0
        """°C/h x min towards the next change; below zero, what must be made up first."""

    def minute(self, now: float, core: float, pit: float, band: Band, wrapped: bool) -> bool:
        """Take one minute's medians (°C, NaN = unknown). True when `stalled` changed."""
        self._core = [*self._core[1 - SPAN :], core]
        self._pit = [*self._pit[1 - GATE_MEAN :], pit]
        self._gate(band)
        if wrapped or core > DONE:
            return self._clear()
        rate = slope(self._core) * 60 if len(self._core) == SPAN else nan
        recent = slope(self._core[-RECENT:]) * 60
        shut = self._shut_for == GATE_MEMORY if self.stalled else self._shut_for > 0
        if shut or isnan(rate) or isnan(recent) or isnan(core) or core < WARM:
            return False
        self._believe(ENTERS_BELOW - recent)
        if core > LAST_BEGINS and not self.stalled:
            return False
        if self.stalled:
            step, limit, enough = max(rate, recent) - LEAVES_ABOVE, LEAVES_AT_MOST, LEAVES_AFTER
        else:
            step, limit, enough = ENTERS_BELOW - rate, ENTERS_AT_MOST, ENTERS_AFTER
            step = min(step, 0.0) if recent > rate else step
        self._sum = max(min(0.0, self._sum), self._sum + max(-limit, min(limit, step)))
        if self._sum <= enough:
            return False
        self.stalled = not self.stalled
        self._sum = 0.0 if self.stalled else -AGAIN_AFTER
        return True

    def restart(self) -> None:
        """The probe is seated anew: what was read before tells nothing of how the core moves now. The state stands."""
        self._core = []
        self._sum = 0.0 if self.stalled else min(self._sum, 0.0)

    def _clear(self) -> bool:
        changed, self.stalled = self.stalled, False
        self._sum, self.probability = 0.0, 0.0
        return changed

    def _gate(self, band: Band) -> None:
        known = [v for v in self._pit if not isnan(v)]
        low = bool(known) and sum(known) / len(known) < band.low - GATE_DEPTH
        self._shut_for = GATE_MEMORY if low else max(0, self._shut_for - 1)

    def _believe(self, under: float) -> None:
        prior = self.probability * (1 - ENDS) + (1 - self.probability) * BEGINS
        weight = exp(max(-EVIDENCE_AT_MOST, min(EVIDENCE_AT_MOST, EVIDENCE * under)))
        self.probability = prior * weight / (prior * weight + 1 - prior)

    def dump(self) -> dict[str, object]:
        return {
            "probability": self.probability,
            "stalled": self.stalled,
            "core": [None if isnan(v) else v for v in self._core],
            "pit": [None if isnan(v) else v for v in self._pit],
            "shut_for": self._shut_for,
            "sum": self._sum,
        }

    def load(self, dumped: dict[str, object]) -> None:
        state: Any = dumped
        self.probability, self.stalled = state["probability"], state["stalled"]
        self._core = [nan if v is None else v for v in state["core"]]
        self._pit = [nan if v is None else v for v in state["pit"]]
        self._shut_for, self._sum = state["shut_for"], state["sum"]
