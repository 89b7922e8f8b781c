"""A thin back end of our own under the BLE library's public interface: bumble as the host, HCI over TCP to a controller.

So our drivers run unchanged, over real ATT and GATT packets and real advertising data, with no Bluetooth in the kernel.
Only what the drivers call is there.
"""

from __future__ import annotations

import uuid
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any

import bleak
import pytest
from bleak.backends.adapter import BaseBleakAdapter
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.client import BaseBleakClient
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData, BaseBleakScanner
from bleak.backends.service import BleakGATTService, BleakGATTServiceCollection
from bleak.exc import BleakError, BleakGATTProtocolError
from bumble.att import ATT_Error
from bumble.core import UUID, AdvertisingData, BaseBumbleError
from bumble.device import Advertisement, Connection, Device, Peer
from bumble.gatt_client import CharacteristicProxy
from bumble.hci import Address
from bumble.transport import open_transport

WATCH = "F0:F1:F2:F3:F4:F5"
PROPERTIES = ("read", "notify", "indicate")


def text_of(one: UUID) -> str:
    return str(uuid.UUID(bytes=bytes(reversed(one.to_bytes(force_128=True)))))


@asynccontextmanager
async def radio(port: int, patch: pytest.MonkeyPatch) -> AsyncIterator[Device]:
    """The library's back end is this one, and its controller the one behind the port."""
    async with await open_transport(f"tcp-client:127.0.0.1:{port}") as transport:
        device = Device.with_hci("watch", Address(WATCH), transport.source, transport.sink)
        await device.power_on()

        class Scanner(_Scanner):
            host = device

        class Client(_Client):
            host = device

        patch.setattr(bleak, "get_platform_scanner_backend_type", lambda: (Scanner, "bumble"))
        patch.setattr(bleak, "get_platform_client_backend_type", lambda: (Client, "bumble"))
        patch.setattr(bleak, "get_platform_adapter_backend_type", lambda: (_Adapter, "bumble"))
        yield device


class _Adapter(BaseBleakAdapter):
    @classmethod
    async def get(cls, **kwargs: Any) -> _Adapter:
        return cls()

    async def get_connected_devices(self, service_uuids: frozenset[str]) -> list[BLEDevice]:
        return []


class _Scanner(BaseBleakScanner):
    host: Device

    def __init__(self, detection_callback: Any, service_uuids: list[str] | None, *_: Any, **__: Any) -> None:
        super().__init__(detection_callback, service_uuids)

    async def start(self) -> None:
        self.seen_devices.clear()
        self.host.on("advertisement", self._heard)
        await self.host.start_scanning(active=False)

    async def stop(self) -> None:
        self.host.remove_listener("advertisement", self._heard)
        await self.host.stop_scanning()

    def _heard(self, advertisement: Advertisement) -> None:
        fields = advertisement.data
        name = fields.get(AdvertisingData.COMPLETE_LOCAL_NAME)
        services = fields.get(AdvertisingData.COMPLETE_LIST_OF_16_BIT_SERVICE_CLASS_UUIDS) or []
        data = fields.get_all(AdvertisingData.SERVICE_DATA_16_BIT_UUID)
        address = advertisement.address.to_string(False)
        found = AdvertisementData(
            local_name=name if isinstance(name, str) else None,
            manufacturer_data={},
            service_data={text_of(service): bytes(payload) for service, payload in data},
            service_uuids=[text_of(service) for service in services],
            tx_power=None,
            rssi=advertisement.rssi,
            platform_data=(),
        )
        device = self.create_or_update_device(address, address, found.local_name, advertisement.address, found)
        self.call_detection_callbacks(device, found)


class _Client(BaseBleakClient):
    host: Device

    def __init__(self, address_or_ble_device: BLEDevice | str, **kwargs: Any) -> None:
        super().__init__(address_or_ble_device, **kwargs)
        assert isinstance(address_or_ble_device, BLEDevice)
        self._name = address_or_ble_device.name or self.address
        self._connection: Connection | None = None
        self._peer: Peer | None = None

    @property
    def name(self) -> str:
        return self._name

    @property
    def mtu_size(self) -> int:
        return 23

    @property
    def is_connected(self) -> bool:
        return self._connection is not None

    async def connect(self, pair: bool, **kwargs: Any) -> None:
        try:
            self._connection = await self.host.connect(Address(self.address), timeout=self._timeout)
            self._connection.on("disconnection", self._gone)
            self._peer = Peer(self._connection)
            await self._peer.discover_services()
            await self._peer.discover_characteristics()
        except BaseBumbleError as error:
            raise BleakError(str(error)) from error
        self.services = BleakGATTServiceCollection()
        for service in self._peer.services:
            there = BleakGATTService(service, service.handle, text_of(service.uuid))
            self.services.add_service(there)
            for one in service.characteristics:
                words: Any = [word for word in PROPERTIES if one.properties & one.properties.__class__[word.upper()]]
                self.services.add_characteristic(
                    BleakGATTCharacteristic(one, one.handle, text_of(one.uuid), words, lambda: 20, there)
                )

    def _gone(self, _: int) -> None:
        self._connection = None
        if self._disconnected_callback is not None:
            self._disconnected_callback()

    async def disconnect(self) -> None:
        if self._connection is not None:
            await self._connection.disconnect()

    async def read_gatt_char(
        self, characteristic: BleakGATTCharacteristic, *, use_cached: bool = False, **kwargs: Any
    ) -> bytearray:
        proxy: CharacteristicProxy[bytes] = characteristic.obj
        return bytearray(await _answered(proxy.read_value()))

    async def start_notify(
        self, characteristic: BleakGATTCharacteristic, callback: Callable[[bytearray], None], **kwargs: Any
    ) -> None:
        proxy: CharacteristicProxy[bytes] = characteristic.obj
        await _answered(proxy.subscribe(lambda value: callback(bytearray(value))))

    async def pair(self, *args: Any, **kwargs: Any) -> None:
        raise NotImplementedError

    async def unpair(self) -> None:
        raise NotImplementedError

    async def read_gatt_descriptor(self, *args: Any, **kwargs: Any) -> bytearray:
        raise NotImplementedError

    async def write_gatt_char(self, *args: Any, **kwargs: Any) -> None:
        raise NotImplementedError

    async def write_gatt_descriptor(self, *args: Any, **kwargs: Any) -> None:
        raise NotImplementedError

    async def stop_notify(self, characteristic: BleakGATTCharacteristic) -> None:
        raise NotImplementedError


async def _answered(request: Any) -> Any:
    try:
        return await request
    except ATT_Error as error:
        raise BleakGATTProtocolError(error.error_code) from error
    except BaseBumbleError as error:
        raise BleakError(str(error)) from error
