"""What is plugged in or heard on the air, each with a stanza for the rig file. Behind `pitvigil devices`.

Finding is not knowing: a stanza is a first guess for a person to read before pasting.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from pydantic import ValidationError

from config.devices import LineFormat
from config.problems import Remedy, remedy
from drivers import ble_gatt
from drivers.base import DeviceMisconfigured, DeviceUnavailable
from drivers.ble_radio import listening, radio_errors
from drivers.codecs.adverts import BTHOME_UUID, ENCRYPTED, Broadcaster
from drivers.codecs.gatt_values import (
    BATTERY_LEVEL,
    INTERMEDIATE_TEMPERATURE,
    TEMPERATURE_MEASUREMENT,
    TEMPERATURES,
    full_uuid,
)
from drivers.codecs.line_formats import LineDecoder, LineSplitter
from drivers.reading import Fault, Measurement
from drivers.serial_port import PortReader, opened

if TYPE_CHECKING:
    from bleak.backends.device import BLEDevice
    from bleak.backends.scanner import AdvertisementData

BY_ID = Path("/dev/serial/by-id")
BAUDS = (115200, 9600, 57600, 38400, 19200)
"""tried in this order when listening: the most usual first (common practice, no source)"""
LINES_TO_GUESS = 2
"""whole lines that must agree on a format"""
MAX_HEX_DIGITS = 8
"""of a raw register word: MAX31855, 32 bits"""
TEMPERATURE_SERVICES = frozenset({full_uuid("181A"), full_uuid("1809")})
"""Environmental Sensing, Health Thermometer"""
NAME_LENGTH = 24
WORD_CHIPS: dict[int, Literal["max31855", "max6675"]] = {8: "max31855", 4: "max6675"}
"""digits of a raw word -> the simplest chip that sends so many; a person must say which it is"""


@dataclass(frozen=True, slots=True)
class Found:
    """One thing that could be a device of the rig.

    kind: as in the rig file. where: port or BLE address. detail: what is known of it. remarks: what a
    person must decide or know before pasting. stanza: TOML for the rig file.
    """

    kind: str
    where: str
    name: str
    detail: Remedy
    stanza: str
    remarks: tuple[Remedy, ...] = ()


async def find_serial(listen: float = 0.0) -> list[Found]:
    """The serial ports of this machine by their stable names. listen: s to read from each, to guess its format."""
    from serial.tools.list_ports import comports

    return [await describe_port(stable_name(p.device), p.description or "", listen) for p in sorted(comports())]


def stable_name(port: str, by_id: Path = BY_ID) -> str:
    """The /dev/serial/by-id name that leads to a port, which stays when plugs change places; else the port itself."""
    target = Path(port).resolve()
    with suppress(OSError):
        for link in sorted(by_id.iterdir()):
            if link.resolve() == target:
                return str(link)
    return port


async def describe_port(port: str, name: str, listen: float = 0.0) -> Found:
    """One port; with `listen` > 0 each baud rate is tried for so many seconds until lines make sense."""
    guess: LineFormat | None = None
    sources: tuple[str, ...] = ()
    baud, detail = BAUDS[0], remedy("found.not-listened")
    if listen > 0:
        detail = remedy("found.no-lines", bauds=tuple(map(str, BAUDS)))
        for baud in BAUDS:
            try:
                lines = await _lines(port, baud, listen)
            except (DeviceUnavailable, DeviceMisconfigured) as error:
                detail = error.why
                break
            guess, sources = guess_line_format(lines)
            if guess is not None:
                detail = remedy("found.lines", kind=guess.kind, baud=baud)
                break
        else:
            baud = BAUDS[0]
    stanza = _serial_stanza(port, baud, guess)
    return Found("serial-line", port, name, detail, stanza, (*_serial_remarks(guess), *_sources(sources)))


async def _lines(port: str, baud: int, seconds: float) -> list[bytes]:
    """Whole lines heard; never the first, which may be half."""
    splitter = LineSplitter()
    lines: list[bytes] = []
    with opened(port, baud) as line, suppress(TimeoutError):
        reader = PortReader(line, port, baud)
        async with asyncio.timeout(seconds):
            while len(lines) < 2 * LINES_TO_GUESS:
                lines += splitter.feed(await reader.read())[0]
    return lines


def guess_line_format(lines: Sequence[bytes]) -> tuple[LineFormat | None, tuple[str, ...]]:
    """The first format that reads LINES_TO_GUESS lines and more without refusing any, and the sources in them."""
    if len(lines) < LINES_TO_GUESS:
        return None, ()
    for candidate in _candidates(lines[0]):
        try:
            decoder = LineDecoder(candidate, {})
        except DeviceMisconfigured:
            continue
        batches = [decoder.decode(line) for line in lines]
        values = [m for batch in batches for m in batch.measurements]
        if all(b.measurements and not b.rejected for b in batches) and any(_warm(m) for m in values):
            return candidate, tuple(dict.fromkeys(m.source for m in values))
    return None, ()


def _warm(measurement: Measurement) -> bool:
    """A value, or a chip's word that no probe is plugged in: what noise does not say."""
    return measurement.celsius is not None or measurement.fault is Fault.OPEN_CIRCUIT


def _candidates(line: bytes) -> list[LineFormat]:
    """Formats with a checksum first: they cannot fit by chance."""
    found: list[LineFormat] = []
    text = line.decode("ascii", "replace")
    digits = max((len(w) for w in re.findall(r"(?<=,)[0-9A-Fa-f]{4,8}(?=,)", text)), default=MAX_HEX_DIGITS)
    found.append(LineFormat(kind="words", chip=WORD_CHIPS.get(digits, "max31855")))
    kinds: tuple[Literal["json", "keyvalue", "csv"], ...] = ("json", "keyvalue", "csv")
    for checksum in ("crc16", "xor8", "none"):
        for kind in kinds:
            for separator in (",", ";", " ", "\t"):
                with suppress(ValidationError):
                    found.append(
                        LineFormat.model_validate({"kind": kind, "separator": separator, "checksum": checksum})
                    )
    return found


def _serial_stanza(port: str, baud: int, guess: LineFormat | None) -> str:
    parts = [f'kind = "{guess.kind if guess else "json"}"']
    if guess is not None:
        if guess.kind == "words":
            parts.append(f'chip = "{guess.chip}"')
        elif guess.separator != ",":
            parts.append(f"separator = {quoted(guess.separator)}")
        if guess.checksum != "none":
            parts.append(f'checksum = "{guess.checksum}"')
    return (
        "\n".join(
            [
                "[[devices]]",
                'kind = "serial-line"',
                f"id = {quoted(_identifier(Path(port).name))}",
                f"port = {quoted(port)}",
                f"baud = {baud}",
                f"line = {{ {', '.join(parts)} }}",
            ]
        )
        + "\n"
    )


def _serial_remarks(guess: LineFormat | None) -> tuple[Remedy, ...]:
    if guess is None:
        return (remedy("found.no-format"),)
    return (remedy("found.chip" if guess.kind == "words" else "found.celsius"),)


async def find_ble(seconds: float = 10.0, adapter: str | None = None) -> list[Found]:
    """BTHome broadcasters, and devices that advertise a temperature service; these are connected to for a look inside.

    Raises DeviceUnavailable or DeviceMisconfigured when there is no usable adapter.
    """
    heard: dict[str, tuple[BLEDevice, AdvertisementData]] = {}

    def note(device: BLEDevice, data: AdvertisementData) -> None:
        heard[device.address] = (device, data)

    with radio_errors("Bluetooth"):
        async with listening(adapter, note):
            await asyncio.sleep(seconds)
    found = []
    for address, (device, data) in sorted(heard.items()):
        if BTHOME_UUID in data.service_data:
            found.append(_broadcaster(device, data.service_data[BTHOME_UUID]))
        elif TEMPERATURE_SERVICES & set(data.service_uuids):
            found.append(await _look_inside(device, address))
    return found


def _broadcaster(device: BLEDevice, payload: bytes) -> Found:
    encrypted = bool(payload) and bool(payload[0] & ENCRYPTED)
    sources = [] if encrypted else [m.source for m in Broadcaster(device.address).heard(payload, 0.0).measurements]
    lines = [
        "[[devices]]",
        'kind = "ble-advert"',
        f"id = {quoted(_identifier(device.name or device.address))}",
        f"address = {quoted(device.address)}",
        *(['bind_key_file = "/etc/pitvigil/bind-key"'] if encrypted else []),
    ]
    detail = remedy("found.encrypted") if encrypted else remedy("found.broadcast", number=len(sources))
    remarks = (remedy("found.key"),) if encrypted else _sources(sources)
    return Found("ble-advert", device.address, device.name or "", detail, "\n".join(lines) + "\n", remarks)


async def _look_inside(device: BLEDevice, address: str) -> Found:
    from bleak import BleakClient

    inside: list[tuple[str, int]] = []
    name, trouble = device.name or "", None
    try:
        with radio_errors(name or address):
            async with BleakClient(device, timeout=ble_gatt.CONNECT_TIMEOUT) as client:
                there = client.services.characteristics
                inside = [(there[handle].uuid, handle) for handle in sorted(there)]
    except (DeviceUnavailable, DeviceMisconfigured) as error:
        trouble = error.why
    uuids = [uuid for uuid, _ in inside if uuid in TEMPERATURES]
    if TEMPERATURE_MEASUREMENT in uuids:  # the intermediate value is the same temperature once more
        uuids = [uuid for uuid in uuids if uuid != INTERMEDIATE_TEMPERATURE]
    battery = [uuid for uuid, _ in inside if uuid == BATTERY_LEVEL][:1]
    rows = [
        f'  {{ source = "{number}", uuid = "{uuid[4:8].upper()}", number = {uuids[:number].count(uuid)} }},'
        for number, uuid in enumerate(uuids, start=1)
    ] + [f'  {{ source = "battery", uuid = "{uuid[4:8].upper()}" }},' for uuid in battery]
    lines = [
        "[[devices]]",
        'kind = "ble-gatt"',
        f"id = {quoted(_identifier(name or address))}",
        f"address = {quoted(address)}",
    ]
    if not uuids:
        rows.insert(0, '  { source = "1", uuid = "2A6E" },')
    lines += ["characteristics = [", *rows, "]"]
    remarks = _sources([str(n) for n in range(1, len(uuids) + 1)]) if uuids else (remedy("found.nothing-standard"),)
    detail = remedy("found.standard", number=len(uuids)) if trouble is None else remedy("found.closed", why=trouble)
    return Found("ble-gatt", address, name, detail, "\n".join(lines) + "\n", remarks)


def _sources(sources: Sequence[str]) -> tuple[Remedy, ...]:
    """A remark that names what a channel's `source` may be."""
    return (remedy("found.sources", sources=tuple(map(quoted, sources))),) if sources else ()


def _identifier(text: str) -> str:
    """A name as the rig file wants it: lower-case letters, digits and hyphens."""
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")[:NAME_LENGTH].strip("-") or "device"


def quoted(text: str) -> str:
    """A TOML basic string; what the air or a USB plug says about itself is not to be trusted."""
    escaped = "".join(
        c if c.isprintable() and c not in '"\\' and ord(c) < 0x10000 else f"\\U{ord(c):08X}"
        for c in text.encode("utf-8", "replace").decode("utf-8")
    )
    return f'"{escaped}"'
