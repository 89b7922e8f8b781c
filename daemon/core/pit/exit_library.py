"""How long the pit stays in its band if nobody feeds it: nearest neighbours among past fires.

One row is what a fire looked like at one minute and how many more minutes it lasted. Fires are compared by their shape:
a heavy, well insulated pit falls as any other does, only more slowly, so that levels and slopes count in units of how
fast this pit usually falls and times in units of how often it is fed. The rows of this pit's own fires count fully; the
simulated rows handed in as a prior, of light pits and heavy ones, fade as own fires come in.
"""

from __future__ import annotations

from functools import lru_cache
from math import exp, log, log1p

import numpy as np
import numpy.typing as npt

FEATURES = ("level", "slope 6 min", "slope 12 min", "usual fall", "since log", "gap")
"""°C above the low edge; °C/min; °C/min at which this pit falls when it falls; minutes; minutes between logs lately."""
SLOWEST_FALL = 0.5
"""°C/min: the usual fall counts as no slower. A pit held well in its band tells little of how it falls once left alone:
with less than this, calls for wood came late on simulated nights."""
SCALE = np.array([0.4, 0.3, 0.3, 0.3, 0.45])
"""How much of each quantity of `_shape` makes two fires differ by one unit."""
NEIGHBOURS = 40
PRIOR_WORTH = 12.0
"""Own fires at which the prior counts half."""
EARLY, MIDDLE, LATE = 0.01, 0.47, 0.94
"""Shares of the neighbours' weight below which 5, 50 and 95 % of unseen simulated fires left the band. The early end lies
further out than it would by itself: a nap must not outlast the fire."""

Row = tuple[float, ...]
"""The features in the order of FEATURES, then minutes to the exit."""


class ExitLibrary:
    """Past fires to compare with. prior: simulated rows. own: rows of this pit; fires: from how many of its fires they come."""

    def __init__(self, prior: tuple[Row, ...], own: tuple[Row, ...] = (), fires: int = 0) -> None:
        simulated, simulated_minutes = _prior_shapes(prior)
        mine, own_minutes = _shapes(own)
        self._shapes = np.concatenate([simulated, mine], axis=1)
        self._minutes = np.concatenate([simulated_minutes, own_minutes])
        self._worth = np.ones(self._minutes.size)
        self._worth[: simulated_minutes.size] = PRIOR_WORTH / (PRIOR_WORTH + fires)

    @property
    def can_tell(self) -> bool:
        """There are enough fires to compare with."""
        return self._minutes.size >= NEIGHBOURS

    def minutes_left(self, features: tuple[float, ...]) -> tuple[float, float, float]:
        """p05, p50, p95 minutes until the band is left at the bottom; only where it `can_tell`."""
        shape = _shape(features)
        distance = np.zeros(self._minutes.size)
        # quantity by quantity: numpy's own sums depend on where the array lies in memory, and a replay must be exact
        for column, value, scale in zip(self._shapes, shape, SCALE, strict=True):
            distance += ((column - value) / scale) ** 2
        near = np.sort(np.argpartition(distance, NEIGHBOURS - 1)[:NEIGHBOURS])
        width = max(float(distance[near].max()), 1e-9)
        weight = self._worth[near] * (1.05 - distance[near] / width)
        # with further to fall than the neighbour a fire lasts longer, by less than in proportion: the wood burns out
        further = [exp((shape[0] - reach) / 2) for reach in self._shapes[0, near].tolist()]
        minutes = self._minutes[near] * np.array(further)
        order = np.argsort(minutes, kind="stable")
        cumulated = np.cumsum(weight[order])
        middles = (cumulated - weight[order] / 2) / cumulated[-1]
        low, middle, high = np.interp((EARLY, MIDDLE, LATE), middles, minutes[order])
        return float(low), float(middle), float(high)


def _shape(features: tuple[float, ...]) -> tuple[float, ...]:
    """What two fires are compared by: log of (1 + minutes to the edge at the usual fall), the slopes in usual falls,
    the time since the log in gaps, log of the gap."""
    level, slope_6, slope_12, usual_fall, since_log, gap = features
    fall = max(SLOWEST_FALL, usual_fall, -slope_12)
    return log1p(max(0.0, level) / fall), slope_6 / fall, slope_12 / fall, since_log / gap, log(gap)


def _shapes(rows: tuple[Row, ...]) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """The shapes, one column of the library each, and the minutes."""
    shapes = np.array([_shape(row[:-1]) for row in rows], dtype=float).reshape(-1, SCALE.size)
    return np.ascontiguousarray(shapes.T), np.array([row[-1] for row in rows], dtype=float)


_prior_shapes = lru_cache(maxsize=1)(_shapes)
"""Every watch of a process has the same prior."""
