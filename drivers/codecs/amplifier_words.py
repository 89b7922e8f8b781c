"""Register words of thermocouple amplifier chips: integer to value and named fault, and back for simulators.

Layouts, most significant bit first:

| chip | bits | word |
|---|---|---|
| MAX31855 | 32 | the word as shifted out: D31:18 hot, D16 fault, D15:4 cold, D2:0 fault bits |
| MAX6675 | 16 | the word as shifted out: D14:3 hot, D2 open |
| MAX31856 | 48 | registers 0Ah..0Fh in one burst: cold (2), hot (3), fault status (1) |
| MCP9600, MCP9601 | 40 | registers hot 00h (2), cold 02h (2), status 04h (1) |

Sources: MAX31855 data sheet pages 8 and 10 (Tables 4, 5); MAX6675 data sheet, serial interface; MAX31856 and
MCP9600 register maps as in the Linux kernel drivers of the same names and MCP9600 data sheet DS20005426C.
The chips' values are returned as they are; `line_formats` corrects those that are not linearised.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

from drivers.reading import Fault, Quality

COLD_JUNCTION_SPAN: Final = (-55.0, 127.0)
"""°C, the ends of the MAX31855 data sheet's Table 5; taken for the other chips too (their own were not read)."""
HOT_SPAN: Final = (-270.0, 1820.0)
"""°C, the widest span of the ITS-90 reference functions; a code outside it is no temperature."""
MCP9600_STALE: Final = 0x0101
"""16.0625 °C, reported as a false reading when the chip is polled before its first update (a maker's forum)."""


class ImpossibleWord(ValueError):
    """A word the chip cannot send: the bus garbled it."""


@dataclass(frozen=True, slots=True)
class ChipValue:
    """What one word says. celsius: None when `fault` is set. cold_junction: None where the chip does not tell it."""

    celsius: float | None
    cold_junction: float | None = None
    fault: Fault | None = None
    quality: Quality = Quality.GOOD


DEAD = ChipValue(None, fault=Fault.DEAD_BUS, quality=Quality.BAD)


def _signed(value: int, bits: int) -> int:
    """Two's complement of the low `bits` of `value`."""
    value &= (1 << bits) - 1
    return value - (1 << bits) if value >> (bits - 1) else value


def _code(celsius: float, step: float, bits: int, name: str) -> int:
    """The two's complement code nearest to `celsius`; raises ValueError if it does not fit."""
    code = round(celsius / step)
    if not -(1 << (bits - 1)) <= code < 1 << (bits - 1):
        raise ValueError(f"{name} {celsius} °C does not fit {bits} bits of {step} °C")
    return code & ((1 << bits) - 1)


def _first_fault(bits: int, table: Mapping[int, Fault]) -> Fault | None:
    """The first fault of `table` (in its order: the most telling first) whose mask is set."""
    return next((fault for mask, fault in table.items() if bits & mask), None)


def _mask(fault: Fault | None, table: Mapping[int, Fault], chip: str) -> int:
    """The bit by which a chip tells `fault`, 0 for None."""
    if fault is None:
        return 0
    for mask, known in table.items():
        if known is fault:
            return mask
    raise ValueError(f"a {chip} cannot tell {fault.value!r}")


def _value(hot: float, cold: float, fault: Fault | None, quality: Quality = Quality.GOOD) -> ChipValue:
    """Range checks that hold for every chip with a cold-junction register."""
    if fault is None and not COLD_JUNCTION_SPAN[0] <= cold <= COLD_JUNCTION_SPAN[1]:
        fault = Fault.COLD_JUNCTION_OUT_OF_RANGE
    if fault is None and not HOT_SPAN[0] <= hot <= HOT_SPAN[1]:
        fault = Fault.OUT_OF_RANGE
    if fault is not None:
        return ChipValue(None, cold, fault, Quality.BAD)
    return ChipValue(hot, cold, quality=quality)


# MAX31855 ----------------------------------------------------------------------------------------------------------

MAX31855_FAULT_BITS: Final = {
    0x1: Fault.OPEN_CIRCUIT,
    0x2: Fault.SHORT_TO_GROUND,
    0x4: Fault.SHORT_TO_SUPPLY,
}
_MAX31855_FAULT: Final = 1 << 16
_MAX31855_RESERVED: Final = 1 << 17 | 1 << 3


def decode_max31855(word: int) -> ChipValue:
    """0xFFFFFFFF is a dead bus; 0 is a lawful 0.00 °C and what a shorted bus sends: suspect. Raises ImpossibleWord
    when a reserved bit is set or the fault bit does not agree with the three that it sums up."""
    if word == 0xFFFFFFFF:
        return DEAD
    if word & _MAX31855_RESERVED:
        raise ImpossibleWord("a reserved bit is set")
    if bool(word & _MAX31855_FAULT) != bool(word & 0x7):
        raise ImpossibleWord("the fault bit does not agree with its three causes")
    hot, cold = _signed(word >> 18, 14) * 0.25, _signed(word >> 4, 12) * 0.0625
    quality = Quality.SUSPECT if word == 0 else Quality.GOOD
    return _value(hot, cold, _first_fault(word, MAX31855_FAULT_BITS), quality)


def encode_max31855(hot: float, cold: float, fault: Fault | None = None) -> int:
    """The 32-bit word for what the chip shows (not linearised: see `thermocouple.linear_chip_shows`)."""
    mask = _mask(fault, MAX31855_FAULT_BITS, "MAX31855")
    word = _code(hot, 0.25, 14, "hot") << 18 | _code(cold, 0.0625, 12, "cold") << 4
    return word | mask | (_MAX31855_FAULT if mask else 0)


# MAX6675 -----------------------------------------------------------------------------------------------------------

MAX6675_FAULT_BITS: Final = {0x4: Fault.OPEN_CIRCUIT}
_MAX6675_ZERO_BITS: Final = 1 << 15 | 1 << 1
"""the dummy sign bit and the device id, both always 0"""


def decode_max6675(word: int) -> ChipValue:
    """0xFFFF is a dead bus, 0 is suspect. Raises ImpossibleWord when a bit that is always 0 is set."""
    if word == 0xFFFF:
        return DEAD
    if word & _MAX6675_ZERO_BITS:
        raise ImpossibleWord("a bit that is always 0 is set")
    if fault := _first_fault(word, MAX6675_FAULT_BITS):
        return ChipValue(None, fault=fault, quality=Quality.BAD)
    return ChipValue((word >> 3) * 0.25, quality=Quality.SUSPECT if word >> 3 == 0 else Quality.GOOD)


def encode_max6675(hot: float, fault: Fault | None = None) -> int:
    """The 16-bit word for what the chip shows, 0..1023.75 °C."""
    if hot < 0:
        raise ValueError(f"hot {hot} °C: a MAX6675 shows 0 °C and up")
    return _code(hot, 0.25, 13, "hot") << 3 | _mask(fault, MAX6675_FAULT_BITS, "MAX6675")


# MAX31856 ----------------------------------------------------------------------------------------------------------

MAX31856_FAULT_BITS: Final = {
    0x01: Fault.OPEN_CIRCUIT,
    0x02: Fault.OVER_OR_UNDER_VOLTAGE,
    0x80: Fault.COLD_JUNCTION_OUT_OF_RANGE,
    0x40: Fault.OUT_OF_RANGE,
    0x20: Fault.COLD_JUNCTION_OUT_OF_RANGE,
    0x10: Fault.COLD_JUNCTION_OUT_OF_RANGE,
    0x08: Fault.OUT_OF_RANGE,
    0x04: Fault.OUT_OF_RANGE,
}
"""OPEN, OVUV, CJRANGE, TCRANGE, then the four limits the firmware may set (CJHIGH, CJLOW, TCHIGH, TCLOW)."""


def decode_max31856(word: int) -> ChipValue:
    """All ones is a dead bus, all zeros is suspect."""
    if word == 0xFFFF_FFFFFF_FF:
        return DEAD
    cold, hot = _signed(word >> 34, 14) * 0.015625, _signed(word >> 13, 19) * 0.0078125
    quality = Quality.SUSPECT if word == 0 else Quality.GOOD
    return _value(hot, cold, _first_fault(word & 0xFF, MAX31856_FAULT_BITS), quality)


def encode_max31856(hot: float, cold: float, fault: Fault | None = None) -> int:
    """The 48-bit burst of registers 0Ah..0Fh."""
    status = _mask(fault, MAX31856_FAULT_BITS, "MAX31856")
    return _code(cold, 0.015625, 14, "cold") << 34 | _code(hot, 0.0078125, 19, "hot") << 13 | status


# MCP9600 and MCP9601 -----------------------------------------------------------------------------------------------

MCP9600_FAULT_BITS: Final = {0x10: Fault.OUT_OF_RANGE}
MCP9601_FAULT_BITS: Final = {0x10: Fault.OPEN_CIRCUIT}
MCP9601_SHORT: Final = 0x20
"""Flickers on healthy probes (a field note), so it makes the value suspect and is no fault by itself."""


def _decode_mcp(word: int, faults: Mapping[int, Fault], short: int) -> ChipValue:
    hot_word, cold_word, status = word >> 24 & 0xFFFF, word >> 8 & 0xFFFF, word & 0xFF
    if hot_word == cold_word == 0xFFFF:
        return DEAD
    false_words = hot_word in (0xFFFF, MCP9600_STALE) or hot_word == cold_word == 0
    quality = Quality.SUSPECT if false_words or status & short else Quality.GOOD
    hot, cold = _signed(hot_word, 16) * 0.0625, _signed(cold_word, 16) * 0.0625
    return _value(hot, cold, _first_fault(status, faults), quality)


def decode_mcp9600(word: int) -> ChipValue:
    """Hot and cold both 0xFFFF are a dead bus; 0xFFFF or 0x0101 alone, or both registers 0, are suspect."""
    return _decode_mcp(word, MCP9600_FAULT_BITS, 0)


def decode_mcp9601(word: int) -> ChipValue:
    """As the MCP9600, with the open-circuit bit; the short-circuit bit makes the value suspect."""
    return _decode_mcp(word, MCP9601_FAULT_BITS, MCP9601_SHORT)


def _encode_mcp(hot: float, cold: float, status: int) -> int:
    return _code(hot, 0.0625, 16, "hot") << 24 | _code(cold, 0.0625, 16, "cold") << 8 | status


def encode_mcp9600(hot: float, cold: float, fault: Fault | None = None) -> int:
    """The 40-bit word: hot, cold, status with "hot junction updated" set."""
    return _encode_mcp(hot, cold, 0x40 | _mask(fault, MCP9600_FAULT_BITS, "MCP9600"))


def encode_mcp9601(hot: float, cold: float, fault: Fault | None = None) -> int:
    """The 40-bit word: hot, cold, status with "hot junction updated" set."""
    return _encode_mcp(hot, cold, 0x40 | _mask(fault, MCP9601_FAULT_BITS, "MCP9601"))


# The chips by name -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Chip:
    """hex_digits: length of a word on a text line. decode: raises ImpossibleWord."""

    hex_digits: int
    decode: Callable[[int], ChipValue]


CHIPS: Final[Mapping[str, Chip]] = {
    "max31855": Chip(8, decode_max31855),
    "max6675": Chip(4, decode_max6675),
    "max31856": Chip(12, decode_max31856),
    "mcp9600": Chip(10, decode_mcp9600),
    "mcp9601": Chip(10, decode_mcp9601),
}
