"""BTHome version 2 against its published vectors and the PyPI package bthome-ble."""

from __future__ import annotations

import pytest
from bleak.backends.device import BLEDevice
from bthome_ble.const import MEAS_TYPES
from bthome_ble.parser import BTHomeBluetoothDeviceData
from habluetooth import BluetoothServiceInfoBleak
from hypothesis import given
from hypothesis import strategies as st

from drivers.base import Rejected
from drivers.codecs import adverts
from drivers.codecs.adverts import Broadcaster, make_cipher, parse
from drivers.reading import Fault, Quality

ADDRESS = "54:48:E6:8F:80:A5"
KEY = bytes.fromhex("231d39c1d7cc1ab1aee224cd096db932")
SEALED = bytes.fromhex("41e445f3c9962b332211006c7c4519")
"""https://bthome.io/encryption/ : 25.06 °C, 50.55 %, counter 1122867"""


def library(data: bytes, key: bytes | None = None, time: float = 0.0) -> dict[str, object]:
    """What bthome-ble reads in one broadcast: sensor key -> value."""
    parser = BTHomeBluetoothDeviceData(bindkey=key)
    info = BluetoothServiceInfoBleak(
        "x", ADDRESS, -60, {}, {adverts.BTHOME_UUID: data}, [adverts.BTHOME_UUID], "local",
        BLEDevice(ADDRESS, "x", {}), None, False, time, None,
    )  # fmt: skip
    return {k.key: v.native_value for k, v in parser.update(info).entity_values.items()}


@pytest.mark.parametrize(
    ("data", "celsius", "battery"),
    [
        ("4002C40903BF13", (25.0,), None),  # https://bthome.io/format/ , the whole advertisement of its example
        ("4002CA0903BF13", (25.06,), None),  # https://bthome.io/format/ , test value
        ("40015D02CA0903BF13", (25.06,), 93),  # published example of a sender with battery
        ("4045BB04", (121.1,), None),  # worked by hand from the format
        ("4045FBFF", (-0.5,), None),  # worked by hand
        ("4445BB0445AC03", (121.1, 94.0), None),  # worked by hand: trigger-based, two probes
        ("4057EA", (-22.0,), None),  # worked by hand
        ("4058EA", (-7.7,), None),  # worked by hand: -22 x 0.35
    ],
)
def test_published_and_worked_broadcasts(data: str, celsius: tuple[float, ...], battery: int | None) -> None:
    found = Broadcaster(ADDRESS).heard(bytes.fromhex(data), 0.0)
    assert tuple(m.celsius for m in found.measurements) == celsius
    assert {m.battery_percent for m in found.measurements} == {battery}
    theirs = library(bytes.fromhex(data))
    keys = ["temperature"] if len(celsius) == 1 else [f"temperature_{n + 1}" for n in range(len(celsius))]
    assert tuple(theirs[k] for k in keys) == celsius


def test_lengths_are_those_of_the_published_parser() -> None:
    variable = adverts.LENGTH_FOLLOWS | {adverts.COMMAND}
    assert {k: v.data_length for k, v in MEAS_TYPES.items() if k not in variable} == {
        k: v for k, v in adverts.LENGTHS.items() if k not in variable | adverts.UNASSIGNED
    }


def test_published_encrypted_broadcast() -> None:
    (found,) = Broadcaster(ADDRESS, make_cipher(KEY)).heard(SEALED, 0.0).measurements
    assert found.celsius == library(SEALED, KEY)["temperature"] == 25.06


def test_forged_replayed_and_plain_broadcasts_are_refused() -> None:
    def reason(data: bytes, one: Broadcaster) -> str:
        return one.heard(data, 0.0).rejected[0].reason

    for bit in range(8, 8 * len(SEALED)):  # byte 0 says whether there is encryption at all
        forged = bytearray(SEALED)
        forged[bit // 8] ^= 1 << bit % 8
        assert reason(bytes(forged), Broadcaster(ADDRESS, make_cipher(KEY))) == "wrong-key"
    assert reason(SEALED, Broadcaster("54:48:E6:8F:80:A6", make_cipher(KEY))) == "wrong-key"
    assert reason(SEALED, Broadcaster(ADDRESS)) == "no-bind-key"
    assert reason(bytes.fromhex("4002CA09"), Broadcaster(ADDRESS, make_cipher(KEY))) == "not-encrypted"
    one = Broadcaster(ADDRESS, make_cipher(KEY))
    assert one.heard(_sealed(2000), 0.0).measurements
    assert one.heard(_sealed(2000), 9.0).measurements == () == one.heard(_sealed(2000), 9.0).rejected
    assert reason(_sealed(1999), one) == "replayed"
    assert one.heard(_sealed(3), 0.0).measurements  # the battery was changed: the counter began again


def _sealed(counter: int, objects: bytes = b"\x45\xbb\x04") -> bytes:
    count = counter.to_bytes(4, "little")
    nonce = bytes.fromhex(ADDRESS.replace(":", "")) + b"\xd2\xfc\x41" + count
    text = make_cipher(KEY).encrypt(nonce, objects, None)
    return b"\x41" + text[:-4] + count + text[-4:]


def test_packet_ids() -> None:
    one = Broadcaster(ADDRESS)

    def taken(packet_id: int, tenths: int, now: float) -> bool:
        data = bytes((0x40, 0x00, packet_id, 0x45)) + tenths.to_bytes(2, "little")
        return bool(one.heard(data, now).measurements)

    assert taken(254, 1211, 0.0)
    assert not taken(254, 1211, 0.1)
    assert not taken(254, 1211, 60.0)  # the very same packet is never news
    assert taken(1, 1212, 60.1)  # over the top of the byte
    assert not taken(250, 1210, 60.2)  # an older one that took a longer way
    assert taken(250, 1213, 65.0)  # long after: the device began again


def test_without_packet_id_a_second_hearing_is_dropped_and_a_steady_value_is_not() -> None:
    one = Broadcaster(ADDRESS)
    times = [now for now in (0.0, 0.01, 0.5, 1.2, 2.4) if one.heard(bytes.fromhex("4045BB04"), now).measurements]
    assert times == [0.0, 1.2, 2.4]


def test_battery_is_remembered_and_a_device_with_a_problem_is_suspect() -> None:
    one = Broadcaster(ADDRESS)
    one.heard(bytes.fromhex("40015D"), 0.0)
    (found,) = one.heard(bytes.fromhex("402601 45BB04"), 1.0).measurements
    assert (found.battery_percent, found.quality) == (93, Quality.SUSPECT)


def test_unknown_objects_end_the_packet_and_truncated_ones_refuse_it() -> None:
    assert parse(bytes.fromhex("45BB04FE01")) == adverts.Packet((121.1,))
    assert isinstance(parse(bytes.fromhex("45BB0445BB")), Rejected)
    assert isinstance(parse(bytes.fromhex("5305AA")), Rejected)
    assert parse(bytes.fromhex("5302454545BB04")) == adverts.Packet((121.1,))
    (hot,) = Broadcaster(ADDRESS).heard(bytes.fromhex("4045FF7F"), 0.0).measurements
    assert (hot.celsius, hot.fault) == (None, Fault.OUT_OF_RANGE)


@given(st.binary(max_size=40))
def test_no_bytes_escape(data: bytes) -> None:
    for one in (Broadcaster(ADDRESS), Broadcaster(ADDRESS, make_cipher(KEY))):
        found = one.heard(data, 0.0)
        assert not (found.measurements and found.rejected)
