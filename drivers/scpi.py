"""Laboratory instruments and data loggers that speak SCPI (IEEE 488.2) over a serial port."""

from __future__ import annotations

import asyncio
import os
import termios
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from typing import Final

import serial

from config.devices import ScpiDevice
from drivers.base import Batch, DeviceMisconfigured, DeviceUnavailable, Driver, Rejected
from drivers.codecs.scpi_values import decode_values
from drivers.serial_port import PortReader, opened

LONGEST_ANSWER: Final = 8192
"""bytes"""
PATIENCE: Final = 3
"""queries in a row without an answer after which the instrument counts as gone"""


class ScpiLink:
    """An open instrument. `identity` is what it answered to *IDN?."""

    def __init__(self, line: serial.Serial, device: ScpiDevice) -> None:
        self._device = device
        self._line = line
        self._reader = PortReader(line, device.port, device.baud)
        self._next_query = asyncio.get_running_loop().time()
        self._missed = 0
        self.identity = ""

    async def identify(self) -> None:
        """Asks who is there and sets degrees Celsius. Raises DeviceUnavailable or DeviceMisconfigured."""
        try:
            self.identity = (await self._ask("*IDN?")).decode("ascii", "replace").strip()
            self._send("UNIT:TEMP C")
            unit = (await self._ask("UNIT:TEMP?")).decode("ascii", "replace").strip()
        except TimeoutError:
            raise DeviceUnavailable("device.scpi.no-answer", port=self._device.port) from None
        if {part.strip() for part in unit.split(",")} != {"C"}:
            raise DeviceMisconfigured("device.scpi.unit", name=self.identity, unit=unit)

    async def receive(self) -> Batch:
        """The values of one query. Raises DeviceUnavailable when unplugged or after PATIENCE unanswered queries."""
        loop = asyncio.get_running_loop()
        await asyncio.sleep(self._next_query - loop.time())
        self._next_query = max(self._next_query + self._device.every, loop.time())
        channels = ",".join(str(channel) for channel in self._device.channel_list)
        try:
            answer = await self._ask(self._device.query.format(type=self._device.thermocouple, channels=channels))
        except TimeoutError:
            self._missed += 1
            if self._missed >= PATIENCE:
                raise DeviceUnavailable("device.scpi.silent", port=self._device.port, queries=PATIENCE) from None
            return Batch(rejected=(Rejected("no-answer", f"no answer in {self._device.timeout:g} s"),))
        self._missed = 0
        return decode_values(answer, self._device.channel_list)

    def _send(self, command: str) -> None:
        try:
            os.write(self._line.fileno(), f"{command}\n".encode("ascii"))
        except OSError as error:
            raise DeviceUnavailable("device.unplugged", port=self._device.port) from error

    async def _ask(self, query: str) -> bytes:
        """The answer line without its end. What arrived before the question is no answer to it and is dropped."""
        try:
            self._line.reset_input_buffer()
        except (OSError, termios.error) as error:
            raise DeviceUnavailable("device.unplugged", port=self._device.port) from error
        self._send(query)
        held = b""
        async with asyncio.timeout(self._device.timeout):
            while b"\n" not in held:
                held += await self._reader.read()
                held = held[-LONGEST_ANSWER:]
        return held.partition(b"\n")[0].rstrip(b"\r")


class Scpi:
    """The driver of one `ScpiDevice`."""

    def __init__(self, device: ScpiDevice) -> None:
        self._device = device

    @asynccontextmanager
    async def open(self) -> AsyncIterator[ScpiLink]:
        with opened(self._device.port, self._device.baud) as line:
            link = ScpiLink(line, self._device)
            await link.identify()
            yield link


def from_device(device: ScpiDevice, channel_types: Mapping[str, str]) -> Driver:
    """channel_types is not used: the instrument linearises for the type in its query.

    Raises DeviceMisconfigured for a query whose braces do not fit {type} and {channels}.
    """
    try:
        device.query.format(type="K", channels="1").encode("ascii")
    except (KeyError, IndexError, ValueError) as error:
        raise DeviceMisconfigured("device.scpi.query", query=device.query) from error
    return Scpi(device)
