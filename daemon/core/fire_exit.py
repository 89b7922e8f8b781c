"""How long the pit stays in its band if nobody feeds it: nearest neighbours among past fires.

One row is what a fire looked like at one minute and how many more minutes it lasted. The rows of this pit's
own fires count fully; the simulated rows shipped as a prior fade as own fires come in.
"""

from __future__ import annotations

from statistics import median

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
EARLY, MIDDLE, LATE = 0.05, 0.57, 0.96
"""Shares of the neighbours' weight below which 5, 50 and 95 % of unseen simulated fires left the band: a fire that was
just fed, unnoticed, outlasts its neighbours, so the middle and the late end lie further out than they would by themselves."""
TELLING_FROM, TELLING_ROWS = 8.0, 60
"""Minutes a row must have lasted, and the newest so many, to say how slow this pit is."""
FALLS_DOUBTED = 0.5
"""Own falls at which half of that is believed: the many rows of one long fall are one witness."""
ORDINARY = 1.6
"""Slowness from which it is believed in full; below half of 1 + ORDINARY it is within what ordinary pits differ by."""

Row = tuple[float, ...]
"""The features in the order of FEATURES, then minutes to the exit."""
_PRIOR = np.array(PRIOR, dtype=float).reshape(-1, len(FEATURES) + 1)


class ExitLibrary:
    """Past fires to compare with. `own`: rows of this pit; fires: from how many of its fires they come."""

    def __init__(self, own: tuple[Row, ...], fires: int) -> None:
        mine = np.array(own, dtype=float).reshape(-1, len(FEATURES) + 1)
        rows = np.concatenate([_PRIOR, mine])
        self._features: npt.NDArray[np.float64] = np.ascontiguousarray((rows[:, :-1] / SCALE).T)
        self._worth = np.ones(len(rows))
        self._worth[: len(_PRIOR)] = PRIOR_WORTH / (PRIOR_WORTH + fires)
        self._minutes: npt.NDArray[np.float64] = rows[:, -1].copy()
        self.slowness = _slowness(own)
        self._minutes[: len(_PRIOR)] *= self.slowness

    def minutes_left(self, features: tuple[float, ...]) -> tuple[float, float, float] | None:
        """p05, p50, p95 minutes until the band is left at the bottom; None when there is nothing to compare with."""
        if len(self._minutes) == 0:
            return None
        return _nearest(self._features, self._minutes, self._worth, features)


def _nearest(
    columns: npt.NDArray[np.float64],
    minutes: npt.NDArray[np.float64],
    worth: npt.NDArray[np.float64],
    features: tuple[float, ...],
) -> tuple[float, float, float]:
    """p05, p50, p95 of the minutes of the rows nearest to `features`. columns: one scaled feature each."""
    distance = np.zeros(len(minutes))
    # feature by feature: numpy's own sums depend on where the array lies in memory, and a replay must be exact
    for column, feature, scale in zip(columns, features, SCALE, strict=True):
        distance += (column - feature / scale) ** 2
    count = min(NEIGHBOURS, len(distance))
    near = np.sort(np.argpartition(distance, count - 1)[:count])
    width = max(float(distance[near].max()), 1e-9)
    weight = worth[near] * (1.05 - distance[near] / width)
    order = np.argsort(minutes[near], kind="stable")
    cumulated = np.cumsum(weight[order])
    middles = (cumulated - weight[order] / 2) / cumulated[-1]
    low, middle, high = np.interp((EARLY, MIDDLE, LATE), middles, minutes[near][order])
    return float(low), float(middle), float(high)


_PRIOR_COLUMNS = np.ascontiguousarray((_PRIOR[:, :-1] / SCALE).T)
_EQUAL = np.ones(len(_PRIOR))


def _slowness(own: tuple[Row, ...]) -> float:
    """How many times longer than the prior says this pit's own fires take, at least 1. A heavy, well insulated pit falls
    slowly whatever its trace looks like at the moment; its own falls say by how much, from the second fire on."""
    telling = [row for row in own if row[-1] >= TELLING_FROM][-TELLING_ROWS:]
    if not telling:
        return 1.0
    said = [_nearest(_PRIOR_COLUMNS, _PRIOR[:, -1], _EQUAL, row[:-1])[1] for row in telling]
    shown = [row[-1] / max(1.0, minutes) for row, minutes in zip(telling, said, strict=True)]
    falls: list[list[float]] = [[shown[0]]]
    for before, row, times in zip(telling, telling[1:], shown[1:], strict=False):
        if row[-1] < before[-1]:  # nearer to the same end
            falls[-1].append(times)
        else:
            falls.append([times])
    ratio = float(median(median(fall) for fall in falls) ** (len(falls) / (len(falls) + FALLS_DOUBTED)))
    return min(ratio, max(1.0, 2 * ratio - ORDINARY)) if ratio > 1 else 1.0
