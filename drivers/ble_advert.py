"""A BTHome version 2 broadcaster: nothing to connect to, only to listen."""

from __future__ import annotations

import asyncio
import re
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from config.devices import BleAdvertDevice
from drivers.base import Batch, DeviceMisconfigured, DeviceUnavailable, Driver
from drivers.ble_radio import Inbox, listening, radio_errors
from drivers.codecs.adverts import BTHOME_UUID, KEY_BYTES, Broadcaster, make_cipher

if TYPE_CHECKING:
    from bleak.backends.device import BLEDevice
    from bleak.backends.scanner import AdvertisementData
    from cryptography.hazmat.primitives.ciphers.aead import AESCCM

OTHERS_MAY_READ = 0o077
ADDRESS = re.compile(r"(?:[0-9A-Fa-f]{2}:){5}[0-9A-Fa-f]{2}")


class BleAdvertLink:
    """Broadcasts of one device as they are heard. Created by the driver."""

    def __init__(self, device: BleAdvertDevice, inbox: Inbox[bytes], broadcaster: Broadcaster) -> None:
        self._device = device
        self._inbox = inbox
        self._broadcaster = broadcaster

    async def receive(self) -> Batch:
        """The next broadcast that says something new. Raises DeviceUnavailable after `silence_limit` without any.

        A repeated broadcast is a sign of life, but never a fresh reading.
        """
        limit, loop = self._device.silence_limit, asyncio.get_running_loop()
        while True:
            try:
                async with asyncio.timeout(limit):
                    heard = await self._inbox.take()
            except TimeoutError as error:
                raise DeviceUnavailable("device.not-heard", name=self._device.id, limit=limit) from error
            batches = [self._broadcaster.heard(data, loop.time()) for data in heard]
            batch = Batch(
                tuple(m for b in batches for m in b.measurements), tuple(r for b in batches for r in b.rejected)
            )
            if batch.measurements or batch.rejected:
                return batch


class BleAdvertDriver:
    """Listens for one device; what it knows of packet ids and counters outlives a loss, so no replay passes there."""

    def __init__(self, device: BleAdvertDevice, cipher: AESCCM | None) -> None:
        self._device = device
        self._broadcaster = Broadcaster(device.address, cipher)

    @asynccontextmanager
    async def open(self) -> AsyncIterator[BleAdvertLink]:
        inbox = Inbox[bytes]()
        address = self._device.address.upper()

        def heard(device: BLEDevice, data: AdvertisementData) -> None:
            if device.address.upper() == address and BTHOME_UUID in data.service_data:
                inbox.put(data.service_data[BTHOME_UUID])

        listener = listening(self._device.adapter, heard)
        with radio_errors(self._device.id):
            await listener.__aenter__()
        try:
            yield BleAdvertLink(self._device, inbox, self._broadcaster)
        finally:
            await listener.__aexit__(None, None, None)


def from_device(device: BleAdvertDevice, channel_types: Mapping[str, str]) -> Driver:
    """The driver of a rig device. Raises DeviceMisconfigured for a bad address, key file or a missing package.

    channel_types: not used; a broadcaster has linearised already.
    """
    if not ADDRESS.fullmatch(device.address):
        raise DeviceMisconfigured("device.address", name=device.id)
    return BleAdvertDriver(device, _cipher(device))


def _cipher(device: BleAdvertDevice) -> AESCCM | None:
    if device.bind_key_file is None:
        return None
    path = Path(device.bind_key_file)
    try:
        if path.stat().st_mode & OTHERS_MAY_READ:
            raise DeviceMisconfigured("device.key-open", name=device.id, path=str(path))
        key = bytes.fromhex(path.read_text(encoding="ascii").strip())
    except (OSError, ValueError) as error:
        raise DeviceMisconfigured("device.key-unread", name=device.id, path=str(path), why=str(error)) from error
    if len(key) != KEY_BYTES:
        raise DeviceMisconfigured("device.key-length", name=device.id, bytes=len(key))
    try:
        return make_cipher(key)
    except ImportError as error:
        raise DeviceMisconfigured("device.no-cipher", name=device.id) from error
