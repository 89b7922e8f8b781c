"""BTHome version 2 broadcasts to measurements. Pure; the time of arrival is an argument.

Format and encryption: https://bthome.io/format/ and https://bthome.io/encryption/ . The published parser
package is the check in the tests but not used here: on top of the Bluetooth library it takes 13 MB of memory
and a dozen packages of adapter and USB tools, of which nothing else here has need.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from drivers.base import Batch, Rejected
from drivers.codecs.gatt_values import FULL_BATTERY
from drivers.codecs.plausible import measured
from drivers.reading import Measurement, Quality

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.ciphers.aead import AESCCM

BTHOME_UUID = "0000fcd2-0000-1000-8000-00805f9b34fb"
UUID_ON_AIR = b"\xd2\xfc"

ENCRYPTED = 0x01
RESERVED = 0x1A
"""bits 1, 3 and 4 of the device information byte"""
VERSION_SHIFT, VERSION = 5, 2

COUNTER_BYTES = MIC_BYTES = 4
KEY_BYTES = 16
COUNTER_RESTARTED_BELOW = 100
"""A counter this low may be a changed battery; any other fall is a replayed broadcast."""

PACKET_ID, BATTERY, PROBLEM = 0x00, 0x01, 0x26
TEMPERATURE_HUNDREDTHS = {0x02: 1, 0x45: 10, 0x57: 100, 0x58: 35}
"""object id -> what one step of its signed value is worth, 0.01 °C"""

LENGTHS = dict.fromkeys(range(0x66), 1) | {
    **dict.fromkeys((*range(0x02, 0x04), 0x06, 0x07, 0x08, 0x0C, 0x0D, 0x0E, 0x12, 0x13, 0x14), 2),
    **dict.fromkeys((0x3C, 0x3D, 0x3F, 0x40, 0x41, *range(0x43, 0x46), *range(0x47, 0x4B)), 2),
    **dict.fromkeys((0x51, 0x52, 0x56, 0x5A, 0x5D, 0x5E, 0x5F, 0x61, 0xF0), 2),
    **dict.fromkeys((0x04, 0x05, 0x0A, 0x0B, 0x42, 0x4B, 0xF2), 3),
    **dict.fromkeys((0x3E, *range(0x4C, 0x51), 0x55, 0x5B, 0x5C, 0x62, 0x63, 0xF1), 4),
}
"""object id -> bytes that follow, for the objects of fixed length"""
UNASSIGNED = frozenset(range(0x30, 0x3A))
LENGTH_FOLLOWS = frozenset({0x53, 0x54})
"""text and raw"""
COMMAND = 0x3B
COMMAND_LENGTH_MASK = 0x1F

SAME_ID_MEANS_OLD = 4.0
"""s; within it a packet id must be 1 to PACKET_ID_AHEAD ahead of the last one (the published parser's rule)"""
PACKET_ID_AHEAD = 63
REPEAT_INTERVAL = 1.0
"""s; equal bytes without a packet id are taken as one broadcast heard twice within this time (our choice)"""


@dataclass(frozen=True, slots=True)
class Packet:
    """One broadcast in the clear. celsius: in order of appearance, °C. problem: the device says it is not well."""

    celsius: tuple[float, ...]
    packet_id: int | None = None
    battery_percent: int | None = None
    problem: bool = False


def make_cipher(key: bytes) -> AESCCM:
    """The cipher of a 16-byte bind key. Raises ImportError without the package `cryptography`."""
    from cryptography.hazmat.primitives.ciphers.aead import AESCCM

    return AESCCM(key, tag_length=MIC_BYTES)


def parse(objects: bytes) -> Packet | Rejected:
    """The objects of one broadcast. An object id not known ends it: newer ids come last (BTHome: ascending order)."""
    celsius: list[float] = []
    packet_id: int | None = None
    battery: int | None = None
    problem = False
    at = 0
    while at < len(objects):
        kind = objects[at]
        start = at + 1
        if kind in LENGTH_FOLLOWS or kind == COMMAND:
            if start >= len(objects):
                return Rejected("truncated", objects[:40].hex())
            length = 1 + (objects[start] & COMMAND_LENGTH_MASK) if kind == COMMAND else objects[start]
            start += 1
        elif kind in LENGTHS and kind not in UNASSIGNED:
            length = LENGTHS[kind]
        else:
            break
        at = start + length
        value = objects[start:at]
        if len(value) != length:
            return Rejected("truncated", objects[:40].hex())
        if kind in TEMPERATURE_HUNDREDTHS:
            celsius.append(int.from_bytes(value, "little", signed=True) * TEMPERATURE_HUNDREDTHS[kind] / 100)
        elif kind == PACKET_ID:
            packet_id = value[0]
        elif kind == BATTERY and value[0] <= FULL_BATTERY:
            battery = value[0]
        elif kind == PROBLEM:
            problem = problem or value[0] != 0
    return Packet(tuple(celsius), packet_id, battery, problem)


class Broadcaster:
    """One device as it is heard: refuses forgeries, drops what was heard before, remembers the battery."""

    def __init__(self, address: str, cipher: AESCCM | None = None) -> None:
        """address: "A4:C1:38:00:11:22", as the nonce needs it. cipher: from `make_cipher`, for encrypted broadcasts."""
        self._address = bytes.fromhex(address.replace(":", ""))
        self._cipher = cipher
        self._counter: int | None = None
        self._packet_id: int | None = None
        self._last_bytes = b""
        self._last_accepted = float("-inf")
        self._battery: int | None = None

    def heard(self, service_data: bytes, now: float) -> Batch:
        """What one broadcast adds; an empty batch when it was heard before. now: seconds on any steady clock."""
        opened = self._open(service_data)
        if isinstance(opened, Rejected):
            return Batch(rejected=(opened,))
        objects, counter = opened
        if counter is not None and counter == self._counter:
            return Batch()
        packet = parse(objects)
        if isinstance(packet, Rejected):
            return Batch(rejected=(packet,))
        if counter is None and self._heard_before(packet, service_data, now):
            return Batch()
        self._counter, self._packet_id = counter, packet.packet_id
        self._last_bytes, self._last_accepted = service_data, now
        if packet.battery_percent is not None:
            self._battery = packet.battery_percent
        return Batch(tuple(self._measurements(packet)))

    def _open(self, data: bytes) -> tuple[bytes, int | None] | Rejected:
        """The objects in the clear, and the counter if they were encrypted."""
        evidence = data[:40].hex()
        if not data or data[0] >> VERSION_SHIFT != VERSION or data[0] & RESERVED:
            return Rejected("not-bthome-2", evidence)
        if not data[0] & ENCRYPTED:
            # With a key configured, a plain broadcast under this address is somebody else's.
            return Rejected("not-encrypted", evidence) if self._cipher else (data[1:], None)
        if self._cipher is None:
            return Rejected("no-bind-key", evidence)
        if len(data) <= 1 + COUNTER_BYTES + MIC_BYTES:
            return Rejected("truncated", evidence)
        ciphertext, counter, mic = data[1:-8], data[-8:-4], data[-4:]
        number = int.from_bytes(counter, "little")
        if self._counter is not None and COUNTER_RESTARTED_BELOW <= number < self._counter:
            return Rejected("replayed", evidence)
        nonce = self._address + UUID_ON_AIR + data[:1] + counter
        from cryptography.exceptions import InvalidTag

        try:
            return self._cipher.decrypt(nonce, ciphertext + mic, None), number
        except InvalidTag:
            return Rejected("wrong-key", evidence)

    def _heard_before(self, packet: Packet, data: bytes, now: float) -> bool:
        if packet.packet_id is None or self._packet_id is None:
            return data == self._last_bytes and now - self._last_accepted < REPEAT_INTERVAL
        if data == self._last_bytes:
            return True  # whenever it comes: the same packet is no fresh measurement
        ahead = (packet.packet_id - self._packet_id) % 256
        return now - self._last_accepted <= SAME_ID_MEANS_OLD and not 1 <= ahead <= PACKET_ID_AHEAD

    def _measurements(self, packet: Packet) -> list[Measurement]:
        quality = Quality.SUSPECT if packet.problem else Quality.GOOD
        return [
            replace(
                measured("temperature" if number == 1 else f"temperature-{number}", celsius, quality=quality),
                battery_percent=self._battery,
            )
            for number, celsius in enumerate(packet.celsius, start=1)
        ]
