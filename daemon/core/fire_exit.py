"""How long the pit stays in its band if nobody feeds it: nearest neighbours among past fires.

One row is what a fire looked like at one minute and how many more minutes it lasted. The rows of this pit's
own fires count fully; the simulated rows shipped as a prior fade as own fires come in.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from daemon.core.fire_prior import PRIOR

FEATURES = ("level", "slope 6 min", "slope 12 min", "slope 25 min", "since log", "since peak", "peak", "gap")
"""°C above the low edge; °C/min; minutes; °C of the last peak above the low edge; minutes between logs lately."""
SCALE = np.array([2.0, 0.25, 0.2, 0.15, 25.0, 12.0, 9.0, 40.0])
"""How much of each feature makes two fires differ by one unit."""
NEIGHBOURS = 30
PRIOR_WORTH = 12.0
"""Own fires at which the prior counts half."""

Row = tuple[float, ...]
"""The features in the order of FEATURES, then minutes to the exit."""
_PRIOR = np.array(PRIOR, dtype=float).reshape(-1, len(FEATURES) + 1)


class ExitLibrary:
    """Past fires to compare with. `own`: rows of this pit; fires: from how many of its fires they come."""

    def __init__(self, own: tuple[Row, ...], fires: int) -> None:
        mine = np.array(own, dtype=float).reshape(-1, len(FEATURES) + 1)
        rows = np.concatenate([_PRIOR, mine])
        self._features: npt.NDArray[np.float64] = np.ascontiguousarray((rows[:, :-1] / SCALE).T)
        self._minutes: npt.NDArray[np.float64] = rows[:, -1]
        self._worth = np.ones(len(rows))
        self._worth[: len(_PRIOR)] = PRIOR_WORTH / (PRIOR_WORTH + fires)

    def minutes_left(self, features: tuple[float, ...]) -> tuple[float, float, float] | None:
        """p05, p50, p95 minutes until the band is left at the bottom; None when there is nothing to compare with."""
        if len(self._minutes) == 0:
            return None
        distance = np.zeros(len(self._minutes))
        # feature by feature: numpy's own sums depend on where the array lies in memory, and a replay must be exact
        for column, feature, scale in zip(self._features, features, SCALE, strict=True):
            distance += (column - feature / scale) ** 2
        count = min(NEIGHBOURS, len(distance))
        near = np.sort(np.argpartition(distance, count - 1)[:count])
        width = max(float(distance[near].max()), 1e-9)
        weight = self._worth[near] * (1.05 - distance[near] / width)
        order = np.argsort(self._minutes[near], kind="stable")
        cumulated = np.cumsum(weight[order])
        middles = (cumulated - weight[order] / 2) / cumulated[-1]
        low, middle, high = np.interp((0.05, 0.5, 0.95), middles, self._minutes[near][order])
        return float(low), float(middle), float(high)
