"""What this pit taught, kept from cook to cook: how its fires end, where it is hot, how far the forecasts were off."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from statistics import median
from typing import Any

TRUSTED_MISSES = 3
"""Pieces whose forecasts must have been compared with the truth before a bias is used: one late piece is no habit."""
LARGEST_BIAS = 8.0
"""Minutes per remaining hour: beyond this something other than the pit was wrong."""
COOKS_REMEMBERED = 10
"""Cooks over which a lesson fades: a pit changes with its seals, its wood and its season. Common practice, no source."""
HOURS_REMEMBERED = 100.0
"""Hours of cooking over which the offset of a place fades."""
MISSES_KEPT = 24
"""Newest compared pieces that make the bias."""
COOKS_KEPT = 200
"""Newest cooks named as evidence."""


@dataclass(frozen=True, slots=True)
class FireProfile:
    """What this pit's own fires taught; kept by the shell from cook to cook. Opaque rows of one library fire each:
    features and minutes to exit, with the cook id as evidence."""

    episodes: tuple[tuple[float, ...], ...] = ()
    log_intervals: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class ClassFigure:
    """What pits that are built alike have shown of one figure of a fire (`habits.USUAL`): its middle, and how many fires of one
    pit would tell as much of it."""

    figure: str
    middle: float
    fires: float


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
class CookLessons:
    """What one finished cook says; the fields mean what they mean in the profile, None or empty where it says nothing.
    misses: against the forecasts as they were made, with the bias of that night in them."""

    cook: str
    places: tuple[PlaceLesson, ...] = ()
    lag: float | None = None
    drift: float | None = None
    misses: tuple[ForecastMiss, ...] = ()


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


def taught(profile: PitProfile, lessons: CookLessons) -> PitProfile:
    """The profile after one more finished cook. The same cook teaches once only; its fires are in `fire` already."""
    if lessons.cook in profile.cooks:
        return profile
    cooks = (*profile.cooks, lessons.cook)
    weight = 1.0 / min(len(cooks), COOKS_REMEMBERED)
    bias = profile.forecast_bias / 60.0
    misses = (
        replace(miss, minutes_per_hour=60.0 * ((1 + miss.minutes_per_hour / 60.0) * (1 + bias) - 1))
        for miss in lessons.misses  # what would have been missed without the bias that was in use
    )
    return replace(
        profile,
        places=_places(profile.places, lessons.places),
        lag=_blend(profile.lag, lessons.lag, weight),
        drift=_blend(profile.drift, lessons.drift, weight),
        misses=(*profile.misses, *misses)[-MISSES_KEPT:],
        cooks=cooks[-COOKS_KEPT:],
    )


def _blend(known: float | None, told: float | None, weight: float) -> float | None:
    if known is None or told is None:
        return told if known is None else known
    return known + weight * (told - known)


def _places(known: tuple[PlaceLesson, ...], told: tuple[PlaceLesson, ...]) -> tuple[PlaceLesson, ...]:
    places = {place.place: place for place in known}
    for new in told:
        old = places.get(new.place, PlaceLesson(new.place, 0.0, 0.0))
        hours = old.hours + new.hours
        if hours > 0:
            offset = (old.offset * old.hours + new.offset * new.hours) / hours
            places[new.place] = PlaceLesson(new.place, offset, min(hours, HOURS_REMEMBERED))
    return tuple(sorted(places.values(), key=lambda place: place.place))
