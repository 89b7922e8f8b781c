"""How values are written for whoever reads: °C or °F, the clock of their own zone, durations in h and min.

The core speaks °C; whatever shows its sentences to people passes them through `Reader.in_unit`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from config.units import to_fahrenheit

UNKNOWN = "–"
NB = "\u00a0"
"""No line breaks between a number and its unit."""
_NUMBER = r"[-+−]?\d+(?:\.\d+)?"
_TEMPERATURES = re.compile(
    rf"(?:(?P<core>{_NUMBER}) ± (?P<error>{_NUMBER})|(?:(?P<from>{_NUMBER})(?P<to> to |\.\.))?(?P<value>{_NUMBER})) °C"
    r"(?P<kind>/h|/min| an hour| (?:taken off|hotter|cooler|apart|allowed|wide|too high|spread))?"
)
"""A core with its error, a span, or one value; `kind` marks what is a difference or a rate of temperatures."""


@dataclass(frozen=True, slots=True)
class Reader:
    """zone: name in the tz database. Times given to it are engine time, s; `wall_offset` makes them UTC.
    weekday: the clock names the day too, for what lasts longer than one."""

    fahrenheit: bool = False
    zone: str = "UTC"
    wall_offset: float = 0.0
    weekday: bool = False

    @property
    def unit(self) -> str:
        return "°F" if self.fahrenheit else "°C"

    def degrees(self, celsius: float) -> float:
        """A temperature in the reader's unit."""
        return to_fahrenheit(celsius) if self.fahrenheit else celsius

    def temperature(self, celsius: float | None, digits: int = 0) -> str:
        return UNKNOWN if celsius is None else _signed(self.degrees(celsius), digits) + NB + self.unit

    def difference(self, celsius: float | None, digits: int = 0, sign: bool = False) -> str:
        """A difference of temperatures, in kelvin as °C or in °F."""
        if celsius is None:
            return UNKNOWN
        return _signed(celsius * (1.8 if self.fahrenheit else 1.0), digits, sign) + NB + self.unit

    def in_unit(self, text: str) -> str:
        """A sentence written in °C, in the reader's unit. Differences and rates ("hotter", "apart", "/h") are scaled only."""
        return _TEMPERATURES.sub(self._converted, text) if self.fahrenheit else text

    def _converted(self, match: re.Match[str]) -> str:
        if match["core"]:
            return f"{_in_fahrenheit(match['core'])} ± {_in_fahrenheit(match['error'], difference=True)} °F"
        kind = match["kind"] or ""
        first = "" if match["from"] is None else _in_fahrenheit(match["from"]) + match["to"]
        return f"{first}{_in_fahrenheit(match['value'], difference=bool(kind))} °F{kind}"

    def local(self, time: float) -> datetime:
        return datetime.fromtimestamp(time + self.wall_offset, UTC).astimezone(ZoneInfo(self.zone))

    def clock(self, time: float | None) -> str:
        """ "03:40", or "Sat 03:40"."""
        return UNKNOWN if time is None else self.local(time).strftime("%a %H:%M" if self.weekday else "%H:%M")

    def hour(self, time: float) -> str:
        """ "03:40" for an axis, never a day."""
        return self.local(time).strftime("%H:%M")

    def day(self, time: float) -> str:
        """ "Friday 27 November 2026"."""
        at = self.local(time)
        return f"{at:%A} {at.day} {at:%B %Y}"


def _in_fahrenheit(celsius: str, difference: bool = False) -> str:
    """With as many decimals and the sign as it was written."""
    value = float(celsius.replace("−", "-")) * 1.8 + (0.0 if difference else 32.0)
    sign = "+" if celsius.startswith("+") else ""
    return f"{value:{sign}.{len(celsius.partition('.')[2])}f}"


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
