"""How much of a published lethality the core has had, integrated over its history.

One published table (FSIS Cooking Guideline 2021, FSIS-GD-2021-14) says how long the coldest part must stay at each
temperature. Between rows the time is interpolated
log-linearly (the tables are straight lines of log time over temperature but for rounding: z = 5.6 °C by our fit).
The share gained in a stretch is its length over the time needed at its lower end, so a rising core is never flattered.
The integration over a changing temperature is ours; the guideline's tables are for a constant one.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from math import ceil, inf

from daemon.core.food_safety.lethality_tables import (
    CHICKEN_7_LOG,
    MEAT_7_LOG,
    MEAT_65_LOG,
    MEAT_FIRST_F,
    POULTRY_FIRST_F,
    TURKEY_7_LOG,
)
from daemon.core.said import Text, say
from daemon.core.settings import MeatKind

FATTEST_COLUMN = 12
"""Per cent: fat above it or not known uses this column (guideline p. 39)."""


def celsius(fahrenheit: float) -> float:
    """°F to °C, exactly, not by the printed rounding."""
    return (fahrenheit - 32.0) / 1.8


@dataclass(frozen=True, slots=True)
class LethalityTable:
    """One column of one table. temperatures: °C, rising; seconds: needed at each, 0 from `instant_at` on."""

    rule: Text
    temperatures: tuple[float, ...]
    seconds: tuple[float, ...]
    instant_at: float

    def seconds_needed(self, core: float) -> float:
        """Time at a constant core temperature (°C): inf below the first row, 0 from the first instant row on.
        Between the last timed row and the first instant one, the last printed time."""
        if core >= self.instant_at:
            return 0.0
        row = bisect_right(self.temperatures, core) - 1
        if row < 0:
            return inf
        here, lower = self.seconds[row], self.temperatures[row]
        following = self.seconds[row + 1]
        if following == 0.0:
            return here
        share = (core - lower) / (self.temperatures[row + 1] - lower)
        return float(here * (following / here) ** share)

    def gained(self, lower_end: float, seconds: float) -> float:
        """Share of the required lethality from `seconds` during which the core (°C) was never below `lower_end`."""
        needed = self.seconds_needed(lower_end)
        return 1.0 if needed == 0.0 else seconds / needed


def _table(rule: Text, first_fahrenheit: int, seconds: tuple[float, ...]) -> LethalityTable:
    temperatures = tuple(celsius(first_fahrenheit + row) for row in range(len(seconds)))
    return LethalityTable(rule, temperatures, seconds, temperatures[seconds.index(0.0)])


def lethality_table(kind: MeatKind, cut: str = "", fat_percent: float | None = None) -> LethalityTable:
    """The table for a piece. Whole roasts: the 6.5-log column. Ground, cured and other meat: the stricter 7-log column
    (our choice). Poultry: the column of its fat, rounded up, 12 % when not known; chicken and turkey by the first word
    of the cut, any other bird by the longer time of the two (guideline p. 36: mixed species, longest time)."""
    if kind is MeatKind.WHOLE_ROAST:
        return _table(say("safety.rule.table-roast"), MEAT_FIRST_F, MEAT_65_LOG)
    if kind is not MeatKind.POULTRY:
        return _table(say("safety.rule.table-meat"), MEAT_FIRST_F, MEAT_7_LOG)
    known = fat_percent is not None and fat_percent <= FATTEST_COLUMN
    fat = max(1, ceil(fat_percent)) if known and fat_percent is not None else FATTEST_COLUMN
    chicken, turkey = CHICKEN_7_LOG[fat - 1], TURKEY_7_LOG[fat - 1]
    species = cut.split("-")[0].lower()
    if species == "chicken":
        return _table(say("safety.rule.table-chicken", fat=fat), POULTRY_FIRST_F, chicken)
    if species == "turkey":
        return _table(say("safety.rule.table-turkey", fat=fat), POULTRY_FIRST_F, turkey)
    longest = tuple(map(max, chicken, turkey))
    return _table(say("safety.rule.table-poultry", fat=fat), POULTRY_FIRST_F, longest)
