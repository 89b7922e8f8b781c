"""Bluetooth GATT characteristic values to measurements. Pure.

Formats: Bluetooth SIG, GATT Specification Supplement; numbers: Bluetooth SIG, Assigned Numbers.
FLOAT: IEEE 11073-20601, 32 bits, an 8-bit exponent of ten over a 24-bit mantissa, sent low byte first.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from drivers.base import Rejected
from drivers.codecs.plausible import faulted, measured
from drivers.reading import Fault, Measurement

if TYPE_CHECKING:
    from config.devices import GattCharacteristic

BASE_UUID_TAIL = "-0000-1000-8000-00805f9b34fb"
"""Bluetooth Core Specification: the base UUID that 16-bit numbers stand on"""

BATTERY_LEVEL = "00002a19" + BASE_UUID_TAIL
TEMPERATURE = "00002a6e" + BASE_UUID_TAIL
TEMPERATURE_MEASUREMENT = "00002a1c" + BASE_UUID_TAIL
INTERMEDIATE_TEMPERATURE = "00002a1e" + BASE_UUID_TAIL
COOKING_TEMPERATURE = "00002c2e" + BASE_UUID_TAIL
HIGH_TEMPERATURE = "00002bdf" + BASE_UUID_TAIL
TEMPERATURE_8 = "00002b0d" + BASE_UUID_TAIL


@dataclass(frozen=True, slots=True)
class Scalar:
    """A signed whole number, low byte first. divisor: steps in 1 °C; lowest, highest: the raw values allowed;
    not_known: raw values that say "no value"."""

    size: int
    divisor: int
    lowest: int
    highest: int
    not_known: frozenset[int]


SCALARS = {
    TEMPERATURE: Scalar(2, 100, -27315, 32767, frozenset({-0x8000})),
    COOKING_TEMPERATURE: Scalar(2, 10, -1000, 10000, frozenset({-0x8000})),
    HIGH_TEMPERATURE: Scalar(2, 2, -546, 32767, frozenset({-0x8000, -0x7FFF})),
    TEMPERATURE_8: Scalar(1, 2, -128, 126, frozenset({127})),
}
TIMED = frozenset({TEMPERATURE_MEASUREMENT, INTERMEDIATE_TEMPERATURE})
TEMPERATURES = frozenset(SCALARS) | TIMED
STANDARD = TEMPERATURES | {BATTERY_LEVEL}
"""The characteristics that layout "standard" can read."""

FAHRENHEIT_FLAG, TIME_STAMP_FLAG, TYPE_FLAG = 0x01, 0x02, 0x04
TIME_STAMP_BYTES, TYPE_BYTES = 7, 1
FLOAT_BYTES = 4

MANTISSA_NOT_KNOWN = frozenset({0x7FFFFF, 0x800000, 0x800001})
"""IEEE 11073-20601: NaN, "not at this resolution", reserved"""
MANTISSA_INFINITE = frozenset({0x7FFFFE, 0x800002})
"""IEEE 11073-20601: +INFINITY, -INFINITY"""

FULL_BATTERY = 100
WHOLE_NUMBER_BYTES = {"int8": 1, "int16": 2, "int24": 3, "int32": 4}


def full_uuid(text: str) -> str:
    """The 128-bit form of "2A6E", "0x2A6E" or a full UUID, in lower case. Raises ValueError, which is the text, for another."""
    digits = text.lower().removeprefix("0x").replace("-", "")
    if len(digits) not in (4, 8, 32) or not set(digits) <= set("0123456789abcdef"):
        raise ValueError(text)
    if len(digits) < 32:
        return digits.rjust(8, "0") + BASE_UUID_TAIL
    return "-".join((digits[:8], digits[8:12], digits[12:16], digits[16:20], digits[20:]))


def decode(characteristic: GattCharacteristic, payload: bytes) -> Measurement | Rejected:
    """One value of one characteristic.

    A battery level comes as a measurement without temperature and without fault.
    """
    source, uuid = characteristic.source, full_uuid(characteristic.uuid)
    if characteristic.layout != "standard":
        return _declared(characteristic, payload)
    if uuid == BATTERY_LEVEL:
        if len(payload) != 1 or payload[0] > FULL_BATTERY:
            return _refused("battery", payload)
        return Measurement(source, None, battery_percent=payload[0])
    if uuid in TIMED:
        return _timed(source, payload)
    if uuid in SCALARS:
        return _scalar(source, SCALARS[uuid], payload)
    return _refused("no-standard-layout", payload)


def medical_float(word: bytes) -> float:
    """An IEEE 11073 FLOAT of four bytes, low byte first; NaN and infinities for its special values."""
    mantissa = int.from_bytes(word[:3], "little")
    if mantissa in MANTISSA_NOT_KNOWN:
        return math.nan
    if mantissa in MANTISSA_INFINITE:
        return math.inf if mantissa == 0x7FFFFE else -math.inf
    signed = int.from_bytes(word[:3], "little", signed=True)
    exponent = int.from_bytes(word[3:4], signed=True)
    return float(f"{signed}e{exponent}")  # through decimal text: 364e-1 is 36.4, not 36.400000000000006


def _scalar(source: str, scalar: Scalar, payload: bytes) -> Measurement | Rejected:
    if len(payload) != scalar.size:
        return _refused("length", payload)
    raw = int.from_bytes(payload, "little", signed=True)
    if raw in scalar.not_known:
        return faulted(source, Fault.NOT_KNOWN)
    if not scalar.lowest <= raw <= scalar.highest:
        return _refused("prohibited", payload)
    return measured(source, raw / scalar.divisor)


def _timed(source: str, payload: bytes) -> Measurement | Rejected:
    """Temperature Measurement: flags, FLOAT, then a time stamp and a place on the body, which a pit has no use for."""
    if not payload:
        return _refused("length", payload)
    flags = payload[0]
    stamp = TIME_STAMP_BYTES if flags & TIME_STAMP_FLAG else 0
    place = TYPE_BYTES if flags & TYPE_FLAG else 0
    if len(payload) != 1 + FLOAT_BYTES + stamp + place:
        return _refused("length", payload)
    value = medical_float(payload[1 : 1 + FLOAT_BYTES])
    if math.isinf(value):
        return faulted(source, Fault.OUT_OF_RANGE)
    return measured(source, (value - 32.0) * 5.0 / 9.0 if flags & FAHRENHEIT_FLAG else value)


def _declared(characteristic: GattCharacteristic, payload: bytes) -> Measurement | Rejected:
    """A value at a declared place; `not_known` may be written signed or as the word on the air."""
    layout, order = characteristic.layout, characteristic.byte_order
    size = FLOAT_BYTES if layout == "float32" else WHOLE_NUMBER_BYTES[layout.removeprefix("u")]
    word = payload[characteristic.offset : characteristic.offset + size]
    if len(word) != size:
        return _refused("length", payload)
    raw = _number(layout, order, word)
    if raw in characteristic.not_known or int.from_bytes(word, order) in characteristic.not_known:
        return faulted(characteristic.source, Fault.NOT_KNOWN)
    return measured(characteristic.source, raw * characteristic.scale + characteristic.add)


def _number(layout: str, order: Literal["little", "big"], word: bytes) -> float:
    if layout == "float32":
        value: float = struct.unpack("<f" if order == "little" else ">f", word)[0]
        return value
    return int.from_bytes(word, order, signed=not layout.startswith("u"))


def _refused(reason: str, payload: bytes) -> Rejected:
    return Rejected(reason, payload[:40].hex())
