"""°F at the edges. Inside there is only °C; a file may say either, a person sees the one they chose."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Annotated

from pydantic import BeforeValidator, ValidatorFunctionWrapHandler, WrapValidator

from config.problems import Unfit, quoted

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


def fahrenheit_meant(number: float, usual: tuple[float, float]) -> bool:
    """usual: °C between which it lies as a rule. As °C the number is above them, and as °F within them."""
    low, high = usual
    return number > high and low <= to_celsius(number) <= high


_DECIMAL_COMMA = re.compile(r"(\s*-?\d+),(?!\d{3}(?!\d))(\d+(?![\d.,]).*)", re.DOTALL)
"""Three digits behind it may be thousands."""


def decimal_point(value: object) -> str | None:
    """A text that begins with a number with a decimal comma, with a point instead; None for what is something else."""
    found = _DECIMAL_COMMA.fullmatch(value) if isinstance(value, str) else None
    return None if found is None else f"{found[1]}.{found[2]}".strip()


def _unread(what: str, value: object) -> Unfit:
    meant = decimal_point(value)
    if meant is None:
        return Unfit(what)
    bare = re.fullmatch(r"[-\d.]+", meant)
    return Unfit("file.decimal-point", meant=meant if bare else quoted(meant))


def parse_temperature(value: object) -> float:
    """A number is °C; a string must say its unit ("250 F", "121 C"). Raises Unfit."""
    if isinstance(value, bool):
        raise Unfit("file.temperature")
    if isinstance(value, int | float):
        return float(value)
    match = _TEMPERATURE.fullmatch(value) if isinstance(value, str) else None
    if match is None:
        raise _unread("file.temperature", value)
    number = float(match[1])
    return to_celsius(number) if match[2].upper() == "F" else number


Celsius = Annotated[float, BeforeValidator(parse_temperature)]
"""A temperature in a file: number of °C, or text with its unit."""


METRES_PER_FOOT = 0.3048
"""Exact, by the international agreement of 1959."""

WEIGHTS = {"kg": 1.0, "g": 0.001, "lb": KG_PER_POUND, "lbs": KG_PER_POUND, "oz": KG_PER_POUND / 16,
    "pound": KG_PER_POUND, "pounds": KG_PER_POUND, "ounces": KG_PER_POUND / 16,
}  # fmt: skip
"""kg."""
CM_PER_INCH = METRES_PER_FOOT / 12 * 100
THICKNESSES = {"cm": 1.0, "mm": 0.1, "in": CM_PER_INCH, "inch": CM_PER_INCH, "inches": CM_PER_INCH}
"""cm."""
HEIGHTS = {"m": 1.0, "ft": METRES_PER_FOOT, "foot": METRES_PER_FOOT, "feet": METRES_PER_FOOT}
"""m."""
SPEEDS = {"m/s": 1.0, "km/h": 1 / 3.6, "mph": 5280 * METRES_PER_FOOT / 3600, "kn": 1852 / 3600}
"""m/s; a knot is a nautical mile of 1852 m an hour (BIPM, The International System of Units)."""
DIFFERENCES = {"c": 1.0, "k": 1.0, "f": 1 / FAHRENHEIT_PER_CELSIUS}
"""°C between two temperatures: 4.5 °F apart are 2.5 °C apart."""
VOLUMES = {"l": 1.0, "ml": 0.001}
"""litres. No gallon: there are two."""
PRESSURES = {"hpa": 1.0, "mbar": 1.0, "inhg": 33.86389}
"""hPa; a conventional inch of mercury is 3386.389 Pa (NIST SP 811, appendix B)."""
AMOUNTS: Mapping[str, Mapping[str, float]] = {
    "file.weight": WEIGHTS,
    "file.thickness": THICKNESSES,
    "file.altitude": HEIGHTS,
    "file.wind": SPEEDS,
    "file.tolerance": DIFFERENCES,
    "file.volume": VOLUMES,
    "file.pressure": PRESSURES,
}
"""What a bare number is in has the factor 1. By the key of their remedy."""
_AMOUNT = re.compile(r"\s*(-?(?:\d{1,3}(?:,\d{3})+|\d+)(?:\.\d+)?)\s*°?([a-z/]+)\s*", re.IGNORECASE)
"""With commas between thousands or none: "5,280 ft"."""


def parse_amount(what: str, value: object) -> float:
    """what: one of AMOUNTS. A number stays as it is, a string must say its unit ("15 lb", "600 ft"). Raises Unfit."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        return float(value)
    match = _AMOUNT.fullmatch(value) if isinstance(value, str) else None
    factor = None if match is None else AMOUNTS[what].get(match[2].lower())
    if match is None or factor is None:
        raise _unread(what, value)
    return float(match[1].replace(",", "")) * factor


class Written(float):
    """A number from a text that says its unit, with the text: what is asked about it must not offer that unit."""

    text: str

    def __new__(cls, number: float, text: str = "") -> Written:  # a copy is made of the number, then given its text
        made = super().__new__(cls, number)
        made.text = text
        return made


def _written(what: str) -> WrapValidator:
    def read(value: object, handler: ValidatorFunctionWrapHandler) -> float:
        number: float = handler(parse_amount(what, value))
        if isinstance(value, Written):
            return value
        return Written(number, value.strip()) if isinstance(value, str) else number

    return WrapValidator(read)


Kilograms = Annotated[float, _written("file.weight")]
Centimetres = Annotated[float, _written("file.thickness")]
Metres = Annotated[float, _written("file.altitude")]
MetresPerSecond = Annotated[float, _written("file.wind")]
Apart = Annotated[float, _written("file.tolerance")]
Litres = Annotated[float, _written("file.volume")]
"""In a file: a number, or text with its unit. Apart: °C between two temperatures."""
