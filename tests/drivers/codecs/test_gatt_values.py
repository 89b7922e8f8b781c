"""GATT values against the GATT Specification Supplement, published FLOAT examples and PyPI bluetooth-sig."""

from __future__ import annotations

import csv
import struct
from pathlib import Path
from typing import Any

import pytest
from bluetooth_sig import BluetoothSIGTranslator
from bluetooth_sig.gatt.exceptions import SpecialValueDetectedError
from hypothesis import given
from hypothesis import strategies as st

from config.devices import GattCharacteristic
from drivers.base import Rejected
from drivers.codecs.gatt_values import STANDARD, decode, full_uuid
from drivers.codecs.plausible import faulted
from drivers.reading import Fault, Measurement

DATA = Path(__file__).parents[2] / "data" / "gatt_values.csv"
ROWS = list(csv.reader(line for line in DATA.read_text().splitlines() if not line.startswith("#")))


@pytest.mark.parametrize(("number", "payload", "expected", "source"), ROWS)
def test_published_and_worked_values(number: str, payload: str, expected: str, source: str) -> None:
    found = decode(GattCharacteristic(source="1", uuid=number), bytes.fromhex(payload))
    if expected in set(Fault):
        assert found == faulted("1", Fault(expected)), source
    elif expected.startswith("battery="):
        assert found == Measurement("1", None, battery_percent=int(expected[8:])), source
    else:
        assert isinstance(found, Measurement) and found.fault is None
        assert found.celsius == pytest.approx(float(expected), abs=1e-9), source


@pytest.mark.parametrize(("number", "size"), [("2A6E", 2), ("2C2E", 2), ("2BDF", 2), ("2B0D", 1)])
def test_every_sixteenth_value_agrees_with_the_published_library(number: str, size: int) -> None:
    """PyPI bluetooth-sig 0.6.0. Its FLOAT reads the exponent as biased (36.97 °C becomes 3.697e129), so 0x2A1C is
    checked by the published examples alone."""
    reference = BluetoothSIGTranslator()
    compared = 0
    for raw in range(0, 1 << 8 * size, 16 if size == 2 else 1):
        payload = raw.to_bytes(size, "little")
        ours = decode(GattCharacteristic(source="1", uuid=number), payload)
        if isinstance(ours, Rejected) or (ours.fault is Fault.OUT_OF_RANGE):
            continue
        try:
            theirs = reference.parse_characteristic(number, payload)
        except SpecialValueDetectedError:
            assert isinstance(ours, Measurement) and ours.fault is Fault.NOT_KNOWN
            continue
        assert ours.celsius == pytest.approx(theirs, abs=1e-6)
        compared += 1
    assert compared > 100


def test_high_temperature_number_is_the_assigned_one() -> None:
    """0x2BDF by the Assigned Numbers (bluetooth-sig ships them); 0x2A45 is Unread Alert Status and must not be read."""
    known = BluetoothSIGTranslator().get_characteristic_info_by_uuid("2BDF")
    assert known is not None and known.name == "High Temperature"
    assert isinstance(decode(GattCharacteristic(source="1", uuid="2A45"), b"\xf2\x00"), Rejected)


@pytest.mark.parametrize(
    ("number", "payload", "reason"),
    [
        ("2A6E", "4F", "length"),
        ("2A6E", "4F2F00", "length"),
        ("2A6E", "0180", "prohibited"),
        ("2C2E", "1127", "prohibited"),
        ("2C2E", "17FC", "prohibited"),
        ("2A19", "65", "battery"),
        ("2A1C", "", "length"),
        ("2A1C", "02A60300FF", "length"),
        ("2A1C", "00A60300FF00", "length"),
    ],
)
def test_what_the_standard_prohibits_is_refused(number: str, payload: str, reason: str) -> None:
    found = decode(GattCharacteristic(source="1", uuid=number), bytes.fromhex(payload))
    assert isinstance(found, Rejected) and found.reason == reason


def test_declared_layouts() -> None:
    def read(payload: bytes, **layout: Any) -> Any:
        return decode(GattCharacteristic(source="x", uuid="fff1", **layout), payload)

    celsius = struct.pack(">Bh", 7, 1211)
    assert read(celsius, layout="int16", offset=1, byte_order="big", scale=0.1).celsius == pytest.approx(121.1)
    assert read(b"\xfa\x00", layout="uint16", scale=5 / 9, add=-160 / 9).celsius == pytest.approx(121.111, abs=1e-3)
    assert read(b"\xff\xff\xff", layout="int24").celsius == -1.0
    assert read(b"\x01\x00\x00", layout="uint24").celsius == 1.0
    assert read(struct.pack("<f", 93.5), layout="float32").celsius == 93.5
    assert read(struct.pack("<f", float("nan")), layout="float32").fault is Fault.NOT_KNOWN
    assert read(struct.pack("<f", float("inf")), layout="float32").fault is Fault.NOT_KNOWN
    for spelling in (0x8000, -0x8000):
        assert read(b"\x00\x80", layout="int16", not_known=(spelling,)).fault is Fault.NOT_KNOWN
    assert read(b"\x00", layout="int16").reason == "length"


@given(st.sampled_from(sorted(STANDARD)), st.binary(max_size=20))
def test_no_bytes_escape_or_leave_the_scale(uuid: str, payload: bytes) -> None:
    found = decode(GattCharacteristic(source="1", uuid=uuid), payload)
    if isinstance(found, Measurement) and found.celsius is not None:
        assert -90 <= found.celsius < 1024


@pytest.mark.parametrize("text", ["2a6e", "0x2A6E", "00002A6E", "00002a6e-0000-1000-8000-00805f9b34fb"])
def test_uuid_spellings(text: str) -> None:
    assert full_uuid(text) == "00002a6e-0000-1000-8000-00805f9b34fb"


@pytest.mark.parametrize("text", ["", "2a6", "temp", "00002a6e-0000-1000-8000-00805f9b34f"])
def test_bad_uuids_are_said(text: str) -> None:
    with pytest.raises(ValueError, match=f"^{text}$"):
        full_uuid(text)
