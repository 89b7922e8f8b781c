"""What a forecast says of one piece: when each goal comes, with its spread, and the core until then."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from daemon.core.said import Text

WIDE = 90 * 60.0
"""s of width up to which an interval's ends say when to act; wider ones must be narrower than the time left. Ours, no source."""


class Goal(StrEnum):
    """What a forecast is about."""

    WRAP = "wrap"
    STALL_END = "stall-end"
    TENDER = "tender"
    TARGET = "target"
    REST_PEAK = "rest-peak"
    HOLD_LIMIT = "hold-limit"
    REST_END = "rest-end"


@dataclass(frozen=True, slots=True)
class Interval:
    """An instant with its honest spread: engine time, s. p05 <= p50 <= p95."""

    p05: float
    p50: float
    p95: float

    def soonest(self, now: float) -> float:
        """When somebody must count on it: the early end, but the middle of an interval that is too wide to act on."""
        too_wide = self.p95 - self.p05 > max(WIDE, self.p50 - now)
        return self.p50 if too_wide else self.p05


@dataclass(frozen=True, slots=True)
class Outlook:
    """One goal under one assumption. scenario: "planned", "wrapped-now", "never-wrapped", "pit-10-hotter", and
    "wrapped-at-70.0" for a core temperature, °C, of the cook's own choosing.
    at is None with `reason` saying why nothing is shown. celsius: median at the goal, for a peak."""

    goal: Goal
    scenario: str
    at: Interval | None
    reason: Text = ""
    celsius: float | None = None


@dataclass(frozen=True, slots=True)
class FanPoint:
    """One time of the forecast fan: engine time, s, and core °C."""

    time: float
    p05: float
    p50: float
    p95: float
