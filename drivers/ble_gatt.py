"""A BLE device whose characteristics are notified, indicated or, where it can do neither, polled."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import replace
from typing import TYPE_CHECKING

from config.devices import BleGattDevice, GattCharacteristic
from drivers.base import Batch, DeviceError, DeviceMisconfigured, DeviceUnavailable, Driver, Rejected
from drivers.ble_radio import Inbox, find_device, radio_errors
from drivers.codecs.gatt_values import BATTERY_LEVEL, STANDARD, decode, full_uuid
from drivers.reading import Measurement

if TYPE_CHECKING:
    from bleak import BleakClient
    from bleak.backends.characteristic import BleakGATTCharacteristic

log = logging.getLogger(__name__)

CONNECT_TIMEOUT = 20.0
"""s for connecting and discovering the services (our choice)"""
DISCONNECT_TIMEOUT = 12.0
"""s; the library waits 10 s for the device to confirm"""
BATTERY_EVERY = 300.0
"""s between polls of a battery level (our choice: it takes hours to change)"""

Value = tuple[GattCharacteristic, bytes]


class BleGattLink:
    """Values as they come. Created by the driver."""

    def __init__(self, device: BleGattDevice, inbox: Inbox[Value]) -> None:
        self._device = device
        self._inbox = inbox
        self._battery: int | None = None

    async def receive(self) -> Batch:
        """All values that are waiting. Raises DeviceUnavailable on a lost link or after `silence_limit` without one."""
        limit = self._device.silence_limit
        try:
            async with asyncio.timeout(limit):
                while True:
                    batch = self._decode(await self._inbox.take())
                    if batch.measurements or batch.rejected:
                        return batch
        except TimeoutError as error:
            raise DeviceUnavailable("device.ble.no-value", name=self._device.id, limit=limit) from error

    def _decode(self, values: list[Value]) -> Batch:
        measurements: list[Measurement] = []
        rejected: list[Rejected] = []
        for characteristic, payload in values:
            found = decode(characteristic, payload)
            if isinstance(found, Rejected):
                rejected.append(found)
            elif found.battery_percent is not None:
                self._battery = found.battery_percent
            else:
                measurements.append(found)
        return Batch(tuple(replace(m, battery_percent=self._battery) for m in measurements), tuple(rejected))


class BleGattDriver:
    """Opens one device; the supervisor calls `open` again after a loss."""

    def __init__(self, device: BleGattDevice) -> None:
        self._device = device
        self._was_complete = False

    @asynccontextmanager
    async def open(self) -> AsyncIterator[BleGattLink]:
        from bleak import BleakClient

        device, inbox = self._device, Inbox[Value]()
        polls: list[asyncio.Task[None]] = []
        with radio_errors(device.id):
            found = await find_device(device.adapter, device.address)
        client = BleakClient(
            found,
            disconnected_callback=lambda _: inbox.lose(DeviceUnavailable("device.ble.lost", name=device.id)),
            timeout=CONNECT_TIMEOUT,
        )
        try:
            with radio_errors(device.id):
                await client.connect()
                wanted = [(one, self._find(client, one)) for one in device.characteristics]
                self._was_complete = True
                turn = asyncio.Lock()
                for one, there in wanted:
                    if not await _subscribe(client, one, there, inbox):
                        polls.append(asyncio.create_task(_poll(client, one, there, inbox, turn, device.id)))
            yield BleGattLink(device, inbox)
        finally:
            for poll in polls:
                poll.cancel()
            await asyncio.gather(*polls, return_exceptions=True)
            await _hang_up(client)

    def _find(self, client: BleakClient, wanted: GattCharacteristic) -> BleakGATTCharacteristic:
        """Raises DeviceMisconfigured if it was never there, DeviceUnavailable if it once was: a bad connection."""
        uuid = full_uuid(wanted.uuid)
        service = full_uuid(wanted.service) if wanted.service else None
        there = [
            c for c in client.services.characteristics.values() if c.uuid == uuid and service in (None, c.service_uuid)
        ]
        there.sort(key=lambda c: c.handle)
        if len(there) >= wanted.number:
            found = there[wanted.number - 1]
            if {"notify", "indicate", "read"} & set(found.properties):
                return found
        has = tuple(sorted({c.uuid for c in client.services.characteristics.values()}))
        kind = DeviceUnavailable if self._was_complete or not has else DeviceMisconfigured
        if not has:
            raise kind("device.ble.nothing-inside", name=self._device.id)
        raise kind(
            "device.ble.no-characteristic", name=self._device.id, uuid=wanted.uuid, number=wanted.number, has=has
        )


async def _subscribe(
    client: BleakClient, one: GattCharacteristic, there: BleakGATTCharacteristic, inbox: Inbox[Value]
) -> bool:
    """Whether values will come by themselves. A battery level is also read once, for it is notified only on change."""
    from bleak.exc import BleakError

    readable = "read" in there.properties
    if not {"notify", "indicate"} & set(there.properties):
        return False
    try:
        await client.start_notify(there, lambda _, payload: inbox.put((one, bytes(payload))))
    except BleakError as error:
        if not readable or not client.is_connected:
            raise
        log.info("%s cannot be subscribed to, polling instead: %s", one.uuid, error)
        return False
    if readable and full_uuid(one.uuid) == BATTERY_LEVEL:
        inbox.put((one, bytes(await client.read_gatt_char(there))))
    return True


async def _poll(
    client: BleakClient,
    one: GattCharacteristic,
    there: BleakGATTCharacteristic,
    inbox: Inbox[Value],
    turn: asyncio.Lock,
    name: str,
) -> None:
    """Read for ever, one reader at a time; a failed read ends the link."""
    every = max(one.poll_every, BATTERY_EVERY) if full_uuid(one.uuid) == BATTERY_LEVEL else one.poll_every
    try:
        with radio_errors(name):
            while True:
                async with turn:
                    payload = await client.read_gatt_char(there)
                inbox.put((one, bytes(payload)))
                await asyncio.sleep(every)
    except DeviceError as error:  # also one that must be paired: tried again, for it may be paired by then
        inbox.lose(DeviceUnavailable(error.why.key, **dict(error.why.values)))
    except Exception as error:
        inbox.lose(DeviceUnavailable("device.failed", name=name, why=str(error)))


async def _hang_up(client: BleakClient) -> None:
    """Always, also after a loss: only this closes the client's own D-Bus connection."""
    try:
        async with asyncio.timeout(DISCONNECT_TIMEOUT):
            await client.disconnect()
    except Exception as error:
        log.debug("disconnecting: %r", error)


def from_device(device: BleGattDevice, channel_types: Mapping[str, str]) -> Driver:
    """The driver of a rig device. Raises DeviceMisconfigured for a characteristic that cannot be read.

    channel_types: not used; a BLE device has linearised already.
    """
    for one in device.characteristics:
        try:
            uuid = full_uuid(one.uuid)
            if one.service is not None:
                full_uuid(one.service)
        except ValueError as error:
            raise DeviceMisconfigured("device.ble.no-uuid", name=device.id, uuid=str(error)) from error
        if one.layout == "standard" and uuid not in STANDARD:
            raise DeviceMisconfigured("device.ble.no-layout", name=device.id, uuid=one.uuid)
    return BleGattDriver(device)
