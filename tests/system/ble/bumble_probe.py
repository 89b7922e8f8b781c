"""A BLE probe in a process of its own: bumble's host and two virtual controllers, HCI of the other one on TCP.

    python bumble_probe.py [kernel]

The first line it prints is the port. Whoever connects there has a controller within reach of the probe; with `kernel` the
kernel has it, through /dev/vhci, and there is no port (0). Orders come in on
standard input, one a line, each answered by "done": `value UUID HEX` (set, and tell subscribers), `broadcast HEX` (BTHome
service data from now on), `named` (advertise as a device to connect to), `quiet` (no advertising), `drop` (end the connection).
"""

from __future__ import annotations

import asyncio
import socket
import sys
from contextlib import suppress

from bumble.controller import Controller
from bumble.core import UUID, AdvertisingData, PhysicalTransport
from bumble.device import Device
from bumble.gatt import Characteristic, Service
from bumble.hci import (
    Address,
    HCI_ErrorCode,
    HCI_LE_Connection_Complete_Event,
    HCI_LE_Create_Connection_Cancel_Command,
    HCI_LE_Enhanced_Connection_Complete_Event,
    HCI_Packet,
    HCI_StatusReturnParameters,
)
from bumble.host import Host
from bumble.link import LocalLink
from bumble.transport.common import AsyncPipeSink
from bumble.transport.tcp_server import open_tcp_server_transport_with_socket
from bumble.transport.vhci import open_vhci_transport

PROBE = "C0:FF:EE:00:00:01"
WATCH = "F0:F1:F2:F3:F4:F5"
BTHOME = UUID.from_16_bits(0xFCD2)
INTERVAL = 30.0
"""ms between advertisements"""
ENHANCED = 1 << 9
"""bit of the LE event mask for LE Enhanced Connection Complete (7.8.1)"""
OWN = "6b1b7a0e-3c55-4f0e-9a51-0f2a3d0c1e77"
"""a characteristic of nobody's standard"""
SECRET = "2BDF"
"""a characteristic that wants an encrypted link"""

Flags = Characteristic.Properties
Permissions = Characteristic.Permissions
SERVICES: dict[str, dict[str, Flags]] = {
    "181A": {"2A6E": Flags.READ | Flags.NOTIFY},
    "1809": {"2A1C": Flags.INDICATE},
    "180F": {"2A19": Flags.READ},
    OWN[:-1] + "0": {OWN: Flags.READ, SECRET: Flags.READ},
}


def described() -> tuple[list[Service], dict[str, Characteristic[bytes]]]:
    found: dict[str, Characteristic[bytes]] = {}
    services = []
    for service, characteristics in SERVICES.items():
        for uuid, flags in characteristics.items():
            allowed = Permissions.READABLE | (Permissions.READ_REQUIRES_ENCRYPTION if uuid == SECRET else 0)
            found[uuid] = Characteristic(UUID(uuid), flags, allowed, b"\x00\x00")
        services.append(Service(UUID(service), [found[uuid] for uuid in characteristics]))
    return services, found


class Air(LocalLink):
    """Packets come from the address with which the link was made. The library's own names the sender's random address, which
    BlueZ changes with every scan while it connects by its public one: packets are lost, and with them parts of the table of
    characteristics."""

    def send_acl_data(
        self, sender_controller: Controller, destination_address: Address, transport: PhysicalTransport, data: bytes
    ) -> None:
        connection = sender_controller.le_connections.get(destination_address)
        receiver = self.find_le_controller(destination_address)
        if connection is not None and receiver is not None:
            asyncio.get_running_loop().call_soon(receiver.on_link_acl_data, connection.self_address, transport, data)


class Exact(Controller):
    """Where the library's controller leaves the Core Specification, and Debian's kernel notices (Vol 4, Part E).

    7.7.65.10: a host that unmasks the enhanced event of a new connection is sent that one and not the plain one. Without it
    the kernel has a connection and still waits for the end of the attempt, so that, asked to hang up, it cancels the attempt.
    7.8.13: a cancelled attempt ends with that event and an error; without it no other attempt is ever taken.
    """

    def send_hci_packet(self, packet: HCI_Packet) -> None:
        if isinstance(packet, HCI_LE_Connection_Complete_Event) and self.le_event_mask & ENHANCED:
            nowhere = Address("00:00:00:00:00:00")
            packet = HCI_LE_Enhanced_Connection_Complete_Event(
                status=packet.status, connection_handle=packet.connection_handle, role=packet.role,
                peer_address_type=packet.peer_address_type, peer_address=packet.peer_address,
                local_resolvable_private_address=nowhere, peer_resolvable_private_address=nowhere,
                connection_interval=packet.connection_interval, peripheral_latency=packet.peripheral_latency,
                supervision_timeout=packet.supervision_timeout, central_clock_accuracy=packet.central_clock_accuracy,
            )  # fmt: skip
        super().send_hci_packet(packet)

    def on_hci_le_create_connection_cancel_command(
        self, command: HCI_LE_Create_Connection_Cancel_Command
    ) -> HCI_StatusReturnParameters:
        pending, self.pending_le_connection = self.pending_le_connection, None
        if pending is None:
            return HCI_StatusReturnParameters(HCI_ErrorCode.COMMAND_DISALLOWED_ERROR)
        ended = HCI_LE_Connection_Complete_Event(
            status=HCI_ErrorCode.UNKNOWN_CONNECTION_IDENTIFIER_ERROR, connection_handle=0, role=0, peer_address_type=0,
            peer_address=Address("00:00:00:00:00:00"), connection_interval=0, peripheral_latency=0, supervision_timeout=0,
            central_clock_accuracy=0,
        )  # fmt: skip
        asyncio.get_running_loop().call_soon(self.send_hci_packet, ended)
        return HCI_StatusReturnParameters(HCI_ErrorCode.SUCCESS)


class Probe:
    def __init__(self, device: Device, characteristics: dict[str, Characteristic[bytes]]) -> None:
        self._device = device
        self._characteristics = characteristics

    async def obey(self, order: str, *words: str) -> None:
        match order:
            case "value":
                one = self._characteristics[words[0]]
                one.value = bytes.fromhex(words[1])
                if one.properties & Flags.NOTIFY:
                    await self._device.notify_subscribers(one)
                elif one.properties & Flags.INDICATE:
                    await self._device.indicate_subscribers(one)
            case "broadcast":
                await self._advertise([(AdvertisingData.SERVICE_DATA, bytes(BTHOME) + bytes.fromhex(words[0]))])
            case "named":
                ids = b"".join(bytes(UUID(service)) for service in SERVICES if len(service) == 4)
                name = (AdvertisingData.COMPLETE_LOCAL_NAME, b"Pit probe")
                await self._advertise([(AdvertisingData.COMPLETE_LIST_OF_16_BIT_SERVICE_CLASS_UUIDS, ids), name])
            case "quiet":
                await self._device.stop_advertising()
            case "drop":
                for connection in tuple(self._device.connections.values()):
                    await connection.disconnect()
            case _:
                raise ValueError(order)

    async def _advertise(self, data: list[tuple[int, bytes]]) -> None:
        with suppress(Exception):
            await self._device.stop_advertising()
        await self._device.start_advertising(
            auto_restart=False,
            advertising_data=bytes(AdvertisingData([(AdvertisingData.FLAGS, b"\x06"), *data])),
            advertising_interval_min=INTERVAL,
            advertising_interval_max=INTERVAL,
        )


async def main() -> None:
    if sys.argv[1:] == ["kernel"]:
        transport, port = await open_vhci_transport(None), 0
    else:
        listener = socket.create_server(("127.0.0.1", 0))
        transport, port = await open_tcp_server_transport_with_socket(listener), listener.getsockname()[1]
    link = Air()  # type: ignore[no-untyped-call]
    Exact("watch", transport.source, transport.sink, link, WATCH)
    host = Host()
    host.controller = Controller("probe", host_source=host, host_sink=AsyncPipeSink(host), link=link)
    device = Device(name="Pit probe", address=Address(PROBE), host=host)
    services, characteristics = described()
    device.add_services(services)
    await device.power_on()
    print(port, flush=True)
    probe = Probe(device, characteristics)
    reader = asyncio.StreamReader()
    await asyncio.get_running_loop().connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
    while line := await reader.readline():
        await probe.obey(*line.decode().split())
        print("done", flush=True)


if __name__ == "__main__":
    asyncio.run(main())
