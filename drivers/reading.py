"""What a probe said, in the only unit used inside: degrees Celsius, seconds, UTC.

Two nouns. A `Measurement` is what one frame on a wire says about one source (it has no time: a codec owns
no clock). A `Reading` is a measurement that has been given its rig channel, its calibration and its time;
it is the only thing the watch ever judges. Standard library only, so that the core may import it.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

RESOLUTION_PER_C = 32
"""Steps in one degree: a Reading is held to 1/32 °C, finer than any amplifier named here (0.25, 0.0625 °C),
so that it packs into a signed 16-bit word (-1024..+1023.97 °C) and a replay judges exactly what the live run did."""


class Quality(StrEnum):
    """How far a value may be believed. Only GOOD may raise or clear a wake by itself."""

    GOOD = "good"
    SUSPECT = "suspect"
    BAD = "bad"


class Fault(StrEnum):
    """Why a device gave no usable value, named by its own fault bits or by a word that can only be false."""

    OPEN_CIRCUIT = "open"
    SHORT_CIRCUIT = "short"
    SHORT_TO_GROUND = "short-to-ground"
    SHORT_TO_SUPPLY = "short-to-supply"
    OUT_OF_RANGE = "out-of-range"
    COLD_JUNCTION_OUT_OF_RANGE = "cold-junction-out-of-range"
    OVER_OR_UNDER_VOLTAGE = "over-or-under-voltage"
    DEAD_BUS = "dead-bus"
    NOT_KNOWN = "not-known"


@dataclass(frozen=True, slots=True)
class Measurement:
    """One source's value in one frame.

    source: the name or number the device uses ("1", "pit_left"); the rig maps it to a channel.
    celsius: linearised and cold-junction compensated, °C; None when `fault` says why there is none.
    quality: SUSPECT when the word is one a broken bus is known to give.
    cold_junction: amplifier temperature, °C, where the device tells it.
    battery_percent: 0..100, where the device tells it.
    """

    source: str
    celsius: float | None
    fault: Fault | None = None
    quality: Quality = Quality.GOOD
    cold_junction: float | None = None
    battery_percent: int | None = None


class Reading(NamedTuple):
    """One channel's value at one time. A tuple, for the watch makes and reads eight of them a second for years.

    channel: rig channel id. celsius: calibrated, °C, on the 1/32 °C grid, or None.
    measured_at: engine time, s. quality and fault as in `Measurement`.
    """

    channel: str
    celsius: float | None
    measured_at: float
    fault: Fault | None = None
    quality: Quality = Quality.GOOD
    cold_junction: float | None = None


def on_grid(celsius: float) -> float:
    """The nearest value on the 1/32 °C grid that a Reading may hold."""
    return round(celsius * RESOLUTION_PER_C) / RESOLUTION_PER_C
