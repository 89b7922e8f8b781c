"""One Bluetooth adapter shared by everything in the process that listens to it.

BlueZ lets one client run one discovery an adapter: a second one fails with org.bluez.Error.InProgress. So all
who scan share one scanner. The Bluetooth library is imported on first use: a rig without BLE never loads it.
"""

from __future__ import annotations

import asyncio
import logging
from collections import deque
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from typing import TYPE_CHECKING, Generic, TypeVar
from weakref import WeakValueDictionary

from drivers.base import DeviceError, DeviceMisconfigured, DeviceUnavailable

if TYPE_CHECKING:
    from bleak import BleakScanner
    from bleak.args.bluez import BlueZAdapterArgs
    from bleak.backends.device import BLEDevice
    from bleak.backends.scanner import AdvertisementData

log = logging.getLogger(__name__)

FIND_TIMEOUT = 20.0
"""s; nearly two broadcasts of the slowest connectable device, 10.24 s (Core Specification, from memory)"""
DEAF_AFTER = 15.0
"""s without any broadcast from anybody after which a running scan is begun anew (our choice)"""
INBOX_LIMIT = 256
"""values kept for a reader that is late; the oldest go first"""
CONNECTED_SERVICES = ("1801", "181a", "1809", "180f")
"""services by which a link left up by an earlier run is recognised: generic attribute, environment, health, battery"""

Heard = Callable[["BLEDevice", "AdvertisementData"], None]
Item = TypeVar("Item")


@contextmanager
def radio_errors(name: str) -> Iterator[None]:
    """The library's errors in the two words a supervisor knows, and in words for the cook."""
    from bleak.exc import (
        BleakBluetoothNotAvailableError,
        BleakBluetoothNotAvailableReason,
        BleakDBusError,
        BleakError,
        BleakGATTProtocolError,
        BleakGATTProtocolErrorCode,
    )

    needs_pairing = (
        BleakGATTProtocolErrorCode.INSUFFICIENT_AUTHENTICATION,
        BleakGATTProtocolErrorCode.INSUFFICIENT_ENCRYPTION,
        BleakGATTProtocolErrorCode.INSUFFICIENT_AUTHORIZATION,
    )
    try:
        yield
    except TimeoutError as error:
        raise DeviceUnavailable("device.ble.no-answer", name=name) from error
    except BleakGATTProtocolError as error:
        if error.code in needs_pairing:
            raise DeviceMisconfigured("device.ble.unpaired", name=name) from error
        raise DeviceUnavailable("device.failed", name=name, why=str(error)) from error
    except BleakBluetoothNotAvailableError as error:
        if error.reason is BleakBluetoothNotAvailableReason.DENIED_BY_SYSTEM:
            raise DeviceMisconfigured("device.ble.not-allowed") from error
        raise DeviceUnavailable("device.ble.no-adapter", name=name, why=str(error.args[0])) from error
    except BleakDBusError as error:
        if error.dbus_error == "org.freedesktop.DBus.Error.AccessDenied":
            raise DeviceMisconfigured("device.ble.not-allowed") from error
        if error.dbus_error in (
            "org.freedesktop.DBus.Error.ServiceUnknown",
            "org.freedesktop.DBus.Error.NameHasNoOwner",
        ):
            raise DeviceUnavailable("device.ble.no-service", name=name) from error
        if error.dbus_error == "org.freedesktop.DBus.Error.UnknownObject":
            raise DeviceUnavailable("device.ble.adapter-gone", name=name) from error
        raise DeviceUnavailable("device.failed", name=name, why=str(error)) from error
    except (FileNotFoundError, ConnectionRefusedError) as error:  # of the bus that the service is asked over
        raise DeviceUnavailable("device.ble.no-service", name=name) from error
    except (BleakError, OSError, EOFError) as error:
        raise DeviceUnavailable("device.failed", name=name, why=str(error)) from error


class Inbox(Generic[Item]):
    """What came in, for one reader; and why nothing will come any more."""

    def __init__(self) -> None:
        self._items: deque[Item] = deque(maxlen=INBOX_LIMIT)
        self._arrived = asyncio.Event()
        self._lost: DeviceError | None = None

    def put(self, item: Item) -> None:
        self._items.append(item)
        self._arrived.set()

    def lose(self, why: DeviceError) -> None:
        self._lost = self._lost or why
        self._arrived.set()

    async def take(self) -> list[Item]:
        """All that is waiting, at least one. Raises DeviceUnavailable when the link is lost and all has been read."""
        await self._arrived.wait()
        items = list(self._items)
        self._items.clear()
        if self._lost is None:
            self._arrived.clear()
        elif not items:
            raise self._lost
        return items


class Radio:
    """The scanner of one adapter, running while anybody listens."""

    def __init__(self, adapter: str | None) -> None:
        self._adapter = adapter
        self._lock = asyncio.Lock()
        self._listeners: dict[object, Heard] = {}
        self._scanner: BleakScanner | None = None
        self._last_heard = 0.0

    async def join(self, key: object, heard: Heard) -> None:
        async with self._lock:
            now = asyncio.get_running_loop().time()
            self._listeners[key] = heard  # first: a rare broadcast may come while the scan is being started
            if self._scanner is not None and now - self._last_heard > DEAF_AFTER:
                await self._stop()
            if self._scanner is None:
                await self._start()
                self._last_heard = now

    async def leave(self, key: object) -> None:
        self._listeners.pop(key, None)
        async with self._lock:
            if not self._listeners:
                await self._stop()

    def _heard(self, device: BLEDevice, data: AdvertisementData) -> None:
        self._last_heard = asyncio.get_running_loop().time()
        for heard in tuple(self._listeners.values()):
            heard(device, data)

    async def _start(self) -> None:
        from bleak import BleakScanner
        from bleak.args.bluez import BlueZScannerArgs

        # DuplicateData: else BlueZ says nothing while a device repeats itself, which is its sign of life.
        arguments = BlueZScannerArgs(filters={"DuplicateData": True})
        if self._adapter is not None:
            arguments["adapter"] = self._adapter
        scanner = BleakScanner(self._heard, bluez=arguments)
        await scanner.start()
        self._scanner = scanner

    async def _stop(self) -> None:
        scanner, self._scanner = self._scanner, None
        if scanner is None:
            return
        try:
            await scanner.stop()
        except Exception as error:  # the adapter may be gone: then there is nothing to stop
            log.debug("stopping the scan: %r", error)


_radios: WeakValueDictionary[tuple[int, str | None], Radio] = WeakValueDictionary()


@asynccontextmanager
async def listening(adapter: str | None, heard: Heard) -> AsyncIterator[None]:
    """Call `heard` for every broadcast while inside. Raises the library's own errors: see `radio_errors`."""
    name = (id(asyncio.get_running_loop()), adapter)
    radio = _radios.get(name)
    if radio is None:
        radio = _radios[name] = Radio(adapter)
    key = object()
    try:
        await radio.join(key, heard)
        yield
    finally:
        await radio.leave(key)


async def find_device(adapter: str | None, address: str) -> BLEDevice:
    """The device at an address: still connected from an earlier run, or heard within FIND_TIMEOUT.

    Raises TimeoutError and the library's own errors: see `radio_errors`.
    """
    from bleak import BleakAdapter

    arguments: BlueZAdapterArgs = {} if adapter is None else {"adapter": adapter}
    # A connected device does not advertise: after a crash the scan alone would never find it again.
    for device in await (await BleakAdapter.get(bluez=arguments)).get_connected_devices(list(CONNECTED_SERVICES)):
        if device.address.upper() == address.upper():
            return device
    found: asyncio.Future[BLEDevice] = asyncio.get_running_loop().create_future()

    def heard(device: BLEDevice, _: AdvertisementData) -> None:
        if device.address.upper() == address.upper() and not found.done():
            found.set_result(device)

    async with asyncio.timeout(FIND_TIMEOUT), listening(adapter, heard):
        return await found
