"""°F at the edges. Inside there is only °C; a file may say either, a person sees the one they chose."""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import BeforeValidator

FAHRENHEIT_PER_CELSIUS = 1.8
"""Exact, by definition of the Fahrenheit scale."""
FAHRENHEIT_AT_ICE = 32.0
"""Exact, by definition."""

KG_PER_POUND = 0.45359237
"""Exact, by the international agreement of 1959."""

_TEMPERATURE = re.compile(r"\s*(-?\d+(?:\.\d+)?)\s*°?\s*([CF])\s*", re.IGNORECASE)


def to_fahrenheit(celsius: float) -> float:
    return celsius * FAHRENHEIT_PER_CELSIUS + FAHRENHEIT_AT_ICE


def to_celsius(fahrenheit: float) -> float:
    return (fahrenheit - FAHRENHEIT_AT_ICE) / FAHRENHEIT_PER_CELSIUS


def parse_temperature(value: object) -> float:
    """A number is °C; a string must say its unit ("250 F", "121 C"). Raises ValueError with the remedy."""
    if isinstance(value, bool):
        raise ValueError('write a temperature as a number of °C, or as a string with its unit: "250 F"')
    if isinstance(value, int | float):
        return float(value)
    match = _TEMPERATURE.fullmatch(value) if isinstance(value, str) else None
    if match is None:
        raise ValueError('write a temperature as a number of °C, or as a string with its unit: "250 F"')
    number = float(match[1])
    return to_celsius(number) if match[2].upper() == "F" else number


Celsius = Annotated[float, BeforeValidator(parse_temperature)]
"""A temperature in a file: number of °C, or text with its unit."""


METRES_PER_FOOT = 0.3048
"""Exact, by the international agreement of 1959."""


def height_in_words(metres: float, fahrenheit: bool) -> str:
    """ "85 m", or "279 ft" for who reads °F."""
    return f"{metres / METRES_PER_FOOT:.0f} ft" if fahrenheit else f"{metres:.0f} m"


def in_words(celsius: float, fahrenheit: bool, digits: int = 0) -> str:
    """ "121 °C" or "250 °F", as the reader chose."""
    number = to_fahrenheit(celsius) if fahrenheit else celsius
    return f"{number:.{digits}f} {'°F' if fahrenheit else '°C'}"
