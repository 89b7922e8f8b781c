"""The feed prompt on its own: when a falling pit wants wood, and when it only comes back from too much heat."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC
from typing import Any

import pytest

from daemon.core.alarms.conditions import conditions
from daemon.core.alarms.process import ProcessSnapshot
from daemon.core.alarms.rule import Condition
from daemon.core.inputs import Interval
from daemon.core.settings import AnnouncingSettings, Band, CookSettings, QuietHours, WatchSettings

BAND = Band(107.0, 135.0)
SETTINGS = WatchSettings(
    "pit", "Pit", (), CookSettings("night", "", BAND), AnnouncingSettings(QuietHours(22 * 60, 7 * 60, UTC))
)
NOW = 36_000.0


@dataclass
class Fire:
    """What the fire watch says. slopes: °C per minute over the last 6 and 20 min; minutes: p05, p50, p95 to the exit."""

    slope: float
    lasting_slope: float
    minutes: tuple[float, float, float] | None
    lid_open: bool = False
    climb: float = 0.0
    steady_climb: float = 0.0

    @property
    def log_due(self) -> Interval | None:
        return None if self.minutes is None else Interval(*(NOW + 60.0 * m for m in self.minutes))


def prompt(pit: float, slope: float, lasting: float, minutes: tuple[float, float, float] | None) -> Condition:
    fire: Any = Fire(slope, lasting, minutes)
    process = ProcessSnapshot(NOW, SETTINGS, BAND, pit, None, "in-band", fire, None, (), {}, {}, {}, frozenset())
    (found,) = (c for c in conditions(process) if c.rule == "pit-falling")
    return found


def test_a_dying_fire_high_in_its_band_wants_wood_as_soon_as_the_forecast_says_so() -> None:
    asked = prompt(122.8, -0.20, -0.19, (9.0, 16.0, 27.0))
    assert asked.active and asked.consequence_in == pytest.approx(10.75 * 60.0)


@pytest.mark.parametrize(
    ("pit", "slope", "lasting"),
    [
        (138.0, -0.40, -0.30),  # above the band
        (132.0, -1.60, -1.40),  # straight down from a flare
        (126.0, -0.50, -1.00),  # and ever more slowly
    ],
)
def test_what_comes_back_from_too_much_heat_wants_no_wood(pit: float, slope: float, lasting: float) -> None:
    assert not prompt(pit, slope, lasting, (5.0, 9.0, 16.0)).active


def test_a_forecast_calmer_than_the_fall_itself_is_not_believed_low_in_the_band() -> None:
    """8 °C above the edge and falling 0.3 °C a minute for 20 min, the forecast promising an hour and a half: 27 min by
    the ruler, 16 by the way fires die."""
    asked = prompt(115.2, -0.33, -0.30, (59.0, 95.0, 132.0))
    assert asked.active and asked.consequence_in == pytest.approx(8.2 / 0.30 / 1.75 * 60.0)
    assert not prompt(115.2, -0.05, -0.30, (59.0, 95.0, 132.0)).active, "it has all but stopped falling"
    assert not prompt(126.0, -0.33, -0.30, (59.0, 95.0, 132.0)).active, "high in the band there is time to see"


def test_below_the_band_wood_is_wanted_whatever_is_forecast() -> None:
    assert prompt(106.0, 0.01, 0.0, None).active
