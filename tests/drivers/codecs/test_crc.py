"""CRC-16/MODBUS against published frames and a bit-by-bit second implementation."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.codecs.crc import crc16_modbus, xor8

FRAMES = Path(__file__).parents[2] / "data" / "modbus_frames.csv"
ROWS = list(csv.DictReader(line for line in FRAMES.read_text().splitlines() if not line.startswith("#")))


def bit_by_bit(data: bytes) -> int:
    """The definition itself: long division with the polynomial x^16 + x^15 + x^2 + 1, bits of a byte low end first."""
    register = 0xFFFF
    for bit in (byte >> place & 1 for byte in data for place in range(8)):
        carry = (register ^ bit) & 1
        register >>= 1
        if carry:
            register ^= 0xA001
    return register


def test_the_catalogue_check_value() -> None:
    """Catalogue of parametrised CRC algorithms: the check of CRC-16/MODBUS is 0x4B37."""
    assert crc16_modbus(b"123456789") == 0x4B37


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["meaning"])
def test_frames(row: dict[str, str]) -> None:
    frame = bytes.fromhex(row["frame_hex"])
    assert crc16_modbus(frame[:-2]) == int.from_bytes(frame[-2:], "little")
    assert crc16_modbus(frame) == 0


@given(st.binary(max_size=300))
def test_against_the_definition(data: bytes) -> None:
    assert crc16_modbus(data) == bit_by_bit(data)


def test_xor8() -> None:
    """The widely printed NMEA 0183 sentence $GPGLL,5300.97914,N,...,A*28 (from memory)."""
    assert xor8(b"GPGLL,5300.97914,N,00259.98174,E,125926,A") == 0x28
    assert xor8(b"") == 0
