"""What this pit taught, kept from cook to cook: how its fires end, where it is hot, how far the forecasts were off."""

from __future__ import annotations

from dataclasses import dataclass, field
from statistics import median
from typing import Any

TRUSTED_MISSES = 3
"""Pieces whose forecasts must have been compared with the truth before a bias is used: one late piece is no habit."""
LARGEST_BIAS = 8.0
"""Minutes per remaining hour: beyond this something other than the pit was wrong."""


@dataclass(frozen=True, slots=True)
class FireProfile:
    """What this pit's own fires taught; kept by the shell from cook to cook. Opaque rows of one library fire each:
    features and minutes to exit, with the cook id as evidence."""

    episodes: tuple[tuple[float, ...], ...] = ()
    log_intervals: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class PlaceLesson:
    """One grate place: mean °C above or below the mean of all places, over so many hours of cooking."""

    place: str
    offset: float
    hours: float


@dataclass(frozen=True, slots=True)
class ForecastMiss:
    """One piece of one cook: truth minus forecast of its tender range, minutes per hour that was then left."""

    cook: str
    piece: str
    minutes_per_hour: float


@dataclass(frozen=True, slots=True)
class PitProfile:
    """lag: minutes from a log to the pit's turn. drift: °C per hour lost between logs. Both None until known.
    cooks: ids of the kept cooks it comes from, oldest first."""

    fire: FireProfile = field(default_factory=FireProfile)
    places: tuple[PlaceLesson, ...] = ()
    lag: float | None = None
    drift: float | None = None
    misses: tuple[ForecastMiss, ...] = ()
    cooks: tuple[str, ...] = ()

    @property
    def forecast_bias(self) -> float:
        """Minutes per remaining hour to add to a forecast; 0 until TRUSTED_MISSES pieces have told."""
        if len(self.misses) < TRUSTED_MISSES:
            return 0.0
        return max(-LARGEST_BIAS, min(LARGEST_BIAS, median(m.minutes_per_hour for m in self.misses)))

    def to_plain(self) -> dict[str, Any]:
        """As JSON-able values."""
        return {
            "episodes": [list(row) for row in self.fire.episodes],
            "log_intervals": list(self.fire.log_intervals),
            "places": [[p.place, p.offset, p.hours] for p in self.places],
            "lag": self.lag,
            "drift": self.drift,
            "misses": [[m.cook, m.piece, m.minutes_per_hour] for m in self.misses],
            "cooks": list(self.cooks),
        }

    @staticmethod
    def from_plain(plain: dict[str, Any]) -> PitProfile:
        """The inverse. Raises KeyError, TypeError or ValueError for anything else."""
        return PitProfile(
            FireProfile(tuple(tuple(row) for row in plain["episodes"]), tuple(plain["log_intervals"])),
            tuple(PlaceLesson(*place) for place in plain.get("places", ())),
            plain.get("lag"),
            plain.get("drift"),
            tuple(ForecastMiss(*miss) for miss in plain.get("misses", ())),
            tuple(plain.get("cooks", ())),
        )
