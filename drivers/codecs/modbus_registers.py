"""Registers of Modbus thermocouple modules: which to read together, and what a word means."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from config.devices import ModbusSource
from drivers.codecs.plausible import faulted, measured
from drivers.reading import Fault, Measurement

MOST_REGISTERS: Final = 125
"""registers in one read (Modbus application protocol: a response holds 250 data bytes)"""

EXCEPTIONS: Final[Mapping[int, str]] = {
    0x01: "illegal function",
    0x02: "illegal data address",
    0x03: "illegal data value",
    0x04: "server device failure",
    0x05: "acknowledge",
    0x06: "server device busy",
    0x08: "memory parity error",
    0x0A: "gateway path unavailable",
    0x0B: "gateway target failed to respond",
}
"""Modbus application protocol, exception codes"""

SETTINGS_EXCEPTIONS: Final = frozenset({0x01, 0x02, 0x03})
"""exceptions that only a change of the rig file cures"""


@dataclass(frozen=True, slots=True)
class Run:
    """Neighbouring registers of one slave, read by one request."""

    slave: int
    function: int
    start: int
    sources: tuple[ModbusSource, ...]

    @property
    def count(self) -> int:
        return self.sources[-1].register_ - self.start + 1


def runs(sources: Iterable[ModbusSource]) -> tuple[Run, ...]:
    """The fewest reads that touch no register nobody asked for."""
    found: list[Run] = []
    for source in sorted(sources, key=lambda one: (one.slave, one.function, one.register_)):
        last = found[-1] if found else None
        if (
            last is not None
            and (last.slave, last.function) == (source.slave, source.function)
            and source.register_ - last.sources[-1].register_ <= 1
            and source.register_ - last.start < MOST_REGISTERS
        ):
            found[-1] = Run(last.slave, last.function, last.start, (*last.sources, source))
        else:
            found.append(Run(source.slave, source.function, source.register_, (source,)))
    return tuple(found)


def decode_register(source: ModbusSource, word: int) -> Measurement:
    """word: 0..0xFFFF as sent. The maker's open-circuit words become the fault OPEN_CIRCUIT."""
    if word in source.open_circuit:
        return faulted(source.source, Fault.OPEN_CIRCUIT)
    number = word - 0x10000 if source.signed and word & 0x8000 else word
    return measured(source.source, number * source.scale)
