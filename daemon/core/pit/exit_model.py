"""When the pit leaves its band at the bottom if nobody comes: trees over the features of one minute, learned ahead of time.

The trees are data: they are learned and examined elsewhere, read from a file in `daemon.wiring`, and handed over as arrays.
Each quantile has its own trees, whose leaves add up to log(minutes + SHIFT). Sums run in a fixed order: a replay must give the
same bits.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from math import exp, log
from typing import Any

import numpy as np
import numpy.typing as npt

from daemon.core.outlook import Interval
from daemon.core.pit.fire_features import UNKNOWN
from daemon.core.settings import CallRule

SHIFT = 3.0
"""Minutes added before the logarithm: what is a minute off near the edge matters, what is a minute off far away does not."""
LEVELS = (0.05, 0.25, 0.5, 0.75, 0.95)
"""The quantiles that a model gives."""
LEAST, MIDDLE, MOST = LEVELS.index(0.25), LEVELS.index(0.5), LEVELS.index(0.75)
"""Where the median stands among them, and what one fire in four and three in four do not reach."""
TWO_MINDED = 1.3
"""Logarithm of its late over its early quarter from which a forecast tells two stories at once: a log that somebody has just
laid, and a fire that dies. Ours, tried on worlds left out."""
MINUTE = 60.0


@dataclass(frozen=True, eq=False)
class ExitModel:
    """Trees as arrays: node i sends a feature value <= threshold[i] to left[i], else to right[i]; a leaf sends to itself.

    roots: (levels, trees) node numbers. value: what a leaf adds. start, correction: (levels,), in logarithms.
    lowest, highest: (features,) what each has been where the trees learned, but for the last of two thousand at either end; NaN
    where it was never known.
    depth: the longest way. call: when a forecast is a call."""

    feature: npt.NDArray[np.int16]
    threshold: npt.NDArray[np.float32]
    left: npt.NDArray[np.int32]
    right: npt.NDArray[np.int32]
    value: npt.NDArray[np.float32]
    roots: npt.NDArray[np.int32]
    start: npt.NDArray[np.float64]
    correction: npt.NDArray[np.float64]
    lowest: npt.NDArray[np.float64]
    highest: npt.NDArray[np.float64]
    depth: int
    call: CallRule

    def logs_left(self, features: list[float]) -> list[float]:
        """log(minutes + SHIFT) at each of LEVELS, never falling."""
        seen = np.array(features, dtype=np.float32)
        at = self.roots
        for _ in range(self.depth):
            at = np.where(seen[self.feature[at]] <= self.threshold[at], self.left[at], self.right[at])
        leaves = self.value[at].astype(np.float64)
        added = np.cumsum(leaves, axis=1)[:, -1] + self.start + self.correction
        found: list[float] = np.maximum.accumulate(added).tolist()
        return found

    def is_beyond(self, features: list[float]) -> bool:
        """Something here lies beyond all that the trees have seen."""
        seen = np.array(features)
        beyond = (seen < self.lowest) | (seen > self.highest)
        return bool((beyond & (seen != UNKNOWN)).any())


@dataclass(frozen=True, slots=True)
class ExitForecast:
    """Engine times, s. exits: when the pit leaves its band, at each of LEVELS, as said at `made_at`."""

    made_at: float
    exits: tuple[float, ...]

    @staticmethod
    def of(made_at: float, logs_left: list[float]) -> ExitForecast:
        minutes = (max(0.0, exp(z) - SHIFT) for z in logs_left)
        return ExitForecast(made_at, tuple(made_at + MINUTE * m for m in minutes))

    @property
    def is_two_minded(self) -> bool:
        """Its spread is too wide for any one thing that a fire may do."""
        early, late = (SHIFT + (self.exits[level] - self.made_at) / MINUTE for level in (LEAST, MOST))
        return late >= early * exp(TWO_MINDED)

    def interval(self, now: float) -> Interval:
        """Nothing falls due in the past."""
        return Interval(*(max(now, self.exits[LEVELS.index(level)]) for level in (0.05, 0.5, 0.95)))

    def chance_by(self, until: float) -> float:
        """The chance that the pit has left its band by engine time `until`: between the quantiles straight in the logarithm of
        the time from when it was said."""
        if until <= self.made_at:
            return 0.0
        i = bisect_left(self.exits, until)
        goal = log(SHIFT + (until - self.made_at) / MINUTE)
        # two of the quantiles are enough: every scan asks
        upper = min(i, len(self.exits) - 1)
        near = self.exits[max(0, upper - 1) : upper + 1]
        ends = [log(SHIFT + (at - self.made_at) / MINUTE) for at in near]
        if i == 0:
            below = log(SHIFT)
            return LEVELS[0] * (goal - below) / (ends[0] - below) if ends[0] > below else LEVELS[0]
        if i == len(self.exits):
            return min(1.0, LEVELS[-1] + (1 - LEVELS[-1]) * (goal - ends[1]) / max(0.3, ends[1] - ends[0]))
        share = (goal - ends[0]) / (ends[1] - ends[0]) if ends[1] > ends[0] else 1.0
        return LEVELS[i - 1] + share * (LEVELS[i] - LEVELS[i - 1])

    def reached_at(self, chance: float) -> float:
        """Engine time by which the pit has left its band with this chance, which is among LEVELS: the inverse of `chance_by`."""
        i = min(max(bisect_left(LEVELS, chance), 1), len(LEVELS) - 1)
        share = (chance - LEVELS[i - 1]) / (LEVELS[i] - LEVELS[i - 1])
        early, late = (log(SHIFT + (at - self.made_at) / MINUTE) for at in self.exits[i - 1 : i + 1])
        return self.made_at + MINUTE * (exp(early + share * (late - early)) - SHIFT)

    def dump(self) -> list[Any]:
        return [self.made_at, list(self.exits)]

    @staticmethod
    def loaded(dumped: list[Any]) -> ExitForecast:
        return ExitForecast(dumped[0], tuple(dumped[1]))
