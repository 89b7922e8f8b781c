"""The air of the cabinet, as it stands for the core of a piece that is held where no probe of its own tells; and for one with a
probe, whether the cabinet has gone cold.

The air of a cabinet that goes cold is colder than the meat in it, so its time below the floor counts against the cook sooner than
the meat's would (common practice, no source). It gives nothing back: a warm cabinet is no proof of a warm core.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from math import isnan
from typing import Any

from daemon.core.food_safety.record import LONGEST_STEP, below_words
from daemon.core.food_safety.stood_still import StoodStill
from daemon.core.said import Text


@dataclass(slots=True)
class CabinetAir:
    """tolerance: ± °C of the cabinet's channel. below: s with air that is not surely above the floor, or unseen. unseen: s of
    these without a believed reading. low: so in the last minute. at: engine time of that minute, None while nothing is held.
    warmed: since the piece was put into it, it has been surely above the floor. cold_since: engine time from which it has been
    below and not so again. read: its last value, °C."""

    tolerance: float = 0.0
    below: float = 0.0
    unseen: float = 0.0
    low: bool = False
    at: float | None = None
    still: StoodStill = field(default_factory=StoodStill)
    warmed: bool = False
    cold_since: float | None = None
    read: float = 0.0

    def watch(self, now: float, air: float, floor: float) -> None:
        """One minute in the hold, whatever tells of the core: does it keep warm? air, floor: as in `minute`."""
        if isnan(air):
            return
        self.read = air
        if self.surely(air) > floor:
            self.warmed, self.cold_since = True, None
        elif air < floor and self.warmed and self.cold_since is None:
            self.cold_since = now

    def taken_out(self) -> None:
        """The piece is not held any more."""
        self.leave()
        self.warmed, self.cold_since = False, None

    def minute(self, now: float, air: float, floor: float, stuck_for: float = 0.0) -> None:
        """One minute in the hold. air: median of the cabinet's channel, °C, NaN where nothing was believed. floor: °C. stuck_for:
        s since the channel stood still, once that is found; else 0."""
        seconds = 0.0 if self.at is None else max(0.0, now - self.at)
        before = self.still.taken_back(stuck_for - seconds)
        self.below, self.unseen = self.below + before, self.unseen + before
        unseen = isnan(air) or seconds > LONGEST_STEP
        self.low = isnan(air) or self.surely(air) < floor
        if self.low or unseen:
            self.below += seconds
            self.unseen += seconds if unseen else 0.0
        else:
            self.still.minute(air, seconds)
        self.at = now

    def leave(self) -> None:
        """It stands for nothing any more. What was spent stays spent."""
        self.at, self.low, self.still = None, False, StoodStill()

    def surely(self, air: float) -> float:
        """°C that air read as `air` has at least."""
        return air - self.tolerance

    def below_in_words(self) -> Text:
        """The time below the floor; what was merely unseen is told apart."""
        return below_words(self.below, self.unseen)

    def dump(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return asdict(self)

    def load(self, dumped: dict[str, Any]) -> None:
        """The inverse of `dump`; the tolerance is the rig's."""
        self.below, self.unseen = dumped["below"], dumped["unseen"]
        self.low, self.at = dumped["low"], dumped["at"]
        # not in the checkpoints of earlier versions
        self.still = StoodStill(**dumped.get("still", {}))
        self.warmed, self.cold_since = dumped.get("warmed", False), dumped.get("cold_since")
        self.read = dumped.get("read", 0.0)
