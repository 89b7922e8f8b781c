"""The BLE drivers against a peripheral in another process, over HCI on TCP: real ATT, GATT and advertising packets.

The peer is bumble, which was written apart from us and from the BLE library. What BlueZ does between the two is tried in
test_ble_devices.py.
"""

from __future__ import annotations

import asyncio
import sys
import time
import tomllib
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
from pydantic import TypeAdapter

from config.devices import BleAdvertDevice, BleGattDevice, Device, GattCharacteristic
from drivers import ble_advert, ble_gatt, ble_radio
from drivers.base import Batch, DeviceMisconfigured, DeviceUnavailable, Driver, Link
from drivers.finder import Found, find_ble
from drivers.registry import open_driver
from tests.patience import PATIENCE

pytest.importorskip("bumble")  # deploy/test.sh installs it
from tests.system.ble import bumble_backend
from tests.system.ble.bumble_probe import OWN, PROBE, SECRET

NOTIFICATIONS = 300


class Peripheral:
    def __init__(self, process: asyncio.subprocess.Process, port: int) -> None:
        self.process, self.port = process, port

    async def order(self, text: str) -> None:
        assert self.process.stdin is not None and self.process.stdout is not None
        self.process.stdin.write(f"{text}\n".encode())
        async with asyncio.timeout(PATIENCE):
            assert await self.process.stdout.readline() == b"done\n"


@pytest.fixture
async def probe(monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Peripheral]:
    script = Path(__file__).with_name("bumble_probe.py")
    process = await asyncio.create_subprocess_exec(
        sys.executable, script, stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE
    )
    assert process.stdin is not None and process.stdout is not None
    async with asyncio.timeout(PATIENCE):
        port = int(await process.stdout.readline())
    async with bumble_backend.radio(port, monkeypatch):
        yield Peripheral(process, port)
    process.stdin.close()
    async with asyncio.timeout(PATIENCE):
        await process.wait()


def gatt(*characteristics: GattCharacteristic) -> Driver:
    device = BleGattDevice(
        kind="ble-gatt", id="pit", address=PROBE, characteristics=characteristics, silence_limit=PATIENCE
    )
    return ble_gatt.from_device(device, {})


NOTIFIED = GattCharacteristic(source="pit", uuid="2A6E")


async def within(link: Link) -> Batch:
    async with asyncio.timeout(PATIENCE):
        return await link.receive()


async def values(link: Link, count: int) -> list[tuple[str, Any]]:
    found: list[tuple[str, Any]] = []
    while len(found) < count:
        found += [(m.source, m.celsius) for m in (await within(link)).measurements]
    return found


async def test_notified_indicated_and_polled_values(probe: Peripheral) -> None:
    """2A6E: 0.01 °C, signed 16 bits; 2A1C: flags, IEEE 11073 FLOAT; 2A19: percent (GATT Specification Supplement)."""
    await probe.order("named")
    await probe.order("value 2A19 5d")
    await probe.order(f"value {OWN} 6309")
    wanted = (
        NOTIFIED,
        GattCharacteristic(source="chuck", uuid="2A1C"),
        GattCharacteristic(source="battery", uuid="2A19"),
        GattCharacteristic(
            source="lamb", uuid=OWN, layout="uint16", byte_order="big", scale=0.0025, poll_every=PATIENCE
        ),
    )
    async with gatt(*wanted).open() as link:
        assert (await values(link, 1)) == [("lamb", pytest.approx(0x6309 * 0.0025))]
        await probe.order("value 2A6E 4f2f")
        assert (await values(link, 1)) == [("pit", 121.11)]
        await probe.order("value 2A6E f8ff")
        assert (await values(link, 1)) == [("pit", -0.08)]
        await probe.order("value 2A1C 00940300ff")  # 916 x 10^-1
        batch = await within(link)
        assert [(m.source, m.celsius, m.battery_percent) for m in batch.measurements] == [("chuck", 91.6, 93)]


async def test_a_payload_of_another_length_is_refused(probe: Peripheral) -> None:
    await probe.order("named")
    async with gatt(NOTIFIED).open() as link:
        await probe.order("value 2A6E 4f")
        batch = await within(link)
        assert not batch.measurements and len(batch.rejected) == 1
        await probe.order("value 2A6E 0080")  # 0x8000 is "not known" in the Supplement
        assert [m.celsius for m in (await within(link)).measurements] == [None]


async def test_every_notification_arrives_once_and_in_order(probe: Peripheral, record_property: object) -> None:
    await probe.order("named")
    began = time.monotonic()
    async with gatt(NOTIFIED).open() as link:
        opened = time.monotonic() - began

        async def send() -> None:
            for number in range(NOTIFICATIONS):
                await probe.order(f"value 2A6E {(12000 + number).to_bytes(2, 'little').hex()}")

        sending = asyncio.create_task(send())
        found = [celsius for _, celsius in await values(link, NOTIFICATIONS)]
        await sending
    assert found == [pytest.approx(120.0 + number / 100) for number in range(NOTIFICATIONS)]
    print(f"found, connected and subscribed in {opened:.2f} s; {NOTIFICATIONS} of {NOTIFICATIONS} notifications")


async def test_a_dropped_link_is_told_and_opened_again(probe: Peripheral) -> None:
    driver = gatt(NOTIFIED)
    for turn in range(3):
        await probe.order("named")
        async with driver.open() as link:
            await probe.order(f"value 2A6E {turn:02x}30")
            assert (await values(link, 1)) == [("pit", pytest.approx((0x3000 + turn) / 100))]
            await probe.order("drop")
            with pytest.raises(DeviceUnavailable, match=r"ble\.lost"):
                await values(link, 1)


async def test_what_cannot_be_read_is_said_in_words(probe: Peripheral, monkeypatch: pytest.MonkeyPatch) -> None:
    await probe.order("named")
    with pytest.raises(DeviceMisconfigured, match="no-characteristic"):
        async with gatt(GattCharacteristic(source="pit", uuid="2C2E")).open():
            pass
    await probe.order("named")
    async with gatt(GattCharacteristic(source="pit", uuid=SECRET, poll_every=0.1)).open() as link:
        with pytest.raises(DeviceUnavailable, match="unpaired"):
            await within(link)
    await probe.order("quiet")
    monkeypatch.setattr(ble_radio, "FIND_TIMEOUT", 0.5)
    with pytest.raises(DeviceUnavailable, match="no-answer"):
        async with gatt(NOTIFIED).open():
            pass


async def test_a_broadcaster_is_heard_and_its_repeats_are_no_readings(probe: Peripheral) -> None:
    """https://bthome.io/format/ : packet id 00, temperature 45 in 0.1 °C."""
    device = BleAdvertDevice(kind="ble-advert", id="pit", address=PROBE, silence_limit=PATIENCE)
    async with ble_advert.from_device(device, {}).open() as link:
        for number in range(5):
            await probe.order(f"broadcast 4000{number:02x}45{(1211 + number).to_bytes(2, 'little').hex()}")
            assert (await values(link, 1)) == [("temperature", pytest.approx((1211 + number) / 10))]
        await probe.order("broadcast 40000545")  # cut short
        batch = await within(link)
        assert not batch.measurements and batch.rejected


async def heard_device() -> Found:
    """Looks again while the probe has not been heard, for a busy machine may be slow."""
    async with asyncio.timeout(PATIENCE):
        while not (found := await find_ble(0.5)):
            pass
    (one,) = found
    return one


async def test_devices_finds_both_kinds_with_stanzas_that_open(probe: Peripheral) -> None:
    for order, kind in (("named", "ble-gatt"), ("broadcast 4045bb04", "ble-advert")):
        await probe.order(order)
        found = await heard_device()
        assert (found.kind, found.where) == (kind, PROBE)
        stanza = tomllib.loads(found.stanza)["devices"][0]
        device = TypeAdapter[Device](Device).validate_python(stanza)
        await probe.order(order)  # being looked into ended the advertising
        async with open_driver(device, {}).open() as link:
            await probe.order("value 2A6E 4f2f" if kind == "ble-gatt" else "broadcast 4045bc04")
            assert (await within(link)).measurements
