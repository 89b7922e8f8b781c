"""A small org.bluez on a private D-Bus, so that the real bleak BlueZ back end runs where there is no adapter.

Interfaces and names: the BlueZ D-Bus API, https://github.com/bluez/bluez/tree/master/doc . Values on a tree of
objects; each method that bleak calls is answered from a table. The knobs are plain methods: advertise, notify,
drop, remove_adapter, add_adapter.
"""

from __future__ import annotations

import asyncio
import os
import signal
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from dbus_fast import BusType, Message, MessageType, Variant
from dbus_fast.aio import MessageBus

ADAPTER, DEVICE = "org.bluez.Adapter1", "org.bluez.Device1"
SERVICE, CHARACTERISTIC = "org.bluez.GattService1", "org.bluez.GattCharacteristic1"
PROPERTIES, MANAGER = "org.freedesktop.DBus.Properties", "org.freedesktop.DBus.ObjectManager"

BUS_CONFIGURATION = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig>
  <type>session</type>
  <listen>unix:tmpdir={directory}</listen>
  <auth>EXTERNAL</auth>
  <policy context="default">
    <allow send_destination="*" eavesdrop="true"/><allow eavesdrop="true"/><allow own="*"/>
  </policy>
</busconfig>
"""


@contextmanager
def private_bus(directory: Path) -> Iterator[str]:
    """A dbus-daemon of our own; yields its address, also as DBUS_SYSTEM_BUS_ADDRESS."""
    configuration = directory / "bus.conf"
    configuration.write_text(BUS_CONFIGURATION.format(directory=directory))
    command = ["dbus-daemon", f"--config-file={configuration}", "--print-address=1", "--print-pid=1", "--fork"]
    address, pid = subprocess.run(command, check=True, capture_output=True, text=True).stdout.split()
    before = os.environ.get("DBUS_SYSTEM_BUS_ADDRESS")
    os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = address
    try:
        yield address
    finally:
        if before is None:
            del os.environ["DBUS_SYSTEM_BUS_ADDRESS"]
        else:
            os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = before
        os.kill(int(pid), signal.SIGTERM)


@dataclass(eq=False)
class Characteristic:
    """flags: as BlueZ names them. errors: D-Bus error name and text by method, answered instead of a value."""

    uuid: str
    flags: list[str]
    value: bytes = b""
    errors: dict[str, tuple[str, str]] = field(default_factory=dict)


@dataclass(eq=False)
class Probe:
    """A BLE device. services: service UUID -> characteristics. advertises: whether a scan can see it."""

    address: str
    name: str = "probe"
    services: dict[str, list[Characteristic]] = field(default_factory=dict)
    service_data: dict[str, bytes] = field(default_factory=dict)
    uuids: list[str] = field(default_factory=list)
    advertises: bool = True
    refuses: tuple[str, str] | None = None


class FakeBluez:
    """Call `start` on the event loop of the test, `stop` at its end."""

    def __init__(self, adapter: str = "hci0") -> None:
        self.adapter = f"/org/bluez/{adapter}"
        self.probes: dict[str, Probe] = {}
        self.calls: list[str] = []
        self.discovering = False
        self._characteristics: dict[str, Characteristic] = {}
        self._tree: dict[str, dict[str, dict[str, Variant]]] = {}
        self._bus: MessageBus | None = None
        self._owned = False

    async def start(self) -> None:
        self._bus = await MessageBus(bus_type=BusType.SYSTEM).connect()
        self._bus.add_message_handler(self._handle)
        await self._bus.request_name("org.bluez")
        self._owned = True
        self.add_adapter()

    async def vanish(self) -> None:
        """The service ends."""
        assert self._bus is not None
        await self._bus.release_name("org.bluez")
        self._owned = False

    async def stop(self) -> None:
        assert self._bus is not None
        if self._owned:
            await self._bus.release_name("org.bluez")
        self._bus.disconnect()
        await self._bus.wait_for_disconnect()  # type: ignore[no-untyped-call]

    def add_adapter(self) -> None:
        self.discovering = False
        self._add(self.adapter, ADAPTER, {
            "Address": Variant("s", "00:00:00:00:00:01"), "Powered": Variant("b", True),
            "Discovering": Variant("b", False), "Roles": Variant("as", ["central"]),
        })  # fmt: skip

    def remove_adapter(self) -> None:
        """As when the stick is pulled: every object under it goes, and nothing says "disconnected" first."""
        self.discovering = False
        for path in sorted(self._tree, reverse=True):
            self._remove(path)

    def add(self, probe: Probe) -> None:
        self.probes[self.path(probe)] = probe

    def path(self, probe: Probe) -> str:
        return f"{self.adapter}/dev_{probe.address.replace(':', '_')}"

    def advertise(self, probe: Probe) -> None:
        """One advertisement goes out; only a running scan brings it to the bus."""
        path = self.path(probe)
        if not self.discovering or not probe.advertises:
            return
        data = {key: Variant("ay", value) for key, value in probe.service_data.items()}
        if path not in self._tree:
            self._appear(probe)
        self._change(path, DEVICE, {"RSSI": Variant("n", -60), "ServiceData": Variant("a{sv}", data)})

    def notify(self, one: Characteristic, value: bytes) -> None:
        """The device sends a notification or an indication; it arrives only when somebody subscribed."""
        for path, known in self._characteristics.items():
            if known is one and self._tree[path][CHARACTERISTIC]["Notifying"].value:
                self._change(path, CHARACTERISTIC, {"Value": Variant("ay", value)})

    def subscribed(self, probe: Probe) -> int:
        """How many characteristics of the device somebody listens to."""
        return sum(
            interfaces[CHARACTERISTIC]["Notifying"].value
            for path, interfaces in self._tree.items()
            if CHARACTERISTIC in interfaces and path.startswith(self.path(probe))
        )

    def connected(self, probe: Probe) -> bool:
        return bool(self._tree.get(self.path(probe), {}).get(DEVICE, {}).get("Connected", Variant("b", False)).value)

    def drop(self, probe: Probe) -> None:
        """The radio link is lost."""
        path = self.path(probe)
        for below in self._tree:
            if below.startswith(path) and CHARACTERISTIC in self._tree[below]:
                self._tree[below][CHARACTERISTIC]["Notifying"] = Variant("b", False)
        self._change(path, DEVICE, {"ServicesResolved": Variant("b", False), "Connected": Variant("b", False)})

    def connect(self, probe: Probe) -> None:
        """The link is up, as when an earlier program left it so."""
        if self.path(probe) not in self._tree:
            self._appear(probe)
        self._change(self.path(probe), DEVICE, {"Connected": Variant("b", True)})
        self._change(self.path(probe), DEVICE, {"ServicesResolved": Variant("b", True)})

    def _appear(self, probe: Probe) -> None:
        path = self.path(probe)
        uuids = [*probe.uuids, *probe.services, "00001801-0000-1000-8000-00805f9b34fb"]
        self._add(path, DEVICE, {
            "Address": Variant("s", probe.address), "AddressType": Variant("s", "public"),
            "Name": Variant("s", probe.name), "Alias": Variant("s", probe.name), "Adapter": Variant("o", self.adapter),
            "Paired": Variant("b", False), "Trusted": Variant("b", False), "Blocked": Variant("b", False),
            "LegacyPairing": Variant("b", False), "Connected": Variant("b", False),
            "ServicesResolved": Variant("b", False), "UUIDs": Variant("as", uuids),
        })  # fmt: skip
        handle = 0x0A
        for service, characteristics in probe.services.items():
            service_path = f"{path}/service{handle:04x}"
            handle += 1
            self._add(service_path, SERVICE, {
                "UUID": Variant("s", service), "Device": Variant("o", path), "Primary": Variant("b", True),
            })  # fmt: skip
            for one in characteristics:
                self._characteristics[f"{service_path}/char{handle:04x}"] = one
                self._add(f"{service_path}/char{handle:04x}", CHARACTERISTIC, {
                    "UUID": Variant("s", one.uuid), "Service": Variant("o", service_path),
                    "Flags": Variant("as", one.flags), "Notifying": Variant("b", False), "MTU": Variant("q", 23),
                    "Value": Variant("ay", b""),
                })  # fmt: skip
                handle += 1

    def _handle(self, message: Message) -> Message | bool | None:
        if message.message_type is not MessageType.METHOD_CALL or message.destination not in (
            "org.bluez", self._bus.unique_name if self._bus else "",
        ):  # fmt: skip
            return None
        member, path = message.member or "", message.path or ""
        self.calls.append(member)
        if member == "GetManagedObjects":
            return Message.new_method_return(message, "a{oa{sa{sv}}}", [self._tree])
        if path not in self._tree:
            return Message.new_error(message, "org.freedesktop.DBus.Error.UnknownObject", "no such object")
        return self._answer(message, member, path)

    def _answer(self, message: Message, member: str, path: str) -> Message:
        def error(name: str, text: str) -> Message:
            return Message.new_error(message, name, text)

        if member == "StartDiscovery":
            if self.discovering:  # BlueZ: one discovery a client
                return error("org.bluez.Error.InProgress", "Operation already in progress")
            self.discovering = True
            for known in self.probes.values():
                asyncio.get_running_loop().call_soon(self.advertise, known)
        elif member == "StopDiscovery":
            self.discovering = False
        elif member == "Connect":
            probe = self.probes[path]
            if probe.refuses:
                return error(*probe.refuses)
            self.connect(probe)  # BlueZ too says Connected before it answers
        elif member == "Disconnect":
            self.drop(self.probes[path])
        elif member in ("ReadValue", "StartNotify", "StopNotify"):
            one = self._characteristics[path]
            if member in one.errors:
                return error(*one.errors[member])
            if member == "ReadValue":
                return Message.new_method_return(message, "ay", [one.value])
            self._change(path, CHARACTERISTIC, {"Notifying": Variant("b", member == "StartNotify")})
        elif member != "SetDiscoveryFilter":
            return error("org.freedesktop.DBus.Error.UnknownMethod", member)
        return Message.new_method_return(message)

    def _add(self, path: str, interface: str, properties: dict[str, Variant]) -> None:
        self._tree[path] = {interface: properties}
        self._signal("/", MANAGER, "InterfacesAdded", "oa{sa{sv}}", [path, self._tree[path]])

    def _remove(self, path: str) -> None:
        interfaces = list(self._tree.pop(path))
        self._characteristics.pop(path, None)
        self._signal("/", MANAGER, "InterfacesRemoved", "oas", [path, interfaces])

    def _change(self, path: str, interface: str, changed: dict[str, Variant]) -> None:
        if path in self._tree:
            self._tree[path][interface].update(changed)
            self._signal(path, PROPERTIES, "PropertiesChanged", "sa{sv}as", [interface, changed, []])

    def _signal(self, path: str, interface: str, member: str, signature: str, body: list[Any]) -> None:
        assert self._bus is not None
        self._bus.send(Message.new_signal(path, interface, member, signature, body))
