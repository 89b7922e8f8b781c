"""How much slower than foretold this pit proves to be, learned from its own forecasts that came to nothing.

Trees foretell a usual pit. One that stands where others fall, a drum that is fed once a night, is foretold to leave its band
again and again. So every forecast that is near enough for a call is put on trial: if the pit is still in its band when half of
such pits have left it, and nobody has fed it, forecasts move later. By how much is a question of probability: each possible
shift, in units of the forecast's own spread, has a weight, and a trial multiplies it by the chance that it gave to what
happened. A sure forecast (the pit plainly falls) is narrow and hardly moves; a vague one moves far.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import exp, isnan, log
from typing import Any

from daemon.core.pit.exit_model import LEAST, MIDDLE, MOST, SHIFT, ExitForecast

MINUTE = 60.0
SHIFTS = tuple(-3.0 + 0.25 * i for i in range(25))
"""Standard deviations of a forecast by which a pit may be later than foretold (in logarithms). Only what is later is used: a
pit that is quicker shows it by falling."""
PRIOR = 1.0
"""Standard deviation of these among pits. This and the others here: ours, tried on worlds left out and on pits that stand."""
ON_TRIAL = 30 * MINUTE
"""s ahead at most of the middle of a forecast that is put on trial; s that a trial lasts."""
TOLD_WITHIN = 5.0
"""Minutes by which an exit may be off to count as foretold."""
FED_BY = 4.0
"""°C above the lowest value of a trial: who climbs by so much may have been fed unseen, and the trial is void. A third of what a
log usually does."""
A_LOG_LEAVES = 0.3
"""Share of what was learned that a marked log leaves: another fire, the same pit."""
HARDLY = 1e-3
"""Chance that is given to what a forecast holds for impossible."""
QUARTILES = 1.35
"""Standard deviations between the quartiles of a normal distribution."""


class OwnPace:
    """One per pit. Forecasts go in as logarithms of minutes at the model's levels, and come out shifted."""

    def __init__(self) -> None:
        self._learned = [0.0] * len(SHIFTS)
        """Logarithm of what the trials made of each shift."""
        self._shift = 0.0
        self._trial: tuple[float, list[float]] | None = None
        """(engine time, forecast as the model gave it)."""
        self._lowest = 0.0

    def foretold(self, now: float, logs_left: Sequence[float]) -> list[float]:
        """The forecast in this pit's own pace; it goes on trial if it is near and none is."""
        told = _moved(logs_left, self._shift)
        if self._trial is None and (exp(told[MIDDLE]) - SHIFT) * MINUTE <= ON_TRIAL:
            self._trial, self._lowest = (now, list(logs_left)), float("inf")
        return told

    def minute(self, now: float, pit: float, low: float) -> None:
        """The pit (°C, NaN where it is not seen: that ends a trial) and the edge of its band."""
        if self._trial is None:
            return
        self._lowest = min(self._lowest, pit)
        if isnan(pit) or pit - self._lowest > FED_BY:
            self._trial = None
        elif pit < low or now - self._trial[0] >= ON_TRIAL:
            self._judge(now, pit < low)

    def fed(self) -> None:
        """A log was marked: nobody will know how long the fire before would have lasted."""
        self._trial = None
        self._learned = [A_LOG_LEAVES * weight for weight in self._learned]
        self._weigh()

    def _judge(self, now: float, left: bool) -> None:
        """The trial is over: the pit has left its band, or it was there until now."""
        if self._trial is None:
            return
        began, logs_left = self._trial
        self._trial = None
        minutes = (now - began) / MINUTE
        for i, shift in enumerate(SHIFTS):
            told = ExitForecast.of(0.0, _moved(logs_left, shift))
            if left:
                chance = told.chance_by((minutes + TOLD_WITHIN) * MINUTE) - told.chance_by(
                    (minutes - TOLD_WITHIN) * MINUTE
                )
            else:
                chance = 1.0 - told.chance_by(minutes * MINUTE)
            self._learned[i] += log(max(HARDLY, chance))
        self._weigh()

    def _weigh(self) -> None:
        logs = [learned - (shift / PRIOR) ** 2 / 2 for learned, shift in zip(self._learned, SHIFTS, strict=True)]
        most = max(logs)
        weights = [exp(weight - most) for weight in logs]
        mean = sum([weight * shift for weight, shift in zip(weights, SHIFTS, strict=True)]) / sum(weights)
        self._shift = max(0.0, mean)

    def dump(self) -> dict[str, object]:
        return {
            "learned": list(self._learned),
            "trial": None if self._trial is None else [self._trial[0], list(self._trial[1])],
            "lowest": None if self._trial is None or self._lowest == float("inf") else self._lowest,
        }

    def load(self, dumped: dict[str, Any]) -> None:
        self._learned = list(dumped["learned"])
        self._trial = None if dumped["trial"] is None else (dumped["trial"][0], list(dumped["trial"][1]))
        self._lowest = float("inf") if dumped["lowest"] is None else dumped["lowest"]
        self._weigh()


def _moved(logs_left: Sequence[float], shift: float) -> list[float]:
    """Later by `shift` of its own standard deviations."""
    by = shift * (logs_left[MOST] - logs_left[LEAST]) / QUARTILES
    return [left + by for left in logs_left]
