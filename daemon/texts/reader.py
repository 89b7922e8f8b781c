"""How values are written for whoever reads: °C or °F, the clock of their own zone, durations in h and min.

The core speaks °C, s, kg and m; `composer` makes its sentences with this.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from config.units import FAHRENHEIT_PER_CELSIUS, KG_PER_POUND, METRES_PER_FOOT, SPEEDS, to_fahrenheit
from daemon.texts.catalogue import ENGLISH

METRES_PER_INCH = 0.0254
"""Exact, by the international agreement of 1959."""
KG_PER_OUNCE = KG_PER_POUND / 16
"""Exact, by the same agreement."""
JUST_BEFORE = 0.5
"""s before a whole minute that are that minute: times are sums of floats. The page's clock has the same (words.js)."""
UNKNOWN = "–"
NB = "\u00a0"
"""No line breaks between a number and its unit."""


@dataclass(frozen=True, slots=True)
class Reader:
    """zone: name in the tz database. Times given to it are engine time, s; `wall_offset` makes them UTC.
    fahrenheit: also pounds and inches. weekday: the clock names the day too, for what lasts longer than one.
    twelve: a clock of twelve hours. language: whose catalogue (`texts/catalogue`)."""

    fahrenheit: bool = False
    zone: str = "UTC"
    wall_offset: float = 0.0
    weekday: bool = False
    twelve: bool = False
    language: str = ENGLISH

    @property
    def unit(self) -> str:
        return "°F" if self.fahrenheit else "°C"

    def degrees(self, celsius: float) -> float:
        """A temperature in the reader's unit."""
        return to_fahrenheit(celsius) if self.fahrenheit else celsius

    def temperature(self, celsius: float | None, digits: int = 0) -> str:
        return UNKNOWN if celsius is None else _signed(self.degrees(celsius), digits) + NB + self.unit

    def kelvins(self, celsius: float) -> float:
        """A difference of temperatures in the reader's unit."""
        return celsius * FAHRENHEIT_PER_CELSIUS if self.fahrenheit else celsius

    def difference(self, celsius: float | None, digits: int = 0, sign: bool = False) -> str:
        """A difference of temperatures, in kelvin as °C or in °F."""
        if celsius is None:
            return UNKNOWN
        return _signed(self.kelvins(celsius), digits, sign) + NB + self.unit

    def mass(self, kilograms: float, digits: int = 0) -> str:
        if self.fahrenheit:
            return f"{kilograms / KG_PER_POUND:.{digits}f}{NB}lb"
        return f"{kilograms:.{digits}f}{NB}kg"

    def weight(self, kilograms: float) -> str:
        """With a decimal where it is small."""
        return self.mass(kilograms, 1 if (kilograms / KG_PER_POUND if self.fahrenheit else kilograms) < 10.0 else 0)

    def portion(self, kilograms: float) -> str:
        """What one guest eats: g or ounces."""
        if self.fahrenheit:
            return f"{kilograms / KG_PER_OUNCE:.0f}{NB}oz"
        return f"{1000 * kilograms:.0f}{NB}g"

    def length(self, metres: float, digits: int = 0) -> str:
        """Of a piece: cm or inches."""
        if self.fahrenheit:
            return f"{metres / METRES_PER_INCH:.{digits}f}{NB}in"
        return f"{100 * metres:.{digits}f}{NB}cm"

    def height(self, metres: float) -> str:
        """Above sea level: m or feet."""
        return f"{metres / METRES_PER_FOOT:.0f}{NB}ft" if self.fahrenheit else f"{metres:.0f}{NB}m"

    def speed(self, metres_per_second: float) -> str:
        """Of the wind: m/s or miles an hour."""
        if self.fahrenheit:
            return f"{metres_per_second / SPEEDS['mph']:.0f}{NB}mph"
        return f"{metres_per_second:.0f}{NB}m/s"

    def local(self, time: float) -> datetime:
        """Read to the minute it is rounded down, as a clock does and as no limit promises more; 04:59:59.9 is five o'clock."""
        return datetime.fromtimestamp(time + self.wall_offset + JUST_BEFORE, UTC).astimezone(ZoneInfo(self.zone))

    def clock(self, time: float | None) -> str:
        """ "03:40", "3:40 AM" or "Sat 03:40"."""
        if time is None:
            return UNKNOWN
        return self.moment(time) if self.weekday else self.hour(time)

    def moment(self, time: float) -> str:
        """ "Sat 03:40", whatever the clock does."""
        return f"{self.local(time):%a} {self.hour(time)}"

    def hour(self, time: float) -> str:
        """ "03:40" or "3:40 AM", never a day."""
        at = self.local(time)
        return f"{at.hour % 12 or 12}:{at:%M} {'AM' if at.hour < 12 else 'PM'}" if self.twelve else f"{at:%H:%M}"

    def day(self, time: float) -> str:
        """ "Friday 27 November 2026"."""
        at = self.local(time)
        return f"{at:%A} {at.day} {at:%B %Y}"


CELSIUS = Reader()
"""°C, kg, UTC and 24 hours, where nobody has said how they read."""


def duration(seconds: float | None) -> str:
    """ "3 h 05 min", "12 min"; to the nearest minute."""
    if seconds is None:
        return UNKNOWN
    minutes = round(seconds / 60)
    hours = f"{minutes // 60}{NB}h{NB}{minutes % 60:02d}" if minutes >= 60 else f"{minutes}"
    return f"{hours}{NB}min"


def percent(share: float | None) -> str:
    return UNKNOWN if share is None else f"{100 * share:.0f}{NB}%"


def _signed(value: float, digits: int, sign: bool = False) -> str:
    """With a true minus, and none before a zero."""
    text = f"{value:{'+' if sign else ''}.{digits}f}"
    return f"{0:.{digits}f}" if float(text) == 0 else text.replace("-", "−")
