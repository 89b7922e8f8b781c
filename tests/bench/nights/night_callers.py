"""Who wakes the cooks of a night in the worlds, but for the program: nobody, an alarm clock, an oracle."""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from tests.bench.nights.night_meals import NightMeals
from tests.bench.nights.night_oracle import HOT
from tests.worlds.lanes import Flags, Floats
from tests.worlds.night import Night
from tests.worlds.unfed import unfed

BED, RISE = 240, 690
"""min of the night: 7.5 h in bed. By then everybody's meat is on."""
LOOKS_EVERY, CALLS_AT = 5, 30.0
"""min between looks of the oracle, and minutes left at which it calls."""


class Caller(Protocol):
    """Who wakes the cooks. Asked every minute."""

    def minute(self, night: Night, meals: NightMeals, minute: int) -> tuple[Flags, Flags]:
        """The pits whose cooks are called now, and those of them that are called for wood, both (pits,)."""


class Nobody:
    """They sleep through."""

    def minute(self, night: Night, meals: NightMeals, minute: int) -> tuple[Flags, Flags]:
        return np.zeros(night.pits, bool), np.zeros(night.pits, bool)


@dataclass(frozen=True)
class AlarmClock:
    """Rings every so many minutes while they are in bed."""

    every: int

    def minute(self, night: Night, meals: NightMeals, minute: int) -> tuple[Flags, Flags]:
        rings = BED < minute < RISE and (minute - BED) % self.every == 0
        return np.full(night.pits, rings), np.zeros(night.pits, bool)


class Oracle:
    """Runs the world on with nobody coming, and calls for wood when CALLS_AT are left, for meat when it may come off, and when
    the pit is far too hot; again when whoever was called should long have come and it is no better."""

    def __init__(self) -> None:
        self.called_at: Floats | None = None

    def minute(self, night: Night, meals: NightMeals, minute: int) -> tuple[Flags, Flags]:
        last = np.full(night.pits, -np.inf) if self.called_at is None else self.called_at
        calls = np.zeros(night.pits, bool)
        if BED <= minute < RISE and minute % LOOKS_EVERY == 0 and night.saved:
            now = copy(night)
            now.saved = night.saved[-1:]
            left = unfed(now, cap=int(CALLS_AT) + LOOKS_EVERY).air[0]
            wood = (left <= CALLS_AT) & ~meals.all_off()
            hot = (night.state["air"] > night.nature["high"] + HOT) & ~meals.all_off()
            calls = (wood | hot | meals.wanted()) & (minute - last >= CALLS_AT)
            wood &= calls
        else:
            wood = calls
        self.called_at = np.where(calls, minute, last)
        meals.waits |= calls & meals.wanted()
        return calls, wood


CALLERS = (Nobody, AlarmClock, Oracle)
"""Who calls without a model."""
