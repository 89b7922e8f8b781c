"""°F at the edges. Inside there is only °C; a file may say either, a person sees the one they chose."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Annotated

from pydantic import BeforeValidator, ValidatorFunctionWrapHandler, WrapValidator

from config.problems import Unfit

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
    """A number is °C; a string must say its unit ("250 F", "121 C"). Raises Unfit."""
    if isinstance(value, bool):
        raise Unfit("file.temperature")
    if isinstance(value, int | float):
        return float(value)
    match = _TEMPERATURE.fullmatch(value) if isinstance(value, str) else None
    if match is None:
        raise Unfit("file.temperature")
    number = float(match[1])
    return to_celsius(number) if match[2].upper() == "F" else number


Celsius = Annotated[float, BeforeValidator(parse_temperature)]
"""A temperature in a file: number of °C, or text with its unit."""


METRES_PER_FOOT = 0.3048
"""Exact, by the international agreement of 1959."""

WEIGHTS = {"kg": 1.0, "g": 0.001, "lb": KG_PER_POUND, "lbs": KG_PER_POUND, "oz": KG_PER_POUND / 16}
"""kg."""
THICKNESSES = {"cm": 1.0, "mm": 0.1, "in": METRES_PER_FOOT / 12 * 100, "inches": METRES_PER_FOOT / 12 * 100}
"""cm."""
_AMOUNT = re.compile(r"\s*(\d+(?:\.\d+)?)\s*([a-z]+)\s*", re.IGNORECASE)


def _amount(value: object, units: Mapping[str, float], otherwise: Unfit) -> float:
    """A number stays as it is; a string must say one of the units. Raises Unfit."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        return float(value)
    match = _AMOUNT.fullmatch(value) if isinstance(value, str) else None
    factor = None if match is None else units.get(match[2].lower())
    if match is None or factor is None:
        raise otherwise
    return float(match[1]) * factor


def parse_weight(value: object) -> float:
    """A number is kg; a string must say its unit ("15 lb", "900 g"). Raises Unfit."""
    return _amount(value, WEIGHTS, Unfit("file.weight"))


def parse_thickness(value: object) -> float:
    """A number is cm; a string must say its unit ("4 in"). Raises Unfit."""
    return _amount(value, THICKNESSES, Unfit("file.thickness"))


class Written(float):
    """A number from a text that says its unit, with the text: what is asked about it must not offer that unit."""

    text: str

    def __new__(cls, number: float, text: str = "") -> Written:  # a copy is made of the number, then given its text
        made = super().__new__(cls, number)
        made.text = text
        return made


def _as_written(parse: Callable[[object], float]) -> WrapValidator:
    def read(value: object, handler: ValidatorFunctionWrapHandler) -> float:
        number: float = handler(parse(value))
        if isinstance(value, Written):
            return value
        return Written(number, value.strip()) if isinstance(value, str) else number

    return WrapValidator(read)


Kilograms = Annotated[float, _as_written(parse_weight)]
Centimetres = Annotated[float, _as_written(parse_thickness)]
"""In a file: a number, or text with its unit."""
