"""Microcontrollers that send one text line per sample over a serial port."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from typing import Final

from config.devices import SerialLineDevice
from config.problems import Remedy, remedy
from drivers.base import Batch, Driver, Rejected
from drivers.codecs.line_formats import LineDecoder, LineSplitter
from drivers.reading import Measurement
from drivers.serial_port import PortReader, opened

WATCH_SPAN: Final = 10.0
"""s over which bad frames are weighed"""
BAD_SHARE: Final = 0.9
"""this share of bad frames in a span is trouble worth words"""
FEWEST_FRAMES: Final = 3
"""frames below which a share says nothing"""
NOISE_SHARE: Final = 0.1
"""unprintable bytes in a text line that works: none. At a wrong baud rate more than half are."""
_TEXT: Final = bytes({*b"\t\r\n", *range(0x20, 0x7F), *"°".encode()})


class LineHealth:
    """Weighs good frames against bad ones over WATCH_SPAN and says what the trouble is."""

    def __init__(self, baud: int, kind: str, now: float) -> None:
        self._baud = baud
        self._kind = kind
        self._restart(now)

    def _restart(self, now: float) -> None:
        self._since = now
        self._good = self._bad = self._bytes = self._noise = 0
        self._example = ""

    def note(self, data: bytes, good: int, rejected: tuple[Rejected, ...], now: float) -> Remedy | None:
        """One receive; `good` lines gave all they hold. A hint at the end of each span that went badly."""
        self._good += good
        self._bad += len(rejected)
        self._bytes += len(data)
        self._noise += len(data.translate(None, delete=_TEXT))
        if rejected:
            self._example = rejected[-1].detail
        if now - self._since < WATCH_SPAN:
            return None
        hint = self._hint()
        self._restart(now)
        return hint

    def _hint(self) -> Remedy | None:
        frames = self._good + self._bad
        noisy = self._noise >= NOISE_SHARE * self._bytes
        if frames >= FEWEST_FRAMES and self._bad >= BAD_SHARE * frames:
            share = self._bad / frames
            if noisy:
                return remedy("device.line.noise", baud=self._baud, share=share, span=WATCH_SPAN)
            return remedy("device.line.misfit", kind=self._kind, share=share, span=WATCH_SPAN, last=self._example)
        if frames < FEWEST_FRAMES and not self._good and self._bytes >= 64 and noisy:
            return remedy("device.line.no-line", baud=self._baud, bytes=self._bytes, span=WATCH_SPAN)
        return None


class SerialLineLink:
    """An open line. Silence is not its concern; an unplugged adapter is."""

    def __init__(self, reader: PortReader, decoder: LineDecoder, health: LineHealth) -> None:
        self._reader = reader
        self._decoder = decoder
        self._health = health
        self._splitter = LineSplitter(joined_midway=not decoder.checked)
        decoder.count.joined()

    async def receive(self) -> Batch:
        """Everything that the lines which just arrived say. Raises DeviceUnavailable when unplugged."""
        while True:
            data = await self._reader.read()
            lines, endless = self._splitter.feed(data)
            measurements: list[Measurement] = []
            rejected = list(endless)
            good = lost = restarts = 0
            for line in lines:
                batch = self._decoder.decode(line)
                measurements += batch.measurements
                rejected += batch.rejected
                good += not batch.rejected
                lost += batch.lost
                restarts += batch.restarts
            now = asyncio.get_running_loop().time()
            hint = self._health.note(data, good, tuple(rejected), now)
            if measurements or rejected or hint:
                return Batch(tuple(measurements), tuple(rejected), hint, lost, restarts)


class SerialLine:
    """The driver of one `SerialLineDevice`."""

    def __init__(self, device: SerialLineDevice, channel_types: Mapping[str, str]) -> None:
        self._device = device
        self._decoder = LineDecoder(device.line, channel_types, device.linearise)

    @asynccontextmanager
    async def open(self) -> AsyncIterator[SerialLineLink]:
        device = self._device
        with opened(device.port, device.baud) as line:
            health = LineHealth(device.baud, device.line.kind, asyncio.get_running_loop().time())
            yield SerialLineLink(PortReader(line, device.port, device.baud), self._decoder, health)


def from_device(device: SerialLineDevice, channel_types: Mapping[str, str]) -> Driver:
    """channel_types: thermocouple letter by source. Raises DeviceMisconfigured for an amplifier that is not made."""
    return SerialLine(device, channel_types)
