"""Checksums of the wire formats: CRC-16/MODBUS and the exclusive-or of all bytes."""

from __future__ import annotations

from functools import reduce
from operator import xor

POLYNOMIAL = 0xA001
"""x^16 + x^15 + x^2 + 1, reflected: Modbus over Serial Line, CRC-16/MODBUS."""
INITIAL = 0xFFFF


def _entry(byte: int) -> int:
    for _ in range(8):
        byte = byte >> 1 ^ (POLYNOMIAL if byte & 1 else 0)
    return byte


_TABLE = tuple(_entry(byte) for byte in range(256))


def crc16_modbus(data: bytes) -> int:
    """CRC-16/MODBUS of `data`, 0..0xFFFF; b"123456789" gives 0x4B37."""
    crc = INITIAL
    for byte in data:
        crc = crc >> 8 ^ _TABLE[(crc ^ byte) & 0xFF]
    return crc


def xor8(data: bytes) -> int:
    """Exclusive or of all bytes, 0..0xFF."""
    return reduce(xor, data, 0)
