"""Thermocouple arithmetic: cold-junction compensation and the correction of amplifiers that are not linearised.

The ITS-90 reference functions and their inverse (NIST Monograph 175, IEC 60584-1) come from the library
`thermocouple-its90`: pure Python, Newton on the exact forward function, about 5 µs a call.
Temperatures in °C, voltages in mV, reference junction 0 °C unless said otherwise.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from thermocouple_its90 import RangeError, get

SENSITIVITY_MAX31855: Final[Mapping[str, float]] = {
    "K": 0.041276, "J": 0.057953, "N": 0.036256, "E": 0.076373, "T": 0.05218, "S": 0.009587, "R": 0.010506,
}  # fmt: skip
"""mV/°C that a MAX31855 of each type takes for the whole range. K: data sheet page 8. The others are from memory,
but each is E(1000 °C)/1000 of its type by NIST Monograph 175 (T: E(400 °C)/400), as K is; a test checks that."""
SENSITIVITY_MAX6675: Final = 0.041
"""mV/°C, type K (MAX6675 data sheet, V = 41 µV/°C x (T_R - T_AMB))."""
ASSUMED_COLD_JUNCTION: Final = 25.0
"""°C, for the MAX6675, which does not tell its own. Type K is close to 0.041 mV/°C there, so an amplifier at
0..60 °C instead moves a corrected value of -20..400 °C by less than 0.7 °C; a test holds that figure."""


class OutOfRange(ValueError):
    """The temperature or voltage lies outside the reference function of the type."""


def span(letter: str) -> tuple[float, float]:
    """Lowest and highest temperature of the reference function, °C."""
    return get(letter).range


def voltage(letter: str, celsius: float) -> float:
    """E(t) of the reference function, mV. Raises OutOfRange."""
    try:
        return get(letter).emf(celsius)
    except RangeError as error:
        raise OutOfRange(str(error)) from None


def temperature(letter: str, measured: float, cold_junction: float = 0.0) -> float:
    """Hot junction, °C, from the voltage at the terminals: inverse(E_measured + E(T_cj)). Raises OutOfRange.

    Adding temperatures instead of voltages is the common mistake (0.8 °C high at 121 °C with terminals at 30 °C).
    """
    try:
        return get(letter).temperature(measured, reference=cold_junction)
    except RangeError as error:
        raise OutOfRange(str(error)) from None


def linear_chip_shows(letter: str, celsius: float, cold_junction: float, sensitivity: float) -> float:
    """What an ideal chip of constant `sensitivity` (mV/°C) shows for a probe of type `letter` at `celsius`."""
    return cold_junction + (voltage(letter, celsius) - voltage(letter, cold_junction)) / sensitivity


def corrected(letter: str, shown: float, cold_junction: float, sensitivity: float) -> float:
    """The true temperature behind what a chip of constant `sensitivity` shows (`linear_chip_shows` undone).

    Model only: it takes the chip to use the same sensitivity for its cold junction. Raises OutOfRange.
    """
    return temperature(letter, sensitivity * (shown - cold_junction), cold_junction)
